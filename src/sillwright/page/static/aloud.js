// Reads a run's bolts aloud, one after another, with the browser's own voice.
"use strict";
(() => {
  const button = document.getElementById("aloud");
  const speech = window.speechSynthesis;
  if (!button || !speech) return;
  const bolts = [...document.querySelectorAll("[data-aloud]")];
  button.hidden = bolts.length === 0;
  let reading = false;

  const stop = () => {
    reading = false;
    speech.cancel();
    button.textContent = button.dataset.read;
    document.querySelectorAll(".reading").forEach((bolt) => bolt.classList.remove("reading"));
  };
  const read = (index) => {
    document.querySelectorAll(".reading").forEach((bolt) => bolt.classList.remove("reading"));
    if (!reading || index >= bolts.length) return stop();
    const words = new SpeechSynthesisUtterance(bolts[index].dataset.aloud);
    words.lang = document.documentElement.lang;
    words.rate = 0.9;
    words.onend = () => { if (reading) read(index + 1); };
    words.onerror = () => { if (reading) stop(); };
    bolts[index].classList.add("reading");
    bolts[index].scrollIntoView({ block: "center" });
    speech.speak(words);
    return undefined;
  };
  button.addEventListener("click", () => {
    if (reading) return stop();
    reading = true;
    button.textContent = button.dataset.stop;
    return read(0);
  });
  window.addEventListener("pagehide", stop);
})();
