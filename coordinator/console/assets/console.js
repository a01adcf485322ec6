// Keeps a page alive that is complete without it: the slot's clock, the seconds
// left, the tones as they go, and what changed.
"use strict";
(() => {
  const body = document.body;
  let ahead = Date.parse(body.dataset.now) - Date.now(); // of the server's clock
  const now = () => Date.now() + ahead;
  const slot = Number(body.dataset.slot) * 1000;
  const two = (n) => String(n).padStart(2, "0");
  const clock = (ms) => new Date(ms).toISOString().slice(11, 19);

  const length = (ms) => {
    const s = Math.max(0, Math.round(ms / 1000));
    if (s < 60) return s + " s";
    if (s < 3600) return Math.floor(s / 60) + " min" + (s < 600 ? " " + two(s % 60) + " s" : "");
    if (s < 172800) return Math.floor(s / 3600) + " h " + two(Math.floor((s % 3600) / 60)) + " min";
    return Math.floor(s / 86400) + " days";
  };

  const utc = document.getElementById("utc"), wick = document.getElementById("wick");
  const tick = () => {
    const t = now();
    utc.textContent = clock(t);
    const into = t % slot, width = (120 * into) / slot;
    if (width < Number(wick.getAttribute("width"))) wick.style.transition = "none"; // a new slot begins at once
    else wick.style.transition = "";
    wick.setAttribute("width", width.toFixed(2));
    wick.style.width = width.toFixed(2) + "px";
    count(document);
  };
  // What counts down, and the tones as they go, in a part of the page.
  const count = (part) => {
    const t = now();
    for (const e of part.querySelectorAll(".left[data-until]")) {
      const left = Date.parse(e.dataset.until) - t;
      const text = left >= 500 ? length(left) + " left" : e.dataset.over || "ending";
      if (e.textContent !== text) e.textContent = text;
    }
    for (const e of part.querySelectorAll(".left[data-from]")) {
      const left = Date.parse(e.dataset.from) - t;
      const text = left >= 500 ? "in " + length(left) : "now";
      if (e.textContent !== text) e.textContent = text;
    }
    for (const s of part.querySelectorAll("svg.stave")) {
      const from = Number(s.dataset.from), until = Number(s.dataset.until), mask = s.querySelector(".to-come");
      if (mask) mask.setAttribute("x", String(Math.min(162, Math.max(0, Math.floor((162 * (t - from)) / (until - from))))));
    }
  };
  tick();
  setInterval(tick, 500);

  // A piece is put in its place; what had the focus keeps it.
  const put = (id, html) => {
    const old = document.getElementById(id);
    if (!old) return;
    const held = old.contains(document.activeElement) ? document.activeElement.getAttribute("href") : null;
    if (old.tagName === "LI") {
      const t = document.createElement("template");
      t.innerHTML = html;
      old.replaceWith(t.content);
    } else {
      old.innerHTML = html;
    }
    const fresh = document.getElementById(id);
    count(fresh);
    if (held !== null) {
      const again = [...fresh.querySelectorAll("a")].find((a) => a.getAttribute("href") === held);
      if (again) again.focus({ preventScroll: true });
    }
  };

  const cutoff = document.getElementById("cutoff");
  const heard = { at: Date.now() };
  const listen = (address) => {
    const source = new EventSource(address);
    const hear = () => {
      heard.at = Date.now();
      cutoff.hidden = true;
    };
    source.addEventListener("piece", (e) => {
      hear();
      const piece = JSON.parse(e.data);
      if (piece.id === "fleet") location.reload();
      else put(piece.id, piece.html);
    });
    source.addEventListener("time", (e) => {
      hear();
      ahead = Number(e.data) - Date.now();
    });
    source.addEventListener("error", () => {
      if (source.readyState !== EventSource.CLOSED) return; // it tries again by itself
      fetch(location.href, { method: "HEAD", redirect: "manual" }).then((r) => {
        if (r.status === 401 || r.status === 403) location.reload(); // the page says why
        else setTimeout(() => listen(address), 5000);
      }, () => setTimeout(() => listen(address), 5000));
      source.close();
    });
    setInterval(() => {
      if (Date.now() - heard.at < 11000 || document.hidden) return;
      const text = "No word from the coordinator since " + clock(heard.at + ahead) + ". What stands below is from then. The beacons go on by their orders and leases; this page tries again by itself.";
      if (cutoff.textContent !== text) cutoff.textContent = text;
      cutoff.hidden = false;
    }, 1000);
  };
  if (body.dataset.live) listen(body.dataset.live);

  // A part of a page that takes its time comes later.
  for (const part of document.querySelectorAll("[data-fetch]")) {
    fetch(part.dataset.fetch, { headers: { Accept: "text/html" } }).then((answer) => (answer.ok ? answer.text() : Promise.reject())).then((text) => {
      const fresh = new DOMParser().parseFromString(text, "text/html").getElementById(part.id);
      if (fresh) part.replaceWith(fresh);
    }).catch(() => {}); // the link in it stays
  }

  // A part of a page that changes until it says so no more is asked for again.
  const poll = () => {
    const part = document.querySelector("[data-poll]");
    if (!part) return;
    setTimeout(async () => {
      try {
        const answer = await fetch(location.href, { headers: { Accept: "text/html" } });
        const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").getElementById(part.id);
        if (fresh) put(part.id, fresh.innerHTML);
        if (fresh && !fresh.dataset.poll) part.removeAttribute("data-poll");
        cutoff.hidden = true;
      } catch {
        cutoff.textContent = "The coordinator does not answer; this page tries again.";
        cutoff.hidden = false;
      }
      poll();
    }, Number(part.dataset.poll));
  };
  poll();
})();
