// A form is sent once somebody is there who takes it, so that what was written is
// not lost with the page.
"use strict";
(() => {
  const told = document.getElementById("cutoff");
  const tell = (text, link) => {
    told.textContent = text;
    if (link) {
      const a = document.createElement("a");
      a.href = link;
      a.target = "_blank";
      a.rel = "noopener";
      a.textContent = "Sign in in another window";
      told.append(" ", a);
    }
    told.hidden = false;
  };
  for (const form of document.querySelectorAll("main form[method=post]")) {
    let asked = false;
    form.addEventListener("submit", (e) => {
      if (asked) return;
      e.preventDefault();
      fetch(location.pathname + location.search, { method: "HEAD", headers: { Accept: "text/html" }, redirect: "manual" }).then((answer) => {
        if (answer.status === 401) return tell("Your session is over. What you wrote still stands here: sign in, and send it again.", "/login");
        told.hidden = true;
        asked = true;
        form.requestSubmit(e.submitter);
        asked = false;
      }, () => tell("The coordinator does not answer. What you wrote still stands here: send it again in a moment."));
    });
  }
})();
