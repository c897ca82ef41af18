// What goes on in a job, shown as it happens: how far a measurement is, photos as they are looked at, a phone that joined.
"use strict";
(() => {
  const watch = document.getElementById("watch");
  const invite = document.getElementById("invite");
  const fill = (text, values) => text.replace(/\{(\w+)\}/g, (whole, name) => (name in values ? values[name] : whole));
  let photosBefore = null;

  const showTask = (tasks) => {
    const shown = document.getElementById("task");
    const kind = watch.dataset.kind || "measure"; // what this page waits for
    const told = tasks.filter((task) => task.kind === kind);
    const now = told.find((task) => task.state === "running" || task.state === "waiting") || told.at(-1);
    if (!now) return;
    // Another task or another state changes more of the page than this line. What has ended need not be shown.
    const differs = shown && (shown.dataset.number !== String(now.number) || shown.dataset.state !== now.state);
    const begun = !shown && (now.state === "running" || now.state === "waiting");
    if (differs || begun) {
      if (!document.body.dataset.busy) window.location.reload();
      return;
    }
    if (!shown || now.state !== "running") return;
    const words = shown.dataset;
    const how = !now.total ? words.starting : fill(now.step === "looking at photos" ? words.looking : words.runs, now);
    shown.textContent = `${words.running}: ${how}`;
  };

  const showPhotos = async (photos) => {
    const list = watch.dataset.list;
    const now = photos[watch.dataset.place];
    if (!list || now === photosBefore) return;
    const answer = await fetch(list, { headers: { accept: "text/html" } });
    if (answer.ok) {
      // The server's own page, in which every name is escaped.
      const shown = document.getElementById("photos");
      const named = (details) => details.querySelector("input[name=photo]")?.value;
      const open = [...shown.querySelectorAll("details[open]")].map(named);
      shown.innerHTML = await answer.text();
      shown.querySelectorAll("details").forEach((one) => { one.open = open.includes(named(one)); });
      photosBefore = now;
    }
  };

  if (watch) {
    const source = new EventSource(watch.dataset.events);
    source.addEventListener("job", (event) => {
      const told = JSON.parse(event.data);
      showTask(told.tasks);
      showPhotos(told.photos).catch(() => {});
    });
    window.addEventListener("pagehide", () => source.close());
  }
  if (invite) {
    setInterval(async () => {
      const answer = await fetch("/joined").catch(() => null);
      if (answer && answer.ok && String((await answer.json()).joined) !== invite.dataset.joined) window.location.reload();
    }, 3000);
  }
})();
