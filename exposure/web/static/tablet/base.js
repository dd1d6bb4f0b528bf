// What the tablet keeps, in IndexedDB, written through to the disk before it counts as kept. `own` holds the device's
// key, the station's pack, the removal under way and the report that is being written, sealed (AES-GCM) by a key that the browser does not give
// out; `outbox` holds what waits to be sent, sealed for the service, which alone can open it.
const NAME = "station";
const IV = 12; // bytes; NIST SP 800-38D, 8.2

function open() {
  return new Promise((done, failed) => {
    const asked = indexedDB.open(NAME, 1);
    asked.onupgradeneeded = () => {
      asked.result.createObjectStore("own");
      asked.result.createObjectStore("outbox", { keyPath: "id" });
    };
    asked.onsuccess = () => done(asked.result);
    asked.onerror = () => failed(asked.error);
  });
}

/** Whether this browser is a station's tablet; nothing is made by asking. */
export async function isHere() {
  const bases = await indexedDB.databases?.() ?? [];
  return bases.some(({ name }) => name === NAME);
}

/** Runs `work` on the object stores and returns what its request found, once all of it is on the disk. */
export async function run(names, work, mode = "readwrite") {
  const base = await open();
  try {
    return await new Promise((done, failed) => {
      const deal = base.transaction(names, mode, { durability: "strict" });
      const asked = work(...names.map((name) => deal.objectStore(name)));
      deal.oncomplete = () => done(asked?.result);
      deal.onabort = () => failed(deal.error);
    });
  } finally {
    base.close();
  }
}

const get = (name) => run(["own"], (own) => own.get(name), "readonly");

/** The browser's own key; two pages that begin at once get the same. */
async function key() {
  const held = await get("key");
  if (held) return held;
  const made = await crypto.subtle.generateKey({ name: "AES-GCM", length: 256 }, false, ["encrypt", "decrypt"]);
  await run(["own"], (own) => {
    own.get("key").onsuccess = ({ target }) => { if (!target.result) own.put(made, "key"); };
  });
  return get("key");
}

export async function seal(value) {
  const iv = crypto.getRandomValues(new Uint8Array(IV));
  const plain = new TextEncoder().encode(JSON.stringify(value));
  return { iv, sealed: await crypto.subtle.encrypt({ name: "AES-GCM", iv }, await key(), plain) };
}

/** What was sealed here; null for anything else. */
export async function unseal(kept) {
  try {
    const plain = await crypto.subtle.decrypt({ name: "AES-GCM", iv: kept.iv }, await key(), kept.sealed);
    return JSON.parse(new TextDecoder().decode(plain));
  } catch {
    return null;
  }
}

let latest = Promise.resolve();

/** What is written goes one after the other: nothing that was put earlier lands on top of what came after it. */
export function inTurn(work) {
  const done = latest.then(work);
  latest = done.catch(() => {});
  return done;
}

export function put(name, value) {
  return inTurn(async () => {
    const sealed = await seal(value);
    await run(["own"], (own) => own.put(sealed, name));
  });
}

export async function take(name) {
  const kept = await get(name);
  return kept ? unseal(kept) : null;
}

export function drop(name) {
  return inTurn(() => run(["own"], (own) => own.delete(name)));
}
