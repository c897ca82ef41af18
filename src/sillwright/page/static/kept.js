// What was loaded stays readable. Where the browser allows it a service worker keeps visited pages; on plain http to
// another machine it does not, so this page keeps the ones visited before it in the tab, and shows those.
"use strict";
(() => {
  const note = document.getElementById("connection");
  const NAME = "sillwright-kept ";
  const MOST = 30;
  let old = false; // a kept copy is shown: it stays marked as one until it is loaded anew
  if ("serviceWorker" in navigator) navigator.serviceWorker.register("/service-worker.js").catch(() => {});

  // Only what is read: forms and their tokens are left out.
  const keep = () => {
    const main = document.querySelector("main").cloneNode(true);
    main.querySelectorAll("form, input, script, progress").forEach((part) => part.remove());
    const cell = document.querySelector("header .cell");
    const page = { when: Date.now(), title: document.title, head: cell ? cell.innerHTML : "", main: main.innerHTML };
    try {
      const kept = Object.keys(sessionStorage).filter((key) => key.startsWith(NAME));
      if (kept.length >= MOST) sessionStorage.removeItem(kept[0]);
      sessionStorage.setItem(NAME + window.location.pathname, JSON.stringify(page));
    } catch { /* no room: the page is simply not kept */ }
  };
  const show = (path) => {
    const text = sessionStorage.getItem(NAME + path);
    if (!text) return false;
    const page = JSON.parse(text);
    old = true;
    document.title = page.title;
    // Both were cut from pages of this server, in which every name is escaped.
    document.querySelector("header .cell").innerHTML = page.head;
    document.querySelector("main").innerHTML = page.main;
    const when = new Date(page.when).toLocaleTimeString(document.documentElement.lang, { timeStyle: "short" });
    say(document.body.dataset.kept.replace("{when}", when));
    document.querySelectorAll(".bar").forEach((bar) => { bar.hidden = true; });
    window.scrollTo(0, 0);
    return true;
  };
  const say = (text) => { note.textContent = text; note.hidden = false; };

  document.addEventListener("click", async (event) => {
    const link = event.target.closest("a[href^='/']");
    if (!link || event.ctrlKey || event.metaKey || event.shiftKey || event.button) return;
    event.preventDefault();
    const gone = new AbortController();
    const timer = setTimeout(() => gone.abort(), 5000);
    const there = await fetch("/static/page.css", { method: "HEAD", cache: "no-store", signal: gone.signal }).catch(() => null);
    clearTimeout(timer);
    const path = new URL(link.href).pathname;
    if (there) window.location.assign(link.href);
    else if (show(path)) window.history.pushState(null, "", path);
    else if ("serviceWorker" in navigator && navigator.serviceWorker.controller) window.location.assign(link.href);
    else say(document.body.dataset.offline);
  });
  window.addEventListener("popstate", () => {
    if (!show(window.location.pathname)) window.location.reload();
  });
  window.addEventListener("offline", () => say(document.body.dataset.offline));
  window.addEventListener("online", () => {
    if (!old) note.hidden = true;
    else fetch("/static/page.css", { method: "HEAD", cache: "no-store" }).then(() => window.location.reload()).catch(() => {});
  });
  window.addEventListener("load", keep);
  window.addEventListener("pagehide", keep);
})();
