// Draws slots by beacons. Only what is in sight is drawn, and only what was in
// sight is asked for, so that a thousand beacons scroll as ten do. Where a slot is
// too narrow to be read, several are drawn as one.
"use strict";
(() => {
  const box = document.getElementById("picture"), pane = box.querySelector(".pane"), tall = box.querySelector(".tall");
  const canvas = box.querySelector("canvas"), pen = canvas.getContext("2d", { alpha: false });
  const readout = document.getElementById("readout"), whyBox = document.getElementById("why"), site = document.getElementById("site");
  const looks = JSON.parse(box.dataset.looks), beacons = JSON.parse(box.dataset.beacons), mayAsk = box.dataset.why === "yes";
  const slotMs = Number(document.body.dataset.slot) * 1000, offset = Date.parse(document.body.dataset.now) - Date.now();
  const now = () => Date.now() + offset;
  const spans = { "10m": 6e5, "1h": 36e5, "6h": 216e5, "1d": 864e5, "1w": 6048e5 };
  const endings = ["ordered", "sent", "skipped", "broken off", "never reported"];
  const row = beacons.length > 16 ? 26 : 38, head = 34;
  let span = spans[box.dataset.zoom] || 36e5, middle = Date.parse(box.dataset.at), follow = !location.search.includes("at=");
  let width = 0, height = 0, names = 150, chosen = null, style, tiles = {};
  box.hidden = readout.hidden = false;
  const touched = matchMedia("(pointer: coarse)").matches;
  readout.textContent = touched
    ? "Touch a slot to read it" + (mayAsk ? " and to be told why" : "") + ". Drag sideways to move through time."
    : "Point at a slot to read it" + (mayAsk ? "; click it to be told why" : "") + ". Drag, or hold the shift key and turn the wheel, to move through time.";
  const table = document.getElementById("astable");
  table.open = false;

  // What was asked for: pieces of so many slots, of all rows, row by row. Each
  // slot is a number: 0 for silence, else 1 + 5 times the band + how it ended.
  const store = new Map();
  const pieceSlots = () => Math.max(30, Math.min(720, Math.ceil(span / slotMs)));
  const ask = async (from, to) => {
    const answer = await fetch(box.dataset.slots + "from=" + from + "&to=" + to);
    if (!answer.ok) throw new Error(await answer.text());
    if (answer.headers.get("Lamplighter-Rows") !== box.dataset.rows) location.reload(); // other beacons
    return new Uint16Array(await answer.arrayBuffer());
  };
  const waiting = (more) => { box.dataset.waiting = Number(box.dataset.waiting || 0) + more; };
  const fetchPiece = async (size, index) => {
    const key = size + ":" + index;
    if (store.has(key)) return;
    const piece = { slots: null, at: Date.now() };
    store.set(key, piece);
    waiting(1);
    try {
      piece.slots = await ask(index * size, (index + 1) * size);
      if (store.size > 40) store.delete(store.keys().next().value);
      redraw();
    } catch (e) {
      store.delete(key);
      readout.textContent = "The slots did not come: " + e.message;
    } finally {
      waiting(-1);
    }
  };
  const piecesInSight = (from, to) => {
    const size = pieceSlots();
    for (let i = Math.max(0, Math.floor(from / slotMs / size)); i * size * slotMs < to; i++) fetchPiece(size, i);
  };
  // What a row's slot holds; what has not come yet is silent.
  const at = (r, slot) => {
    const size = pieceSlots(), index = Math.floor(slot / size), piece = store.get(size + ":" + index);
    return piece && piece.slots ? piece.slots[r * size + slot - index * size] : 0;
  };
  // What is near the present changes; all else is asked for again now and then.
  const recent = 15, coming = 45;
  setInterval(async () => {
    if (document.hidden) return;
    const from = Math.floor(now() / slotMs) - recent, to = from + recent + coming, wide = to - from;
    try {
      const fresh = await ask(from, to);
      for (const [key, piece] of store) {
        if (!piece.slots) continue;
        const [size, index] = key.split(":").map(Number), first = index * size;
        for (let slot = Math.max(from, first); slot < Math.min(to, first + size); slot++) {
          for (let r = 0; r < beacons.length; r++) piece.slots[r * size + slot - first] = fresh[r * wide + slot - from];
        }
        if (Date.now() - piece.at > 3e5) store.delete(key);
      }
      redraw();
    } catch { /* what stands there is older, and the next time may be better */ }
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

  // How many slots are drawn as one: as many as it takes to tell patterns apart.
  const groups = [1, 5, 10, 15, 30, 60, 180, 360];
  const grouped = () => {
    const wide = (slotMs / span) * (width - names);
    return wide >= 4 ? 1 : groups.find((g) => g * wide >= 11) || 360;
  };

  const drawSlot = (px, w, y, what) => {
    const tile = tiles[Math.floor((what - 1) / 5)], ending = (what - 1) % 5, h = row - 8;
    if (!tile) return;
    const full = Math.max(w - 1, 1);
    if (ending === 0 || ending === 1 || ending === 3) {
      pen.fillStyle = ending === 0 ? tile.faint : tile.full;
      pen.fillRect(px, y, ending === 3 ? full * 0.45 : full, h);
    }
    pen.strokeStyle = ending === 2 || ending === 3 ? style.wrong : tile.ink;
    pen.lineWidth = ending === 0 ? 1 : 2;
    if (ending === 4) pen.setLineDash([2, 3]);
    pen.strokeRect(px + 1, y + 1, Math.max(full - 2, 1), h - 2);
    pen.setLineDash([]);
    if (ending === 2) {
      pen.beginPath();
      pen.moveTo(px + 1, y + h - 1);
      pen.lineTo(px + full - 1, y + 1);
      pen.stroke();
    }
    if (w > (ending > 1 ? 64 : 44)) {
      const text = tile.mark, tw = pen.measureText(text).width + 8;
      pen.fillStyle = style.sheet;
      pen.fillRect(px + 4, y + 3, tw, h - 6);
      pen.fillStyle = style.ink;
      pen.fillText(text, px + 8, y + h / 2 + 0.5);
    }
  };

  // What several slots hold: for each band how many were sent and are ordered,
  // and how many were not sent whole.
  const sum = { sent: new Uint16Array(looks.length), open: new Uint16Array(looks.length), all: 0, wrong: 0 };
  const sumUp = (r, slot, count) => {
    sum.sent.fill(0);
    sum.open.fill(0);
    sum.all = sum.wrong = 0;
    const size = pieceSlots();
    for (let s = slot; s < slot + count; ) {
      const index = Math.floor(s / size), piece = store.get(size + ":" + index), end = Math.min(slot + count, (index + 1) * size);
      if (!piece || !piece.slots) { s = end; continue; }
      for (let k = r * size + s - index * size; s < end; s++, k++) {
        const what = piece.slots[k];
        if (what === 0) continue;
        const band = ((what - 1) / 5) | 0, ending = (what - 1) % 5;
        sum.all++;
        if (ending === 0) sum.open[band]++;
        else if (ending === 1) sum.sent[band]++;
        else sum.wrong++;
      }
    }
    return sum;
  };
  // One over the other, each as high as its share; what was not sent whole stands
  // below a gap, in solid ink.
  const drawGroup = (px, w, y, s) => {
    const h = row - 8, full = Math.max(w - 1, 1), low = s.wrong ? Math.max(3, Math.round((h * s.wrong) / s.all)) : 0, good = s.all - s.wrong;
    let top = y;
    const high = low && good ? h - low - 1.5 : h - low;
    for (let band = 0; good && band < tiles.length; band++) {
      for (const [n, fill] of [[s.sent[band], tiles[band].full], [s.open[band], tiles[band].faint]]) {
        if (!n) continue;
        const part = (high * n) / good;
        pen.fillStyle = fill;
        pen.fillRect(px, top, full, part);
        top += part;
      }
    }
    if (low) {
      pen.fillStyle = style.wrong;
      pen.fillRect(px, y + h - low, full, low);
    }
  };
  const drawRow = (r, y, from, to) => {
    const g = grouped(), w = ((slotMs * g) / span) * (width - names);
    for (let s = Math.max(0, Math.floor(from / slotMs / g) * g); s * slotMs < to; s += g) {
      if (g === 1) {
        const what = at(r, s);
        if (what) drawSlot(x(s * slotMs), w, y, what);
      } else if (sumUp(r, s, g).all) drawGroup(x(s * slotMs), w, y, sum);
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
    const top = pane.scrollTop, first = Math.floor(top / row), end = Math.min(beacons.length, Math.ceil((top + height - head) / row));
    piecesInSight(from, to);
    const w = ((slotMs * grouped()) / span) * (width - names);
    pen.font = "600 11px system-ui, sans-serif";
    pen.textBaseline = "middle";
    for (let i = first; i < end; i++) {
      const y = head + i * row - top;
      pen.fillStyle = style.line;
      pen.fillRect(0, y + row - 1, width, 1);
      drawRow(i, y + 4, from, to);
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
    draw(); // at once: a canvas of another size is empty
  };

  const stamp = (slot, upTo) => new Date(slot * slotMs).toISOString().replace("T", " ").slice(0, upTo);
  const say = (r, slot) => {
    if (r < 0 || r >= beacons.length) return;
    const g = grouped(), first = Math.floor(slot / g) * g;
    if (g > 1) {
      const s = sumUp(r, first, g), parts = [];
      looks.forEach((look, band) => {
        if (s.sent[band]) parts.push(s.sent[band] + " sent on " + look.name);
        if (s.open[band]) parts.push(s.open[band] + " ordered on " + look.name);
      });
      if (s.wrong) parts.push(s.wrong + " not sent whole");
      readout.textContent = beacons[r][0] + ", " + stamp(first, 16) + " to " + stamp(first + g, 16).slice(11) + ": " + (parts.join(", ") || "silent") + (touched ? "." : ". Enter or click: look closer.");
      return;
    }
    const what = at(r, slot), past = (slot + 1) * slotMs < now(), ending = (what - 1) % 5;
    const how = !what ? "silent" : looks[Math.floor((what - 1) / 5)].name + ", " + (ending === 0 && past ? "not reported yet" : endings[ending]);
    readout.textContent = beacons[r][0] + ", " + stamp(slot, 19) + ": " + how + "." + (mayAsk && !touched ? " Enter or click: why?" : "");
  };
  const answerWhy = async () => {
    const address = "/why?beacon=" + encodeURIComponent(beacons[chosen.row][0]) + "&at=" + new Date(chosen.slot * slotMs).toISOString().replace(".000", "");
    try {
      const answer = await fetch(address, { headers: { Accept: "text/html" } });
      const part = new DOMParser().parseFromString(await answer.text(), "text/html").querySelector("main section.page");
      whyBox.replaceChildren(part);
    } catch {
      readout.textContent = "The coordinator does not answer.";
    }
  };
  const enter = () => {
    if (!chosen) return;
    if (grouped() > 1) {
      middle = (chosen.slot + grouped() / 2) * slotMs;
      follow = false;
      zoomBy(-1);
      say(chosen.row, chosen.slot);
    } else if (mayAsk) answerWhy();
  };

  const zoomTo = (key) => {
    span = spans[key];
    for (const kept of store.keys()) if (!kept.startsWith(pieceSlots() + ":")) store.delete(kept);
    const pick = document.querySelector('input[name="zoom"][value="' + key + '"]');
    if (pick) pick.checked = true;
    redraw();
  };
  const keys = [...document.querySelectorAll('input[name="zoom"]')].map((pick) => pick.value), zoomBy = (step) => {
    const i = keys.findIndex((k) => spans[k] === span) + step;
    if (keys[i]) zoomTo(keys[i]);
  };
  const pan = (ms) => { middle += ms; follow = false; redraw(); };
  for (const pick of document.querySelectorAll('input[name="zoom"]')) pick.addEventListener("change", () => zoomTo(pick.value));
  if (site) site.addEventListener("change", () => site.form.submit());
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
    if (!p.on) {
      if (mayAsk) location.href = "/beacon/" + beacons[p.row][0];
      return;
    }
    chosen = { row: p.row, slot: Math.floor(p.slot / grouped()) * grouped() };
    say(p.row, p.slot);
    enter();
    redraw();
  });
  pane.addEventListener("keydown", (e) => {
    const move = { ArrowLeft: [0, -1], ArrowRight: [0, 1], ArrowUp: [-1, 0], ArrowDown: [1, 0], PageUp: [-20, 0], PageDown: [20, 0] }[e.key];
    if (move) {
      e.preventDefault();
      const g = grouped(), from = chosen ? chosen.slot : Math.floor(now() / slotMs);
      chosen = { row: chosen ? Math.min(beacons.length - 1, Math.max(0, chosen.row + move[0])) : 0, slot: Math.floor(from / g) * g + (chosen ? move[1] * g : 0) };
      const y = chosen.row * row;
      if (y < pane.scrollTop) pane.scrollTop = y;
      if (y + row + head > pane.scrollTop + height) pane.scrollTop = y + row + head - height;
      const t = chosen.slot * slotMs;
      if (t < middle - span / 2 || t + slotMs > middle + span / 2) { middle = t; follow = false; }
      say(chosen.row, chosen.slot);
      redraw();
    } else if (e.key === "Enter") enter();
    else if (e.key === "+") zoomBy(-1);
    else if (e.key === "-") zoomBy(1);
  });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { paint(); redraw(); });
  new ResizeObserver(resize).observe(pane);
  setInterval(() => { if (follow) middle = now(); redraw(); }, 1000);
  paint();
  resize();
})();
