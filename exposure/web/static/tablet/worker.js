// Answers for the station's page where there is no network, and from what it keeps at once where there is one: a new
// version arrives with a new SHELL. It keeps that page and what it is made of, and nothing of anybody.
// SHELL comes before it: {name, home, pages: {language: address}, files}.
const KEEPS = [...Object.values(SHELL.pages), ...SHELL.files];

self.addEventListener("install", (event) => {
  self.skipWaiting();
  event.waitUntil(keep());
});

self.addEventListener("activate", (event) => event.waitUntil(tidy()));

self.addEventListener("fetch", (event) => {
  const { method, mode, url } = event.request;
  const { origin, pathname } = new URL(url);
  if (method !== "GET" || origin !== self.location.origin) return;
  if (mode === "navigate" && pathname === SHELL.home) event.respondWith(home(event.request));
  else if (KEEPS.includes(pathname)) event.respondWith(found(pathname).then((kept) => kept ?? fetch(event.request)));
});

/** All of it or nothing: a page without its script would be worse than the earlier version. */
async function keep() {
  const cache = await caches.open(SHELL.name);
  await Promise.all(KEEPS.map(async (address) => {
    // Without a session: what is kept is what anybody gets.
    const answer = await fetch(address, { credentials: "omit", cache: "no-cache" });
    if (!answer.ok || answer.redirected) throw new Error(`${address}: ${answer.status}`);
    await cache.put(address, answer);
  }));
}

async function tidy() {
  for (const name of await caches.keys()) {
    if (name.startsWith("station-") && name !== SHELL.name) await caches.delete(name);
  }
  await self.clients.claim();
}

/** Which language was chosen only the service knows; without a network, what the browser asks for. */
async function home(request) {
  try {
    return await fetch(request);
  } catch {
    const wanted = self.navigator.languages.map((tag) => tag.split("-")[0]).find((tag) => tag in SHELL.pages);
    return Response.redirect(SHELL.pages[wanted ?? "en"]);
  }
}

async function found(address) {
  return (await caches.open(SHELL.name)).match(address, { ignoreVary: true });
}
