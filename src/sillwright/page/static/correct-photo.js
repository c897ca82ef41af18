// A photo in a frame: moved and zoomed by finger, wheel, button and key, with its pieces at full size when they are
// wanted. Places are pixels of the upright photo at full size; the middle of the first one is (0, 0).
"use strict";
const sillwrightPhoto = (stage, changed) => {
  const NS = "http://www.w3.org/2000/svg";
  const CLOSEST = 8; // screen pixels to one of the photo
  const scene = document.getElementById("scene");
  const pieces = document.getElementById("pieces");
  const words = stage.dataset;
  const width = Number(words.width);
  const height = Number(words.height);
  const piece = Number(words.piece);
  const wholeScale = Math.min(1, Number(words.whole) / Math.max(width, height));
  const view = { x: 0, y: 0, scale: 1 }; // what lies in the middle of the frame, and screen pixels to one of the photo
  const shown = new Map();
  let waiting = 0;

  const frame = () => stage.getBoundingClientRect();
  const size = () => ({ width: stage.clientWidth, height: stage.clientHeight });
  const smallest = () => Math.min(size().width / width, size().height / height);
  const within = (value, low, high) => (low > high ? (low + high) / 2 : Math.min(Math.max(value, low), high));

  const showPieces = () => {
    waiting = 0;
    if (view.scale * window.devicePixelRatio <= 1.2 * wholeScale) return;
    const half = { x: size().width / view.scale / 2, y: size().height / view.scale / 2 };
    const wanted = new Set();
    const last = { column: Math.ceil(width / piece) - 1, row: Math.ceil(height / piece) - 1 };
    for (let row = Math.max(0, Math.floor((view.y - half.y) / piece)); row <= Math.min(last.row, (view.y + half.y) / piece); row += 1) {
      for (let column = Math.max(0, Math.floor((view.x - half.x) / piece)); column <= Math.min(last.column, (view.x + half.x) / piece); column += 1) {
        wanted.add(`${column}-${row}`);
      }
    }
    for (const [name, image] of shown) {
      if (shown.size > 12 && !wanted.has(name)) {
        image.remove();
        shown.delete(name);
      }
    }
    for (const name of wanted) {
      if (shown.has(name)) continue;
      const [column, row] = name.split("-").map(Number);
      const image = document.createElementNS(NS, "image");
      image.setAttribute("x", column * piece - 0.5);
      image.setAttribute("y", row * piece - 0.5);
      image.setAttribute("width", Math.min(piece, width - column * piece));
      image.setAttribute("height", Math.min(piece, height - row * piece));
      image.setAttribute("preserveAspectRatio", "none");
      image.setAttribute("href", `${words.pictures}/${name}.jpg`);
      pieces.append(image);
      shown.set(name, image);
    }
  };

  const look = (x, y, scale) => {
    view.scale = within(scale, smallest(), CLOSEST);
    const half = { x: size().width / view.scale / 2, y: size().height / view.scale / 2 };
    view.x = within(x, half.x - 0.5, width - half.x - 0.5);
    view.y = within(y, half.y - 0.5, height - half.y - 0.5);
    scene.setAttribute("viewBox", `${view.x - half.x} ${view.y - half.y} ${2 * half.x} ${2 * half.y}`);
    if (!waiting) waiting = window.setTimeout(showPieces, 120);
    changed();
  };
  const onScreen = (point) => ({
    x: (point.x - view.x) * view.scale + size().width / 2,
    y: (point.y - view.y) * view.scale + size().height / 2,
  });
  const inPhoto = (screen) => ({
    x: within((screen.x - size().width / 2) / view.scale + view.x, -0.5, width - 0.5),
    y: within((screen.y - size().height / 2) / view.scale + view.y, -0.5, height - 0.5),
  });
  const inFrame = (event) => ({ x: event.clientX - frame().left - stage.clientLeft, y: event.clientY - frame().top - stage.clientTop });
  // Zoomed so that what lies under a place of the frame stays there.
  const zoom = (by, screen) => {
    const middle = { x: size().width / 2, y: size().height / 2 };
    const at = screen || middle;
    const there = { x: (at.x - middle.x) / view.scale + view.x, y: (at.y - middle.y) / view.scale + view.y };
    const scale = within(view.scale * by, smallest(), CLOSEST);
    look(there.x - (at.x - middle.x) / scale, there.y - (at.y - middle.y) / scale, scale);
  };
  const pan = (right, down) => look(view.x - right / view.scale, view.y - down / view.scale, view.scale);
  const all = () => look(width / 2, height / 2, smallest());

  stage.addEventListener("wheel", (event) => {
    event.preventDefault();
    zoom(Math.exp(-within(event.deltaY, -200, 200) / 300), inFrame(event));
  }, { passive: false });
  document.getElementById("closer").addEventListener("click", () => zoom(1.6));
  document.getElementById("farther").addEventListener("click", () => zoom(1 / 1.6));
  document.getElementById("all").addEventListener("click", all);
  window.addEventListener("resize", () => look(view.x, view.y, view.scale));
  return { view, width, height, size, look, onScreen, inPhoto, inFrame, zoom, pan, all, within };
};
