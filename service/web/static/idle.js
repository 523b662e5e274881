// Tells staff before an unused session ends, and ends it: what a page shows is not for passers-by.
(() => {
  "use strict";
  const box = document.getElementById("idle");
  const out = document.getElementById("sign-out");
  if (!box || !out) return;
  const limit = Number(box.dataset.seconds) * 1000;
  const notice = 60_000;

  // Several pages may be open: one in use keeps the others open too.
  const key = "neaptide-last-use";
  let last = Date.now();
  const used = () => { last = Date.now(); try { localStorage.setItem(key, String(last)); } catch { /* private window */ } };
  const lastUse = () => { try { return Math.max(last, Number(localStorage.getItem(key))); } catch { return last; } };

  const end = () => { out.elements.why.value = "idle"; out.submit(); };
  const look = () => {
    const left = lastUse() + limit - Date.now();
    if (left <= 0) { end(); return; }
    if (left > notice) box.hidden = true;
    else if (box.hidden) { box.hidden = false; box.querySelector("button").focus(); }
    setTimeout(look, left > notice ? left - notice : 1000);
  };
  box.querySelector("button").addEventListener("click", async () => {
    // Asks the server for a small page: that is what keeps the session, not the click.
    const answer = await fetch(box.dataset.keep, { redirect: "manual", cache: "no-store" }).catch(() => null);
    if (answer && answer.ok) { used(); box.hidden = true; } else { end(); }
  });
  // A page that sends without a reload is in use too.
  document.addEventListener("neaptide-used", used);
  used();
  look();
})();
