// While the worker is busy, asks until it has caught up, then shows the page anew.
(() => {
  "use strict";
  const thread = document.querySelector(".thread");
  if (thread) thread.scrollTop = thread.scrollHeight;
  const waits = document.querySelector("[data-waits]");
  if (!waits) return;
  let left = 60;
  const ask = async () => {
    const answer = await fetch(waits.dataset.waits, { cache: "no-store" }).then((a) => a.json()).catch(() => null);
    if (answer && answer.caught_up) { location.replace(location.pathname); return; }
    if (--left) setTimeout(ask, 700);
  };
  setTimeout(ask, 500);
})();
