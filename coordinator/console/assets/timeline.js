// Draws slots by beacons. Only what is in sight is drawn, and only what was in
// sight is asked for, so that a thousand beacons scroll as ten do.
"use strict";
(() => {
  const box = document.getElementById("picture"), pane = box.querySelector(".pane"), tall = box.querySelector(".tall");
  const canvas = box.querySelector("canvas"), pen = canvas.getContext("2d", { alpha: false });
  const readout = document.getElementById("readout"), whyBox = document.getElementById("why"), site = document.getElementById("site");
  const looks = JSON.parse(box.dataset.looks), beacons = JSON.parse(box.dataset.beacons);
  const rowOf = JSON.parse(box.dataset.rows); // rows count over all beacons, also where the page shows one site
  const slotMs = Number(document.body.dataset.slot) * 1000, offset = Date.parse(document.body.dataset.now) - Date.now();
  const now = () => Date.now() + offset;
  const spans = { "10m": 6e5, "1h": 36e5, "6h": 216e5, "1d": 864e5, "1w": 6048e5 };
  const endings = ["", "ordered", "sent", "skipped", "broken off", "never reported"];
  const row = beacons.length > 16 ? 26 : 38, head = 34;
  let span = spans[box.dataset.zoom] || 36e5, middle = Date.parse(box.dataset.at), follow = !location.search.includes("at=");
  let width = 0, height = 0, names = 150, chosen = null, style, tiles = {};
  box.hidden = readout.hidden = false;
  readout.textContent = "Point at a slot to read it; click it to be told why. Drag, or hold the shift key and turn the wheel, to move through time.";
  document.getElementById("astable").open = false;

  // What a tile holds: for each beacon its slots, as [slot, band, ending, ...].
  const tileSlots = () => Math.max(30, Math.ceil(Math.min(span, 864e5) / slotMs));
  const store = new Map();
  const fetchTile = async (size, index) => {
    const key = size + ":" + index;
    if (store.has(key)) return;
    const tile = { rows: null, at: Date.now() };
    store.set(key, tile);
    try {
      const answer = await fetch("/timeline/slots?from=" + index * size + "&to=" + (index + 1) * size);
      if (!answer.ok) throw new Error(await answer.text());
      const got = await answer.json(), rows = [];
      for (let i = 0; i < got.slots.length; i += 4) (rows[got.slots[i]] ??= []).push(got.slots[i + 1] + got.first, got.slots[i + 2], got.slots[i + 3]);
      tile.rows = rows;
      if (store.size > 60) store.delete(store.keys().next().value);
      redraw();
    } catch (e) {
      store.delete(key);
      readout.textContent = "The slots did not come: " + e.message;
    }
  };
  const inSight = (from, to) => {
    const size = tileSlots(), list = [];
    for (let i = Math.floor(from / slotMs / size); i * size * slotMs < to; i++) {
      if (i < 0) continue;
      fetchTile(size, i);
      const tile = store.get(size + ":" + i);
      if (tile && tile.rows) list.push(tile.rows);
    }
    return list;
  };
  setInterval(() => { // what is near the present changes
    const size = tileSlots(), present = Math.floor(now() / slotMs / size);
    for (const index of [present - 1, present]) {
      const key = size + ":" + index, old = store.get(key);
      if (!old || !old.rows || document.hidden) continue;
      store.delete(key);
      fetchTile(size, index).then(() => { if (!store.get(key)) store.set(key, old); });
      const fresh = store.get(key);
      if (fresh && !fresh.rows) fresh.rows = old.rows; // until the new ones come
    }
  }, 10000);

  const paint = () => {
    const css = getComputedStyle(document.documentElement), get = (n) => css.getPropertyValue(n).trim();
    style = { sheet: get("--sheet"), paper: get("--paper"), ink: get("--ink"), soft: get("--soft"), line: get("--line"), flame: get("--flame"), wrong: get("--wrong") };
    tiles = looks.map((look) => {
      const ink = get("--ink" + look.ink), make = (faint) => {
        const c = document.createElement("canvas");
        c.width = c.height = 8;
        const p = c.getContext("2d");
        p.fillStyle = style.sheet;
        p.fillRect(0, 0, 8, 8);
        p.globalAlpha = faint ? 0.55 : 1;
        p.fillStyle = ink;
        p.fill(new Path2D(look.tile));
        return pen.createPattern(c, "repeat");
      };
      return { mark: look.mark, name: look.name, ink, full: make(false), faint: make(true) };
    });
  };

  const x = (t) => names + ((t - middle + span / 2) / span) * (width - names);
  const time = (px) => middle - span / 2 + ((px - names) / (width - names)) * span;

  const steps = [6e4, 3e5, 6e5, 18e5, 36e5, 108e5, 216e5, 432e5, 864e5];
  const drawHead = (from, to) => {
    pen.fillStyle = style.sheet;
    pen.fillRect(0, 0, width, head);
    const step = steps.find((s) => ((width - names) / (span / s)) > 62) || 864e5;
    pen.font = "12px system-ui, sans-serif";
    pen.textBaseline = "middle";
    for (let t = Math.ceil(from / step) * step; t < to; t += step) {
      const px = Math.round(x(t));
      pen.fillStyle = style.line;
      pen.fillRect(px, head - 8, 1, 8);
      pen.fillStyle = style.soft;
      const iso = new Date(t).toISOString();
      if (px > names - 4) pen.fillText(t % 864e5 === 0 ? iso.slice(5, 10) : iso.slice(11, 16), px + 4, head / 2);
    }
    pen.fillStyle = style.ink;
    pen.font = "600 12px system-ui, sans-serif";
    pen.fillText(new Date(middle).toISOString().slice(0, 10), 8, head / 2);
    pen.fillRect(0, head - 1, width, 1);
  };

  const drawSlot = (px, w, y, band, ending) => {
    const tile = tiles[band], h = row - 8;
    if (!tile) return;
    if (w < 3) {
      pen.globalAlpha = ending === 1 ? 0.55 : 1;
      pen.fillStyle = ending === 3 || ending === 4 ? style.wrong : tile.ink;
      pen.fillRect(px, ending === 3 || ending === 5 ? y + h - 4 : y, Math.max(w, 0.8), ending === 3 || ending === 5 ? 4 : h);
      pen.globalAlpha = 1;
      return;
    }
    const full = Math.max(w - 1, 1);
    if (ending === 1 || ending === 2 || ending === 4) {
      pen.fillStyle = ending === 1 ? tile.faint : tile.full;
      pen.fillRect(px, y, ending === 4 ? full * 0.45 : full, h);
    }
    pen.strokeStyle = ending === 3 || ending === 4 ? style.wrong : tile.ink;
    pen.lineWidth = ending === 1 ? 1 : 2;
    if (ending === 5) pen.setLineDash([2, 3]);
    pen.strokeRect(px + 1, y + 1, Math.max(full - 2, 1), h - 2);
    pen.setLineDash([]);
    if (ending === 3) {
      pen.beginPath();
      pen.moveTo(px + 1, y + h - 1);
      pen.lineTo(px + full - 1, y + 1);
      pen.stroke();
    }
    if (w > (ending > 2 ? 64 : 44)) {
      const text = tile.mark, tw = pen.measureText(text).width + 8;
      pen.fillStyle = style.sheet;
      pen.fillRect(px + 4, y + 3, tw, h - 6);
      pen.fillStyle = style.ink;
      pen.fillText(text, px + 8, y + h / 2 + 0.5);
    }
  };

  let asked = false;
  const redraw = () => {
    if (asked) return;
    asked = true;
    requestAnimationFrame(() => {
      asked = false;
      draw();
    });
  };

  const draw = () => {
    const ratio = devicePixelRatio || 1, from = middle - span / 2, to = middle + span / 2;
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.fillStyle = style.sheet;
    pen.fillRect(0, 0, width, height);
    const present = x(now());
    pen.fillStyle = style.paper;
    if (present > names) pen.fillRect(names, head, Math.min(present, width) - names, height);
    const top = pane.scrollTop, first = Math.floor(top / row), end = Math.min(beacons.length, Math.ceil((top + height - head) / row)), parts = inSight(from, to);
    const w = (slotMs / span) * (width - names);
    for (let i = first; i < end; i++) {
      const y = head + i * row - top;
      pen.fillStyle = style.line;
      pen.fillRect(0, y + row - 1, width, 1);
      pen.font = "600 11px system-ui, sans-serif";
      pen.textBaseline = "middle";
      const index = rowOf[i];
      for (const rows of parts) {
        const list = rows[index];
        if (!list) continue;
        for (let k = 0; k < list.length; k += 3) {
          const t = list[k] * slotMs;
          if (t + slotMs > from && t < to) drawSlot(x(t), w, y + 4, list[k + 1], list[k + 2]);
        }
      }
    }
    if (chosen && chosen.row >= first && chosen.row < end) {
      pen.strokeStyle = style.flame;
      pen.lineWidth = 3;
      pen.strokeRect(x(chosen.slot * slotMs), head + chosen.row * row - top + 2, Math.max(w, 4), row - 4);
    }
    if (present > names && present < width) {
      pen.fillStyle = style.flame;
      pen.fillRect(present - 1, head, 3, height);
      pen.beginPath();
      pen.moveTo(present - 6, head - 9);
      pen.lineTo(present + 7, head - 9);
      pen.lineTo(present + 0.5, head);
      pen.fill();
    }
    pen.fillStyle = style.sheet;
    pen.fillRect(0, head, names, height);
    pen.fillStyle = style.ink;
    pen.font = "12.5px system-ui, sans-serif";
    pen.textBaseline = "middle";
    let before = "";
    for (let i = first; i < end; i++) {
      const y = head + i * row - top;
      const [name, place] = beacons[i];
      pen.fillStyle = style.ink;
      pen.fillText(name, 8, y + row / 2, names - 14);
      pen.fillStyle = place !== before && before !== "" ? style.ink : style.line;
      pen.fillRect(0, y - 1, names, place !== before && before !== "" ? 2 : 1);
      before = place;
    }
    drawHead(from, to);
    if (present > names && present < width) {
      pen.fillStyle = style.flame;
      pen.fillRect(present - 1, head - 6, 3, 6);
    }
  };

  const resize = () => {
    const ratio = devicePixelRatio || 1;
    width = pane.clientWidth;
    height = Math.min(pane.clientHeight, head + beacons.length * row + 2);
    names = width < 600 ? 96 : 150;
    canvas.width = width * ratio;
    canvas.height = height * ratio;
    canvas.style.width = width + "px";
    canvas.style.height = height + "px";
    pane.style.height = beacons.length > 16 ? "" : head + beacons.length * row + 2 + "px";
    tall.style.height = head + beacons.length * row + "px";
    redraw();
  };

  const find = (r, slot) => {
    const size = tileSlots(), tile = store.get(size + ":" + Math.floor(slot / size)), list = tile && tile.rows && tile.rows[rowOf[r]];
    if (list) for (let k = 0; k < list.length; k += 3) if (list[k] === slot) return { band: looks[list[k + 1]].name, ending: list[k + 2] };
    return null;
  };
  const say = (r, slot) => {
    if (r < 0 || r >= beacons.length) return;
    const at = find(r, slot), past = (slot + 1) * slotMs < now();
    const how = !at ? "silent" : at.band + ", " + (at.ending === 1 ? (past ? "not reported yet" : "ordered") : endings[at.ending]);
    readout.textContent = beacons[r][0] + ", " + new Date(slot * slotMs).toISOString().replace("T", " ").slice(0, 19) + ": " + how + ". Enter or click: why?";
  };
  const ask = async () => {
    if (!chosen) return;
    const address = "/why?beacon=" + encodeURIComponent(beacons[chosen.row][0]) + "&at=" + new Date(chosen.slot * slotMs).toISOString().replace(".000", "");
    try {
      const answer = await fetch(address, { headers: { Accept: "text/html" } });
      const part = new DOMParser().parseFromString(await answer.text(), "text/html").querySelector("main section.page");
      whyBox.replaceChildren(part);
    } catch {
      readout.textContent = "The coordinator does not answer.";
    }
  };

  const zoomTo = (key) => {
    span = spans[key];
    store.clear();
    const pick = document.querySelector('input[name="zoom"][value="' + key + '"]');
    if (pick) pick.checked = true;
    redraw();
  };
  const keys = Object.keys(spans), zoomBy = (step) => {
    const i = keys.findIndex((k) => spans[k] === span) + step;
    if (keys[i]) zoomTo(keys[i]);
  };
  const pan = (ms) => { middle += ms; follow = false; redraw(); };
  for (const pick of document.querySelectorAll('input[name="zoom"]')) pick.addEventListener("change", () => zoomTo(pick.value));
  site.addEventListener("change", () => site.form.submit());
  document.getElementById("earlier").addEventListener("click", (e) => { e.preventDefault(); pan(-span / 2); });
  document.getElementById("later").addEventListener("click", (e) => { e.preventDefault(); pan(span / 2); });
  document.getElementById("tonow").addEventListener("click", (e) => { e.preventDefault(); middle = now(); follow = true; redraw(); });
  pane.addEventListener("scroll", redraw, { passive: true });
  pane.addEventListener("wheel", (e) => {
    if (e.ctrlKey) { e.preventDefault(); zoomBy(e.deltaY > 0 ? 1 : -1); }
    else if (e.shiftKey || Math.abs(e.deltaX) > Math.abs(e.deltaY)) { e.preventDefault(); pan(((e.deltaX || e.deltaY) / (width - names)) * span); }
  }, { passive: false });
  let drag = null;
  const place = (e) => {
    const r = canvas.getBoundingClientRect();
    return { row: Math.floor((e.clientY - r.top - head + pane.scrollTop) / row), slot: Math.floor(time(e.clientX - r.left) / slotMs), on: e.clientX - r.left > names };
  };
  canvas.addEventListener("pointerdown", (e) => { drag = { x: e.clientX, middle, moved: false }; });
  canvas.addEventListener("pointermove", (e) => {
    const p = place(e);
    if (p.on && !e.buttons) say(p.row, p.slot);
    if (!drag || !e.buttons) return;
    const by = e.clientX - drag.x;
    if (Math.abs(by) > 4) drag.moved = true;
    if (drag.moved) { middle = drag.middle - (by / (width - names)) * span; follow = false; redraw(); }
  });
  canvas.addEventListener("pointerup", (e) => {
    const p = place(e), moved = drag && drag.moved;
    drag = null;
    if (moved || p.row < 0 || p.row >= beacons.length) return;
    if (!p.on) { location.href = "/beacon/" + beacons[p.row][0]; return; }
    chosen = { row: p.row, slot: p.slot };
    say(p.row, p.slot);
    ask();
    redraw();
  });
  pane.addEventListener("keydown", (e) => {
    const move = { ArrowLeft: [0, -1], ArrowRight: [0, 1], ArrowUp: [-1, 0], ArrowDown: [1, 0], PageUp: [-20, 0], PageDown: [20, 0] }[e.key];
    if (move) {
      e.preventDefault();
      chosen = chosen ? { row: Math.min(beacons.length - 1, Math.max(0, chosen.row + move[0])), slot: chosen.slot + move[1] } : { row: 0, slot: Math.floor(now() / slotMs) };
      const y = chosen.row * row;
      if (y < pane.scrollTop) pane.scrollTop = y;
      if (y + row + head > pane.scrollTop + height) pane.scrollTop = y + row + head - height;
      const t = chosen.slot * slotMs;
      if (t < middle - span / 2 || t + slotMs > middle + span / 2) { middle = t; follow = false; }
      say(chosen.row, chosen.slot);
      redraw();
    } else if (e.key === "Enter") ask();
    else if (e.key === "+") zoomBy(-1);
    else if (e.key === "-") zoomBy(1);
  });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { paint(); redraw(); });
  new ResizeObserver(resize).observe(pane);
  setInterval(() => { if (follow) middle = now(); redraw(); }, 1000);
  paint();
  resize();
})();
