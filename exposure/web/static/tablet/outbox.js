// Reports and removals on their way: each sealed for the service before it is stored, kept until the service has it, sent by one page
// at a time. What answers without the report's id, a portal's page for one, says nothing about it.
import { inTurn, put, run, seal, take, unseal } from "./base.js";
import { learn, moment } from "./clock.js";
import { bytes, seal as sealFor } from "./hpke.js";
import { block } from "./paper.js";
import { idBytes, reference } from "./reference.js";

const ADDRESS = "/api/v1/sealed-reports/";
const PURPOSE = "report of a station 1 ";
const SLOWEST = 20_000; // milliseconds; then it is sent again
const FIRST_WAIT = 5_000;
const LONGEST_WAIT = 300_000;

/** Keeps a report or a removal, and forgets what it was written from, both or neither. `urgent`: at the highest tier
still possible. `after`: the ids of what is to be sent before it. `forgets`: what of our own goes with it; `puts`: gives
what stands there from then on, by its name. Returns its reference. */
export async function keep(body, { sealFor: key, urgent = false, after = [], forgets = ["draft"], puts = () => ({}) }) {
  const id = body.submission_id;
  const point = Uint8Array.from(atob(key.point), (letter) => letter.charCodeAt(0));
  const plain = new TextEncoder().encode(JSON.stringify(body));
  const sealed = base64(await sealFor(point, bytes(PURPOSE, idBytes(id)), plain));
  const name = await reference(id);
  const paper = urgent ? await seal(await block(body)) : null;
  const kept = {
    id, key: key.id, sealed, reference: name, urgent, paper, since: moment().right, tries: 0, next: 0, refused: null,
    what: body.kind ?? "report", after,
  };
  await inTurn(async () => {
    const stands = await Promise.all(Object.entries(puts()).map(async ([own, value]) => [own, await seal(value)]));
    await run(["own", "outbox"], (own, outbox) => {
      outbox.put(kept);
      for (const one of forgets) own.delete(one);
      for (const [one, value] of stands) own.put(value, one);
    });
  });
  return name;
}

function base64(data) {
  let text = "";
  for (const byte of data) text += String.fromCharCode(byte);
  return btoa(text);
}

/** What waits, and what was refused, the oldest first; nothing in it can be read here. */
export async function unsent() {
  const all = await run(["outbox"], (outbox) => outbox.getAll(), "readonly");
  return all.sort((one, other) => one.since.localeCompare(other.since));
}

/** The report as it can be dictated, in lines; null where there is none. */
export function spoken({ paper }) {
  return paper ? unseal(paper) : null;
}

export function remove(id) {
  return run(["outbox"], (outbox) => outbox.delete(id));
}

/** Sends what is due; all of it where somebody has asked. One page at a time; another one's turn is enough.
Returns {id: receipt} of what the service has taken, and whether it knows this device no longer. */
export async function drain({ all = false } = {}) {
  const receipts = {};
  let shut = false;
  const device = await take("device");
  if (!device) return { receipts, shut };
  await navigator.locks.request("station-outbox", { ifAvailable: true }, async (lock) => {
    if (!lock) return;
    const items = await unsent();
    const waiting = new Set(items.filter(({ refused }) => !refused).map(({ id }) => id));
    for (const item of items) {
      if (item.after?.some((id) => waiting.has(id))) continue;
      if (item.refused || (!all && item.next > Date.now() && item.next < Date.now() + LONGEST_WAIT)) continue;
      const { what, answer } = await send(item, device.key);
      if (["received", "refused"].includes(what)) waiting.delete(item.id);
      if (what === "received") {
        receipts[item.id] = answer;
        await still(item, (outbox) => outbox.delete(item.id));
      } else if (what === "refused") {
        await change({ ...item, refused: { status: answer.status, words: String(answer.detail ?? "") } });
      } else {
        shut = what === "shut";
        await change(later(item));
        if (what !== "again") break; // without a network, or a key, the others fare no better
      }
    }
  });
  return { receipts, shut };
}

/** Only while it still waits as it was: what has left meanwhile does not come back, and what was written anew since it
was sent stays. */
function still(item, deed) {
  return run(["outbox"], (outbox) => {
    outbox.get(item.id).onsuccess = ({ target }) => { if (target.result?.sealed === item.sealed) deed(outbox); };
  });
}

const change = (item) => still(item, (outbox) => outbox.put(item));

function later(item) {
  const wait = Math.min(LONGEST_WAIT, FIRST_WAIT * 2 ** item.tries) * (0.5 + Math.random() / 2);
  return { ...item, tries: Math.min(item.tries + 1, 30), next: Date.now() + wait };
}

async function send(item, key) {
  try {
    const answer = await fetch(ADDRESS, {
      method: "POST",
      headers: { Authorization: `Bearer ${key}`, "Content-Type": "application/json" },
      body: JSON.stringify({
        submission_id: item.id, key: item.key, sealed: item.sealed, sent_at: new Date().toISOString(),
      }),
      cache: "no-store", credentials: "omit", redirect: "error", signal: AbortSignal.timeout(SLOWEST),
    });
    return await read(answer, item);
  } catch {
    return { what: "away" };
  }
}

/** What an answer means for the report: received, refused, again, or shut (the key works no longer). */
async function read(answer, item) {
  const type = answer.headers.get("Content-Type") ?? "";
  const said = /^application\/(problem\+)?json\b/.test(type) ? await answer.json().catch(() => null) : null;
  if (!said) return { what: "again" };
  if (answer.ok && said.submission_id === item.id) return { what: "received", answer: said };
  const ours = type.startsWith("application/problem+json") && said.status === answer.status;
  if (ours && [401, 403].includes(answer.status)) return { what: "shut" };
  const final = answer.status >= 400 && answer.status < 500 && ![408, 425, 429].includes(answer.status);
  return ours && final ? { what: "refused", answer: said } : { what: "again" };
}

/** Enrols this browser by a device's key, or says false: the service does not know it. Throws without a network. */
export async function enrol(key) {
  const got = await fetchPack(key.trim(), null);
  if (!got) return false;
  await put("device", { key: key.trim() });
  await put("pack", got);
  return true;
}

/** The station's pack as it is kept; null where none is. */
export async function packed() {
  return (await take("pack"))?.pack ?? null;
}

/** The same brought up to date where that is possible. {pack, shut} */
export async function renew() {
  const [device, kept] = [await take("device"), await take("pack")];
  if (!device) return { pack: null, shut: false };
  try {
    const got = await fetchPack(device.key, kept);
    if (!got) return { pack: kept?.pack ?? null, shut: true };
    if (got !== kept) await put("pack", got);
    return { pack: got.pack, shut: false };
  } catch {
    return { pack: kept?.pack ?? null, shut: false };
  }
}

/** {etag, pack}, `kept` where nothing has changed, null where the key works no longer. */
async function fetchPack(key, kept) {
  const asked = Date.now();
  const headers = { Authorization: `Bearer ${key}`, ...(kept?.etag ? { "If-None-Match": kept.etag } : {}) };
  const answer = await fetch("/station/pack/", {
    headers, cache: "no-store", credentials: "omit", redirect: "error", signal: AbortSignal.timeout(SLOWEST),
  });
  const now = Number(answer.headers.get("X-Now"));
  if (answer.status === 304 && kept && now) {
    await learn(now, asked);
    return kept;
  }
  const said = await answer.json();
  if (answer.status === 401 && said.detail) return null;
  if (!answer.ok || !said.station || !now) throw new Error(`no pack: ${answer.status}`);
  await learn(now, asked);
  return { etag: answer.headers.get("ETag"), pack: said };
}
