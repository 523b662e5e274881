// Tells staff before an unused session ends, and leaves the page when it has: what it shows is not for passers-by.
(() => {
  "use strict";
  const box = document.getElementById("idle");
  if (!box) return;
  const limit = Number(box.dataset.seconds) * 1000;
  const notice = 60_000;
  let since = Date.now();
  const later = () => {
    const left = since + limit - Date.now();
    if (left <= 0) { location.assign(box.dataset.away); return; }
    if (left <= notice && box.hidden) { box.hidden = false; box.querySelector("a, button").focus(); }
    setTimeout(later, left > notice ? left - notice : Math.min(left, 1000));
  };
  box.querySelector("button").addEventListener("click", async () => {
    // Asks the server for a small page: that is what keeps the session, not the click.
    const answer = await fetch(box.dataset.keep, { redirect: "manual", cache: "no-store" });
    if (answer.ok) { since = Date.now(); box.hidden = true; } else { location.assign(box.dataset.away); }
  });
  later();
})();
