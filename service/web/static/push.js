// Sets this phone up for notices at one press. Every word it shows stands in the page already.
(() => {
  "use strict";
  const box = document.getElementById("push");
  if (!box) return;
  const button = box.querySelector("button");
  const say = (name) => {
    for (const one of box.querySelectorAll("[data-say]")) one.hidden = one.dataset.say !== name;
  };

  const can = window.isSecureContext && "serviceWorker" in navigator && "PushManager" in window && "Notification" in window;
  if (!can) { say("cannot"); return; }
  if (Notification.permission === "denied") { say("refused"); return; }
  say("");
  button.hidden = false;

  button.addEventListener("click", async () => {
    button.disabled = true;
    say("working");
    try {
      if (await Notification.requestPermission() !== "granted") { say("refused"); return; }
      const subscription = await subscribe();
      const said = subscription.toJSON();
      const answer = await fetch(box.dataset.send, {
        method: "POST",
        credentials: "omit",
        headers: { "Content-Type": "application/json" },
        body: JSON.stringify(said),
      });
      if (!answer.ok) { say(answer.status === 410 ? "over" : "not-kept"); return; }
      // For the day on which the browser exchanges the subscription by itself: push-worker.js.
      const cache = await caches.open("push");
      const kept = JSON.stringify({ subscription: said, key: box.dataset.key });
      await cache.put(new URL("kept", new URL(box.dataset.worker, location.href)), new Response(kept));
      location.replace(location.href);
    } catch (error) {
      say(error && error.name === "NotAllowedError" ? "refused" : "failed");
    } finally {
      button.disabled = false;
    }
  });

  async function subscribe() {
    await navigator.serviceWorker.register(box.dataset.worker);
    const registration = await navigator.serviceWorker.ready;
    const key = bytes(box.dataset.key);
    const held = await registration.pushManager.getSubscription();
    if (held && same(held.options.applicationServerKey, key)) return held;
    if (held) await held.unsubscribe(); // made for a key that is no longer used
    return registration.pushManager.subscribe({ userVisibleOnly: true, applicationServerKey: key });
  }

  function bytes(base64url) {
    const plain = atob(base64url.replace(/-/g, "+").replace(/_/g, "/"));
    return Uint8Array.from(plain, (sign) => sign.charCodeAt(0));
  }

  function same(held, key) {
    if (!held) return false;
    const other = new Uint8Array(held);
    return other.length === key.length && other.every((byte, place) => byte === key[place]);
  }
})();
