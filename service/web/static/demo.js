// While the worker is busy, asks until it has caught up, then shows the page anew; a day goes on by its next hour.
(() => {
  "use strict";
  const thread = document.querySelector(".thread");
  if (thread) thread.scrollTop = thread.scrollHeight;
  const waits = document.querySelector("[data-waits]");
  const goesOn = document.querySelector("[data-goes-on]");
  if (!waits) {
    if (goesOn) setTimeout(() => goesOn.submit(), 200);
    return;
  }
  let left = 60;
  const ask = async () => {
    const answer = await fetch(waits.dataset.waits, { cache: "no-store" }).then((a) => a.json()).catch(() => null);
    if (answer && answer.caught_up) { location.replace(location.pathname); return; }
    if (--left) setTimeout(ask, 700);
  };
  setTimeout(ask, 500);
})();
