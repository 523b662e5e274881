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
  isThisPhone().then((it) => { button.hidden = it; });

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
        body: JSON.stringify({ ...said, was: await before() }),
      });
      if (!answer.ok) { say(answer.status === 410 ? "over" : "not-kept"); return; }
      // For the day on which the browser exchanges the subscription by itself: push-worker.js.
      const kept = JSON.stringify({ subscription: said, key: box.dataset.key });
      await (await caches.open("push")).put(place(), new Response(kept));
      location.replace(location.href);
    } catch (error) {
      say(error && error.name === "NotAllowedError" ? "refused" : "failed");
    } finally {
      button.disabled = false;
    }
  });

  function place() { return new URL("kept", new URL(box.dataset.worker, location.href)); }

  // Whether the notices come here already. The page knows the phone by a digest of its address alone.
  async function isThisPhone() {
    try {
      const page = box.dataset.phone && await (await caches.open("push")).match(place());
      if (!page || Notification.permission !== "granted") return false;
      const address = new TextEncoder().encode((await page.json()).subscription.endpoint);
      const digest = new Uint8Array(await crypto.subtle.digest("SHA-256", address));
      return box.dataset.phone === Array.from(digest, (byte) => byte.toString(16).padStart(2, "0")).join("");
    } catch { return false; }
  }

  // What this phone had: its old address and secret show that it is no other phone.
  async function before() {
    try {
      const page = await (await caches.open("push")).match(place());
      return page ? (await page.json()).subscription : null;
    } catch { return null; }
  }

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
