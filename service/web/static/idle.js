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
  let told = last; // when the server last heard of it
  const used = () => { last = Date.now(); try { localStorage.setItem(key, String(last)); } catch { /* private window */ } };
  const lastUse = () => { try { return Math.max(last, Number(localStorage.getItem(key))); } catch { return last; } };

  let ending = false;
  const end = async () => {
    if (ending) return;
    ending = true;
    const wait = [];
    document.dispatchEvent(new CustomEvent("neaptide-ending", { detail: { wait } }));
    await Promise.race([Promise.allSettled(wait), new Promise((done) => { setTimeout(done, 3000); })]);
    out.elements.why.value = "idle";
    out.submit();
  };
  const look = () => {
    const left = lastUse() + limit - Date.now();
    if (left <= 0) { end(); return; }
    if (left > notice) box.hidden = true;
    else if (box.hidden) { box.hidden = false; box.querySelector("button").focus(); }
    setTimeout(look, left > notice ? left - notice : 1000);
  };
  // Asks the server for a small page: that is what keeps the session, not the click.
  const stay = async () => {
    told = Date.now();
    const answer = await fetch(box.dataset.keep, { redirect: "manual", cache: "no-store" }).catch(() => null);
    if (answer && answer.ok) { used(); box.hidden = true; return; }
    if (answer) end();
    else told = 0; // not reached: the next sign of life asks again
  };
  box.querySelector("button").addEventListener("click", stay);
  // Who types, scrolls or points is there. The server hears of it once a minute.
  const lives = () => {
    if (!box.hidden || ending) return; // the notice wants an answer of its own
    if (Date.now() - told > notice) stay();
    else used();
  };
  for (const sign of ["keydown", "input", "scroll", "pointerdown", "wheel"]) document.addEventListener(sign, lives, { capture: true, passive: true });
  // A page that sends without a reload is in use too.
  document.addEventListener("neaptide-used", () => { told = Date.now(); used(); });
  used();
  look();
})();
