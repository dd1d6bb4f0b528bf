// Shows the neutral words of a reminder and opens its link; where there is no connection, shows a worker the page that
// was kept for that. It keeps that page and what it is made of, and nothing of anybody.
// SHELL comes before it: {name, page, files, pages}.
const SLOW_PAGE = 8000; // local choice, in milliseconds: then the kept page is shown
const SLOW_FILE = 3000;
const AWAY = [502, 503, 504]; // what stands between says that the service is away

self.addEventListener("install", (event) => {
  self.skipWaiting();
  event.waitUntil(keep([SHELL.page, ...SHELL.files]));
});

self.addEventListener("activate", (event) => event.waitUntil(tidy()));

self.addEventListener("message", (event) => {
  if (event.data === "renew") event.waitUntil(keep([SHELL.page]));
});

self.addEventListener("fetch", (event) => {
  const { method, mode, url } = event.request;
  const { origin, pathname } = new URL(url);
  if (method !== "GET" || origin !== self.location.origin) return;
  if (mode === "navigate" && SHELL.pages.includes(pathname)) event.respondWith(page(event.request));
  else if (SHELL.files.includes(pathname)) event.respondWith(file(event.request));
});

async function keep(addresses) {
  const cache = await caches.open(SHELL.name);
  // Without the session: what is kept is what anybody gets.
  await Promise.allSettled(addresses.map(async (address) => {
    const answer = await fetch(address, { credentials: "omit", cache: "no-cache" });
    if (answer.ok && !answer.redirected) await cache.put(address, answer);
  }));
}

async function tidy() {
  for (const name of await caches.keys()) {
    if (name.startsWith("shell-") && name !== SHELL.name) await caches.delete(name);
  }
  await self.clients.claim();
}

async function page(request) {
  const kept = await found(SHELL.page);
  if (!kept) return fetch(request);
  try {
    const answer = await soon(fetch(request), SLOW_PAGE);
    return AWAY.includes(answer.status) ? kept : answer;
  } catch {
    return kept;
  }
}

async function file(request) {
  const { pathname } = new URL(request.url);
  try {
    return await soon(fetch(request), SLOW_FILE);
  } catch {
    return (await found(pathname)) ?? fetch(request);
  }
}

async function found(address) {
  return (await caches.open(SHELL.name)).match(address, { ignoreVary: true });
}

function soon(answer, most) {
  return Promise.race([answer, new Promise((_, late) => { setTimeout(late, most, new Error("slow")); })]);
}

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
