// Bolts moved, added and struck out on a photo, and the chalk line chosen. What is marked fills the rows of a plain form.
// A point is dragged by a handle beside it, so that no finger hides it, and a loupe shows what lies under it.
"use strict";
(() => {
  const root = document.getElementById("correct");
  const stage = document.getElementById("stage");
  if (!root || !window.PointerEvent) return;
  const NS = "http://www.w3.org/2000/svg";
  const HANDLE = 76; // screen pixels from a point to its handle
  const NEAR = 34; // a finger's reach, screen pixels
  const STILL = 9; // less is a tap
  const LOUPE = 2; // how much more than the photo the loupe is zoomed
  const words = root.dataset;
  const byId = (id) => document.getElementById(id);
  const fill = (text, values) => text.replace(/\{(\w+)\}/g, (whole, name) => (name in values ? values[name] : whole));
  const svg = (parent, name, attributes) => {
    const made = document.createElementNS(NS, name);
    for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
    parent.append(made);
    return made;
  };
  const read = (text) => {
    const [x, y] = text.split(" ").map(Number);
    return text ? { x, y } : null;
  };
  const same = (one, other) => (one && other ? one.x === other.x && one.y === other.y : one === other);

  // Everything that can be marked: kind, ends (foot and tip, or two points of the line), and what they were at first.
  const drawn = byId("drawn");
  let items = [...drawn.children].map((group) => {
    const { key, mark, base, tip, struck } = group.dataset;
    const ends = [read(base), read(tip)];
    return { kind: "bolt", key, mark, ends, was: ends, struck: Boolean(struck), wasStruck: Boolean(struck), isNew: false };
  });
  let chosen = null; // { item, end }, by their numbers
  let placing = null; // "base", "tip", "first", "second": what the next tap sets
  let past = [];
  let sending = false;
  const nameOf = (item) => (item.kind === "line" ? words.line : item.mark || words.new);
  const endOf = (item, end) => (item.kind === "line" ? [words.first, words.second] : [words.base, words.tip])[end];
  // What can be moved now: nothing of a bolt that is struck out.
  const point = () => (chosen && !items[chosen.item].struck ? items[chosen.item].ends[chosen.end] : null);

  // A step can be undone; many small ones of one end are one step.
  const remember = (step) => {
    if (step && past.length && past.at(-1).step === step) return;
    past.push({ step, items: JSON.stringify(items), chosen: JSON.stringify(chosen) });
  };
  const undo = () => {
    const before = past.pop();
    if (!before) return;
    items = JSON.parse(before.items);
    chosen = JSON.parse(before.chosen);
    placing = null;
    show();
  };
  const changes = () => items.flatMap((item) => {
    const ends = item.ends.map((end, k) => (same(end, item.was[k]) ? null : end));
    if (item.kind === "line") return [{ what: "line", key: "", ends }];
    if (item.isNew) return [{ what: "add", key: "", ends }];
    if (item.struck !== item.wasStruck) return [{ what: "strike", key: item.key, ends: [null, null] }];
    return ends.some(Boolean) ? [{ what: "move", key: item.key, ends }] : [];
  });

  const photo = sillwrightPhoto(stage, () => draw());
  const below = (screen) => (screen.y + HANDLE + NEAR < photo.size().height ? 1 : -1);
  const CROSS = "M -18 0 H -5 M 5 0 H 18 M 0 -18 V -5 M 0 5 V 18";

  // Drawn anew each time: there are few of them. Signs keep their size on the screen whatever the zoom.
  const draw = () => {
    drawn.replaceChildren();
    const sized = (at) => `translate(${at.x} ${at.y}) scale(${1 / photo.view.scale})`;
    items.forEach((item, k) => {
      const taken = chosen && chosen.item === k;
      const group = svg(drawn, "g", { class: `${item.struck ? "struck" : ""} ${taken ? "taken" : ""}` });
      const [first, second] = item.ends;
      if (first && second) {
        for (const name of ["halo", item.kind === "line" ? "chalk said" : "axis"]) {
          svg(group, "path", { class: name, d: `M ${first.x} ${first.y} L ${second.x} ${second.y}` });
        }
      }
      item.ends.forEach((at, end) => {
        if (!at) return;
        const sign = svg(group, "g", { transform: sized(at) });
        for (const name of ["halo", "ink"]) {
          if (end === 0 || item.kind === "line") svg(sign, "path", { class: name, d: CROSS });
          else svg(sign, "circle", { class: name, r: 10 });
        }
      });
      if (first && item.kind === "bolt") {
        const tag = svg(svg(group, "g", { transform: sized(first) }), "text", { class: "tag", x: 14, y: 26 });
        tag.textContent = nameOf(item);
      }
    });
    const at = point();
    const loupe = byId("loupe");
    loupe.toggleAttribute("hidden", !at);
    if (!at) {
      byId("zoom").classList.remove("over");
      return;
    }
    const screen = photo.onScreen(at);
    const way = below(screen);
    const handle = svg(drawn, "g", { transform: sized(at) });
    for (const name of ["halo", "ink"]) svg(handle, "path", { class: name, d: `M 0 ${way * 7} V ${way * (HANDLE - 26)}` });
    svg(handle, "circle", { class: "held", cy: way * HANDLE, r: 26 });
    svg(handle, "path", { class: "ink", d: `M -12 ${way * HANDLE} h 24 M 0 ${way * HANDLE - 12} v 24` });
    const box = loupe.clientWidth || 130;
    const scale = Math.min(Math.max(LOUPE * photo.view.scale, 2), 12);
    const wide = box / scale;
    loupe.setAttribute("viewBox", `${at.x - wide / 2} ${at.y - wide / 2} ${wide} ${wide}`);
    byId("loupe-cross").setAttribute("transform", `translate(${at.x} ${at.y}) scale(${1 / scale})`);
    loupe.classList.toggle("over", screen.x < box + 60 && screen.y < box + 60);
    byId("zoom").classList.toggle("over", screen.x > photo.size().width - 110 && screen.y > photo.size().height - 330);
  };

  const hint = (text) => { if (byId("hint").textContent !== text) byId("hint").textContent = text; };
  const tell = (text) => {
    hint(text);
    byId("hint").scrollIntoView({ block: "nearest" });
  };
  const show = () => {
    const item = chosen ? items[chosen.item] : null;
    const count = changes().length;
    stage.classList.toggle("placing", Boolean(placing));
    byId("base").disabled = byId("tip").disabled = !item || item.struck;
    byId("strike").disabled = !item || item.kind !== "bolt" || item.struck;
    for (const [k, id] of ["base", "tip"].entries()) {
      const asked = placing === "tip" || placing === "second";
      byId(id).setAttribute("aria-pressed", String(Boolean(chosen) && (asked ? k === 1 : chosen.end === k)));
      byId(id).textContent = endOf(item || { kind: "bolt" }, k);
    }
    for (const step of document.querySelectorAll(".step")) step.disabled = !point();
    byId("add").setAttribute("aria-pressed", String(placing === "base"));
    byId("line").setAttribute("aria-pressed", String(placing === "first" || placing === "second"));
    byId("undo").disabled = !past.length;
    const chips = byId("chips");
    const old = document.activeElement && chips.contains(document.activeElement) ? [...chips.children].indexOf(document.activeElement) : -1;
    chips.replaceChildren(...items.map((one, k) => {
      const chip = document.createElement("button");
      chip.type = "button";
      chip.textContent = nameOf(one);
      chip.className = one.struck ? "out" : "";
      chip.setAttribute("aria-pressed", String(Boolean(chosen) && chosen.item === k));
      chip.addEventListener("click", () => choose(k, chosen && chosen.item === k ? chosen.end : 0));
      return chip;
    }));
    if (old >= 0 && chips.children[old]) chips.children[old].focus();
    const asks = { base: words.addBase, tip: words.addTip, first: words.lineFirst, second: words.lineSecond };
    const now = placing ? asks[placing]
      : item && item.struck ? fill(words.struck, { mark: nameOf(item) })
      : point() ? fill(words.move, { mark: nameOf(item), end: endOf(item, chosen.end).toLocaleLowerCase() }) : words.pick;
    hint(count ? `${now} ${fill(words.unsaved, { count })}` : now);
    draw();
  };

  // A bolt that is chosen is brought near enough to place its ends to a pixel.
  const choose = (k, end) => {
    const item = items[k];
    chosen = { item: k, end: item.ends[end] ? end : 0 };
    placing = null;
    const [first, second] = item.ends;
    const far = second || first;
    const length = Math.max(Math.hypot(far.x - first.x, far.y - first.y), 60);
    const near = photo.within((0.45 * Math.min(photo.size().width, photo.size().height)) / length, 0.5, 2);
    if (item.kind === "bolt" && photo.view.scale < 0.7 * near) photo.look((first.x + far.x) / 2, (first.y + far.y) / 2, near);
    show();
  };
  const move = (at) => {
    const item = items[chosen.item];
    const ends = [...item.ends];
    ends[chosen.end] = { x: photo.within(at.x, -0.5, photo.width - 0.5), y: photo.within(at.y, -0.5, photo.height - 0.5) };
    items[chosen.item] = { ...item, ends };
  };
  const step = (right, down) => {
    const at = point();
    if (!at) return;
    remember(`step ${chosen.item} ${chosen.end}`);
    move({ x: at.x + right, y: at.y + down });
    const screen = photo.onScreen(point());
    const { width, height } = photo.size();
    if (screen.x < 20 || screen.y < 20 || screen.x > width - 20 || screen.y > height - 20) photo.look(point().x, point().y, photo.view.scale);
    show();
  };
  const place = (at) => {
    remember("");
    if (placing === "base" || placing === "first") {
      const kind = placing === "base" ? "bolt" : "line";
      items = items.filter((item) => item.kind !== "line" || kind !== "line");
      items.push({ kind, key: "", mark: "", ends: [at, null], was: [null, null], struck: false, wasStruck: false, isNew: true });
      chosen = { item: items.length - 1, end: 0 };
      placing = kind === "bolt" ? "tip" : "second";
    } else {
      if (placing === "second" && Math.hypot(at.x - point().x, at.y - point().y) < 0.1 * Math.max(photo.width, photo.height)) {
        past.pop();
        hint(words.lineFar);
        return;
      }
      chosen = { ...chosen, end: 1 };
      move(at);
      placing = null;
    }
    show();
  };
  const strike = () => {
    const item = items[chosen.item];
    if (item.isNew) {
      remember("");
      items = items.filter((one) => one !== item);
      chosen = null;
    } else if (window.confirm(fill(words.confirm, { mark: nameOf(item) }))) {
      remember("");
      items[chosen.item] = { ...item, ends: item.was, struck: true };
      chosen = { item: chosen.item, end: 0 };
    } else return;
    placing = null;
    show();
  };
  const start = (what) => {
    if (what === "first" && changes().some((one) => one.what !== "line")) {
      hint(words.lineAlone);
      return;
    }
    if (what === "base" && changes().some((one) => one.what === "line")) {
      hint(words.lineAlone);
      return;
    }
    const off = placing === what || (what === "first" && placing === "second");
    placing = off ? null : what;
    if (!off) chosen = null;
    show();
  };

  const nearest = (screen, reach) => {
    let best = null;
    items.forEach((item, k) => item.ends.forEach((at, end) => {
      if (!at) return;
      const there = photo.onScreen(at);
      const off = Math.hypot(there.x - screen.x, there.y - screen.y);
      if (off <= reach && (!best || off < best.off)) best = { item: k, end, off };
    }));
    return best;
  };
  const grabs = (screen, isMouse) => {
    const at = point();
    if (placing || !at) return false;
    const there = photo.onScreen(at);
    const off = (y) => Math.hypot(there.x - screen.x, there.y + y - screen.y);
    return off(below(there) * HANDLE) <= NEAR || off(0) <= (isMouse ? 12 : NEAR);
  };

  const pointers = new Map();
  let hand = null; // one pointer: { at, from, held, moved }
  stage.addEventListener("pointerdown", (event) => {
    if (event.target.closest("button") || event.button > 0) return;
    const at = photo.inFrame(event);
    pointers.set(event.pointerId, at);
    stage.setPointerCapture(event.pointerId);
    if (pointers.size > 1) { hand = null; return; }
    const isMouse = event.pointerType === "mouse";
    const under = isMouse && !placing ? nearest(at, 12) : null;
    if (under && !items[under.item].struck && !grabs(at, true)) {
      chosen = { item: under.item, end: under.end };
      show();
    }
    hand = { at, from: at, held: grabs(at, isMouse), moved: false };
  });
  stage.addEventListener("pointermove", (event) => {
    const before = pointers.get(event.pointerId);
    if (!before) return;
    const at = photo.inFrame(event);
    if (pointers.size === 2) {
      const other = [...pointers].find(([id]) => id !== event.pointerId)[1];
      const was = Math.hypot(before.x - other.x, before.y - other.y);
      const now = Math.hypot(at.x - other.x, at.y - other.y);
      photo.pan((at.x - before.x) / 2, (at.y - before.y) / 2);
      if (was > 10 && now > 10) photo.zoom(now / was, { x: (at.x + other.x) / 2, y: (at.y + other.y) / 2 });
    } else if (hand) {
      if (!hand.moved && Math.hypot(at.x - hand.from.x, at.y - hand.from.y) < STILL) return;
      if (!hand.moved && hand.held) remember("");
      hand.moved = true;
      if (hand.held) {
        const from = point();
        move({ x: from.x + (at.x - hand.at.x) / photo.view.scale, y: from.y + (at.y - hand.at.y) / photo.view.scale });
        draw();
      } else photo.pan(at.x - hand.at.x, at.y - hand.at.y);
      hand.at = at;
    }
    pointers.set(event.pointerId, at);
  });
  const lift = (event) => {
    if (!pointers.delete(event.pointerId) || !hand) return;
    const { from, held, moved } = hand;
    hand = null;
    if (event.type === "pointercancel") return;
    if (moved) { if (held) show(); return; }
    if (placing) { place(photo.inPhoto(from)); return; }
    const under = nearest(from, NEAR);
    if (under) choose(under.item, under.end);
    else if (!held) { chosen = null; show(); }
  };
  stage.addEventListener("pointerup", lift);
  stage.addEventListener("pointercancel", lift);

  root.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const ways = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
    const far = event.shiftKey ? 10 : 1;
    if (ways[event.key]) {
      const [right, down] = ways[event.key];
      if (point()) step(far * right, far * down);
      else photo.pan(-60 * right, -60 * down);
    } else if (event.key === "+" || event.key === "=") photo.zoom(1.3);
    else if (event.key === "-") photo.zoom(1 / 1.3);
    else if (event.key === "Escape") { chosen = null; placing = null; show(); }
    else if (event.key === "Enter" && event.target === stage && placing) {
      const { width, height } = photo.size();
      place(photo.inPhoto({ x: width / 2, y: height / 2 }));
    } else return;
    event.preventDefault();
  });
  for (const button of document.querySelectorAll(".step")) {
    button.addEventListener("click", () => step(...button.dataset.way.split(" ").map(Number)));
  }
  for (const [end, id] of ["base", "tip"].entries()) {
    byId(id).addEventListener("click", () => {
      const item = items[chosen.item];
      if (item.ends[end]) { chosen = { ...chosen, end }; placing = null; } else placing = item.kind === "line" ? "second" : "tip";
      show();
    });
  }
  byId("add").addEventListener("click", () => start("base"));
  byId("line").addEventListener("click", () => start("first"));
  byId("strike").addEventListener("click", strike);
  byId("undo").addEventListener("click", undo);

  byId("marks").addEventListener("submit", async (event) => {
    event.preventDefault();
    if (sending) return;
    const rows = changes();
    const unfit = !rows.length ? words.nothing : rows.length > Number(words.most) ? words.many
      : rows.some((one) => one.what === "line" && !one.ends[1]) ? words.lineSecond : "";
    if (unfit) return tell(unfit);
    const fields = rows.flatMap(({ what, key, ends: [first, second] }) => Object.entries({
      what, bolt: key, first_right: first?.x, first_down: first?.y, second_right: second?.x, second_down: second?.y,
    }));
    byId("rows").replaceChildren(...fields.map(([name, value]) => {
      const field = document.createElement("input");
      field.type = "hidden";
      field.name = name;
      field.value = typeof value === "number" ? value.toFixed(1) : value || "";
      return field;
    }));
    sending = true;
    // Not left to the browser: what is refused, or never arrives, must not take the marks off the screen.
    const body = new URLSearchParams(new FormData(byId("marks")));
    const answer = await fetch(window.location.href, { method: "POST", body, keepalive: true }).catch(() => null);
    if (answer?.ok) return window.location.assign(answer.url);
    sending = false;
    tell((await answer?.json().catch(() => null))?.title || words.unsent);
  });
  window.addEventListener("pageshow", () => { sending = false; });
  window.addEventListener("beforeunload", (event) => { if (!sending && changes().length) event.preventDefault(); });

  byId("plain").hidden = byId("plain").disabled = true;
  for (const id of ["zoom", "hint", "tools", "undo"]) byId(id).hidden = false;
  stage.classList.add("live");
  photo.all();
  const asked = items.findIndex((item) => item.mark && item.mark === words.chosen);
  if (asked >= 0) choose(asked, 0);
  else show();
})();
