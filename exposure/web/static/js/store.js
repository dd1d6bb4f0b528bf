// What a worker's own phone keeps: the page for when there is no connection, and the entries that have not been sent.
// All of it is encrypted (AES-GCM, Web Cryptography API). The key comes from the server, cannot be read out of the
// browser, and leaves with the sign-out; what has not been sent by then stays, and cannot be read without it.
const NAME = "kept";
const OWN = "own";
const IV = 12; // bytes; NIST SP 800-38D, 8.2

function open() {
  return new Promise((done, failed) => {
    const asked = indexedDB.open(NAME, 1);
    asked.onupgradeneeded = () => {
      for (const name of ["key", "page"]) asked.result.createObjectStore(name);
      asked.result.createObjectStore("entries", { autoIncrement: true });
    };
    asked.onsuccess = () => done(asked.result);
    asked.onerror = () => failed(asked.error);
  });
}

/** Runs `work` on the object stores and returns what its request found, once all of it is written. */
async function run(names, work, mode = "readwrite") {
  const base = await open();
  try {
    return await new Promise((done, failed) => {
      const deal = base.transaction(names, mode);
      const asked = work(...names.map((name) => deal.objectStore(name)));
      deal.oncomplete = () => done(asked?.result);
      deal.onabort = () => failed(deal.error);
    });
  } finally {
    base.close();
  }
}

export function possible() {
  return Boolean(globalThis.indexedDB && globalThis.crypto?.subtle);
}

function own() {
  return run(["key"], (key) => key.get(OWN), "readonly");
}

/** Keeps what the server gave: {keys, ...page}; each account has keys of its own, so that what another one kept here
cannot be read. */
export async function keep({ keys, ...page }) {
  const made = await Promise.all(keys.map((text) => crypto.subtle.importKey(
    "raw", Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0)), "AES-GCM", false, ["encrypt", "decrypt"],
  )));
  const sealed = await seal(made, page);
  await run(["key", "page"], (key, pages) => { key.put(made, OWN); pages.put(sealed, OWN); });
}

/** The page as it was kept last; null without a key. */
export async function kept() {
  const held = await own();
  const sealed = held && await run(["page"], (pages) => pages.get(OWN), "readonly");
  return sealed ? opened(held, sealed) : null;
}

/** The key and the page go; what is left cannot be read. */
export async function forget() {
  if (!possible()) return;
  await run(["key", "page"], (key, pages) => { key.clear(); pages.clear(); });
}

/** Keeps an entry; false where there is no key. */
export async function add(entry) {
  const held = await own();
  if (!held) return false;
  const sealed = await seal(held, entry);
  await run(["entries"], (all) => all.add(sealed));
  return true;
}

/** Those that can be read, the oldest first: [number, entry]. */
export async function entries() {
  const held = await own();
  if (!held) return [];
  const [numbers, sealed] = await Promise.all([
    run(["entries"], (all) => all.getAllKeys(), "readonly"), run(["entries"], (all) => all.getAll(), "readonly"),
  ]);
  const read = await Promise.all(sealed.map((one) => opened(held, one)));
  return numbers.map((number, at) => [number, read[at]]).filter(([, entry]) => entry);
}

export async function change(number, entry) {
  const sealed = await seal(await own(), entry);
  await run(["entries"], (all) => all.put(sealed, number));
}

export function remove(number) {
  return run(["entries"], (all) => all.delete(number));
}

async function seal(keys, value) {
  const iv = crypto.getRandomValues(new Uint8Array(IV));
  const plain = new TextEncoder().encode(JSON.stringify(value));
  return { iv, sealed: await crypto.subtle.encrypt({ name: "AES-GCM", iv }, keys[0], plain) };
}

/** What was sealed by any of the keys; null for anything else. */
async function opened(keys, { iv, sealed }) {
  for (const key of keys) {
    try {
      const plain = await crypto.subtle.decrypt({ name: "AES-GCM", iv }, key, sealed);
      return JSON.parse(new TextDecoder().decode(plain));
    } catch { /* another key, or somebody else's */ }
  }
  return null;
}
