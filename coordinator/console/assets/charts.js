// Charts read out under the pointer and by arrow keys; a drag looks closer.
"use strict";
for (const figure of document.querySelectorAll("figure.chart[data-points]")) {
  const svg = figure.querySelector("svg"), value = figure.querySelector(".value"), hair = figure.querySelector(".hair"), drag = figure.querySelector(".drag");
  const points = JSON.parse(figure.dataset.points), from = Number(figure.dataset.from), to = Number(figure.dataset.to);
  let at = points.length - 1, begun = null;
  const x = (t) => (640 * (t - from)) / (to - from);
  const iso = (t) => new Date(t).toISOString().slice(0, 19);
  const show = (i) => {
    at = Math.min(points.length - 1, Math.max(0, i));
    const [t, y, words] = points[at], px = x(t).toFixed(1);
    hair.setAttribute("d", "M" + px + " 0V130M" + (px - 4) + " " + y + "h8");
    value.textContent = words + " at " + iso(t).replace("T", " ");
  };
  const place = (e) => {
    const r = svg.getBoundingClientRect();
    return Math.min(640, Math.max(0, ((e.clientX - r.left) / r.width) * 640));
  };
  const nearest = (px) => {
    let best = 0;
    for (let i = 1; i < points.length; i++) if (Math.abs(x(points[i][0]) - px) < Math.abs(x(points[best][0]) - px)) best = i;
    return best;
  };
  svg.addEventListener("pointermove", (e) => {
    const px = place(e);
    show(nearest(px));
    if (begun === null) return;
    drag.setAttribute("x", Math.min(begun, px));
    drag.setAttribute("width", Math.abs(px - begun));
  });
  svg.addEventListener("pointerdown", (e) => { if (e.pointerType === "mouse") begun = place(e); });
  addEventListener("pointerup", (e) => {
    if (begun === null) return;
    const a = Math.min(begun, place(e)), b = Math.max(begun, place(e));
    begun = null;
    drag.setAttribute("width", 0);
    const time = (px) => from + (px / 640) * (to - from);
    if (b - a > 8 && time(b) - time(a) >= 60000) location.search = "?from=" + iso(time(a)) + "Z&to=" + iso(time(b)) + "Z";
  });
  // Closer, around what is read out.
  const closer = () => {
    const length = Math.max(60000, (to - from) / 2), middle = points[at][0], a = Math.min(Math.max(from, middle - length / 2), to - length);
    if (to - from > 60000) location.search = "?from=" + iso(a) + "Z&to=" + iso(a + length) + "Z";
  };
  svg.addEventListener("keydown", (e) => {
    if (e.key === "+") closer();
    const step = { ArrowLeft: -1, ArrowRight: 1, PageUp: -20, PageDown: 20, Home: -1e9, End: 1e9 }[e.key];
    if (!step) return;
    e.preventDefault();
    show(at + step);
  });
}
