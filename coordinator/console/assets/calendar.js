// Arrow keys go from day to day of the calendar.
"use strict";
(() => {
  const days = [...document.querySelectorAll("a.daylink")];
  const by = document.querySelector(".month") ? { ArrowLeft: -1, ArrowRight: 1, ArrowUp: -7, ArrowDown: 7 } : { ArrowLeft: -1, ArrowRight: 1, ArrowUp: -1, ArrowDown: 1 };
  document.addEventListener("keydown", (e) => {
    const at = days.indexOf(document.activeElement), step = by[e.key];
    if (at < 0 || !step) return;
    e.preventDefault();
    const to = days[at + step];
    if (to) to.focus();
    else document.querySelector(step < 0 ? "a[rel=prev]" : "a[rel=next]").focus();
  });
})();
