// Shows the notice that a push carries, and opens its page when it is tapped.
// The words come whole from the service (service/transports/webpush.py): title, body, id, and a link where there is one.
"use strict";

const KEPT = "push";
const PLACE = "kept";

self.addEventListener("install", () => self.skipWaiting());
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));

self.addEventListener("push", (event) => {
  let said = {};
  try { said = (event.data && event.data.json()) || {}; } catch { /* unreadable: something must be shown all the same */ }
  event.waitUntil(self.registration.showNotification(text(said.title) || "Neaptide", {
    body: text(said.body),
    tag: text(said.id), // the same message again takes the place of the first, without a sound
    data: { link: ours(said.link) },
  }));
});

self.addEventListener("notificationclick", (event) => {
  event.notification.close();
  const link = ours(event.notification.data && event.notification.data.link);
  if (link) event.waitUntil(show(link));
});

// A browser may exchange a subscription by itself. Old endpoint and secret together show that it is the same one.
self.addEventListener("pushsubscriptionchange", (event) => event.waitUntil(renew(event)));

async function renew(event) {
  const cache = await self.caches.open(KEPT);
  const page = await cache.match(PLACE);
  const kept = page ? await page.json() : null;
  const was = event.oldSubscription ? event.oldSubscription.toJSON() : kept && kept.subscription;
  const key = event.oldSubscription && event.oldSubscription.options.applicationServerKey || kept && kept.key;
  if (!was || !key) return;
  const now = event.newSubscription ||
    await self.registration.pushManager.subscribe({ userVisibleOnly: true, applicationServerKey: key });
  const answer = await self.fetch("renewed", {
    method: "POST",
    credentials: "omit",
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify({ was, now: now.toJSON() }),
  });
  // Not known there: the person has ended it. Without us there is nothing to keep it for.
  if (answer.ok) await cache.put(PLACE, new Response(JSON.stringify({ subscription: now.toJSON(), key: kept && kept.key })));
  else if (answer.status === 404) await now.unsubscribe();
}

async function show(link) {
  const open = await self.clients.matchAll({ type: "window", includeUncontrolled: true });
  const there = open.find((one) => one.url === link);
  return there ? there.focus() : self.clients.openWindow(link);
}

// A page of our own, or nothing.
function ours(link) {
  try {
    const address = new URL(link);
    return address.origin === self.location.origin ? address.href : "";
  } catch { return ""; }
}

function text(given) { return typeof given === "string" ? given : ""; }
