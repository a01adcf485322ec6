// Shows one scene after the other, until somebody holds one.
"use strict";
(() => {
  const scenes = [...document.querySelectorAll(".scene")], hold = document.getElementById("hold");
  let shown = 0, held = false;
  const show = () => scenes.forEach((s, i) => (s.hidden = i !== shown));
  hold.hidden = false;
  hold.addEventListener("click", () => { held = !held; hold.textContent = held ? "Go on" : "Hold this picture"; });
  setInterval(() => { if (!held) { shown = (shown + 1) % scenes.length; show(); } }, 20000);
  show();
  setTimeout(() => location.reload(), 6 * 3600e3);
})();
