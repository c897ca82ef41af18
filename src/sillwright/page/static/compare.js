// Before and after laid over each other, and a slider that wipes from one to the other, or blends them.
"use strict";
(() => {
  const bar = document.getElementById("slider");
  if (!bar) return;
  const slide = document.getElementById("slide");
  const blend = document.getElementById("blend");
  const isBlended = () => blend.getAttribute("aria-pressed") === "true";

  const show = () => {
    const share = Number(slide.value);
    document.querySelectorAll(".both.over .after").forEach((after) => {
      after.style.opacity = isBlended() ? share / 100 : 1;
      // Wiped from the left: what is after stands left of the edge, what was before right of it.
      after.style.clipPath = isBlended() ? "none" : `inset(0 ${100 - share}% 0 0)`;
      const edge = after.parentElement.querySelector(".edge");
      edge.hidden = isBlended();
      edge.style.left = `${share}%`;
    });
  };

  document.querySelectorAll(".both").forEach((both) => {
    const edge = document.createElement("div");
    edge.className = "edge";
    both.append(edge);
    both.classList.add("over");
  });
  bar.hidden = false;
  slide.addEventListener("input", show);
  blend.addEventListener("click", () => {
    blend.setAttribute("aria-pressed", String(!isBlended()));
    show();
  });
  show();
})();
