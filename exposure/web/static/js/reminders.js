// Shows the neutral words of a reminder and opens its link. Keeps nothing, and answers no request of a page.
self.addEventListener("install", () => self.skipWaiting());
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));

self.addEventListener("push", (event) => {
  let told = {};
  try { told = event.data.json(); } catch { /* shown all the same: a browser must show something */ }
  const link = own(told.link);
  event.waitUntil(self.registration.showNotification(String(told.title ?? "…"), { tag: link, data: { link } }));
});

self.addEventListener("notificationclick", (event) => {
  event.notification.close();
  event.waitUntil(self.clients.openWindow(event.notification.data.link));
});

function own(link) {
  try {
    const address = new URL(link);
    if (address.origin === self.location.origin) return address.href;
  } catch { /* none, or no address */ }
  return `${self.location.origin}/`;
}
