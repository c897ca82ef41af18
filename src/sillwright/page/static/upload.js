// Sends photos in pieces, each as soon as the one before it is there, and goes on where a lost connection left off.
"use strict";
(() => {
  const buttons = document.getElementById("buttons");
  const list = document.getElementById("sending");
  if (!buttons || !window.fetch) return;
  document.getElementById("plain").hidden = true;
  buttons.hidden = false;
  const words = buttons.dataset;
  const token = document.body.dataset.form;
  const PIECE = 512 * 1024;
  const LONGEST_WAIT_S = 30;
  const waiting = [];
  let busy = false;
  const wait = (seconds) => new Promise((done) => {
    const timer = setTimeout(done, 1000 * seconds);
    window.addEventListener("online", () => { clearTimeout(timer); done(); }, { once: true });
  });

  class Refused extends Error {}

  // One request; a dropped connection is no answer, and neither is a laptop that is too busy.
  const ask = async (address, options) => {
    const headers = { accept: "application/json", "x-sillwright-form": token, ...options.headers };
    const answer = await fetch(address, { ...options, headers }).catch(() => null);
    if (!answer || (answer.status > 500 && answer.status !== 507)) return null;
    // Too many requests of late: a sentence comes only with what waiting does not mend.
    if (answer.status === 429 && !(answer.headers.get("content-type") || "").includes("json")) return null;
    return answer;
  };
  const refusal = async (answer) => {
    const told = await answer.json().catch(() => ({ title: String(answer.status) }));
    return new Refused(told.title);
  };

  const open = async (photo) => {
    const headers = { "upload-length": String(photo.file.size), "upload-complete": "?0" };
    headers["content-disposition"] = `attachment; filename*=UTF-8''${encodeURIComponent(photo.file.name)}`;
    headers["repr-digest"] = `sha-256=:${photo.digest}:`;
    const answer = await ask(words.uploads, { method: "POST", headers });
    if (!answer) return false;
    if (!answer.ok) throw await refusal(answer);
    photo.address = answer.headers.get("location");
    photo.at = Number(answer.headers.get("upload-offset"));
    return true;
  };
  const askHowFar = async (photo) => {
    const answer = await ask(photo.address, { method: "HEAD" });
    if (!answer) return false;
    if (answer.ok) photo.at = Number(answer.headers.get("upload-offset"));
    else photo.address = null; // the laptop has forgotten it: from the start
    return true;
  };
  // One piece. True when the photo is there, false when there is more to send, null when no answer came.
  const sendPiece = async (photo) => {
    const end = Math.min(photo.at + PIECE, photo.file.size);
    const last = end === photo.file.size;
    photo.show(last ? words.checking : words.sending);
    const headers = { "upload-offset": String(photo.at), "upload-complete": last ? "?1" : "?0" };
    headers["content-type"] = "application/partial-upload";
    const answer = await ask(photo.address, { method: "PATCH", headers, body: photo.file.slice(photo.at, end) });
    if (!answer) return null;
    const told = answer.headers.get("upload-offset");
    if (answer.status === 409 && told !== null) { photo.at = Number(told); return false; }
    if (!answer.ok) throw await refusal(answer);
    if (last) { photo.said = (await answer.json()).said; return true; }
    photo.at = Number(told);
    return false;
  };

  const send = async (photo) => {
    if (photo.file.size > Number(words.most)) throw new Refused(words.large);
    photo.digest = await sillwrightSha256(photo.file);
    let pause_s = 1;
    for (;;) {
      const known = photo.address ? !photo.lost || (await askHowFar(photo)) : await open(photo);
      const there = known && photo.address ? await sendPiece(photo) : known ? false : null;
      if (there) return photo.said;
      photo.lost = there === null;
      if (photo.lost) {
        photo.show(words.waits);
        await wait(pause_s);
        pause_s = Math.min(2 * pause_s, LONGEST_WAIT_S);
      } else pause_s = 1;
    }
  };

  const line = (file) => {
    const item = document.createElement("li");
    const text = document.createElement("span");
    const bar = document.createElement("progress");
    item.append(text, bar);
    list.append(item);
    const photo = { file, at: 0, address: null, lost: false, item };
    photo.show = (what) => {
      text.textContent = `${file.name}: ${what}`;
      bar.max = file.size;
      bar.value = photo.at;
    };
    photo.end = (what, kind) => {
      text.textContent = `${file.name}: ${what}`;
      bar.remove();
      item.className = kind;
    };
    photo.show(words.queued);
    return photo;
  };

  const sendAll = async () => {
    if (busy) return;
    busy = true;
    document.body.dataset.busy = "yes";
    while (waiting.length) {
      const photo = waiting.shift();
      try {
        photo.end(await send(photo), "sent");
        setTimeout(() => photo.item.remove(), 8000);
      } catch (fault) {
        photo.end(`${words.failed}. ${fault instanceof Refused ? fault.message : fault}`, "note reshoot");
      }
    }
    busy = false;
    delete document.body.dataset.busy;
  };

  for (const id of ["take", "choose"]) {
    document.getElementById(id).addEventListener("change", (event) => {
      waiting.push(...[...event.target.files].map(line));
      event.target.value = "";
      sendAll();
    });
  }
  window.addEventListener("beforeunload", (event) => { if (busy) event.preventDefault(); });
})();
