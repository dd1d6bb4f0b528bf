// Sends what the phone kept, once there is a connection. An entry leaves the phone on a receipt that carries its id:
// whatever else answers, a portal's page for one, says nothing about it. One that was refused stays, with the reason.
import { add, change, entries, keep, kept, remove } from "./store.js";
import { leave, signedOut } from "./leaving.js";

const PATIENCE = 15000;

/** Keeps what was typed, with when that was by the server's clock; false where this phone keeps nothing. */
export async function keepEntry(fields, { stop, urgent }) {
  const page = await kept();
  if (!page) return false;
  const noted = new Date(Date.now() + page.ahead).toISOString();
  const entry = { id: new URLSearchParams(fields).get("submission_id"), fields, noted, zone: page.zone, stop, urgent };
  return add({ ...entry, refused: null });
}

/** What the server gives this phone to keep, kept at once; null without a connection or a sign-in. */
async function renew(address) {
  try {
    const asked = Date.now();
    const answer = await fetch(address, { cache: "no-store", signal: AbortSignal.timeout(PATIENCE) });
    if (signedOut(answer)) await leave();
    const { keys, csrf, now, ...page } = await answer.json();
    if (!keys.length) return null;
    await keep({ keys, ...page, ahead: now - (asked + Date.now()) / 2 });
    return { csrf };
  } catch {
    return null;
  }
}

/** Returns the receipts of what was taken: {id, page, stop}; only one page of this browser sends at a time. */
export async function send(address) {
  const given = await renew(address);
  if (!given) return [];
  return navigator.locks.request("kept", { ifAvailable: true }, (lock) => (lock ? sendAll(address, given) : []));
}

async function sendAll(address, { csrf }) {
  const waiting = (await entries()).filter(([, entry]) => !entry.refused);
  waiting.sort(([, one], [, other]) => other.stop - one.stop); // what stops somebody goes first
  const receipts = [];
  for (const [number, entry] of waiting) {
    const receipt = await sendOne(address, csrf, entry);
    if (!receipt) break;
    if (receipt.taken) await remove(number);
    else await change(number, { ...entry, refused: receipt.because });
    receipts.push(receipt);
  }
  return receipts;
}

async function sendOne(address, csrf, { id, fields, noted, zone }) {
  const body = new URLSearchParams([...fields, ["noted_at", noted], ["zone", zone]]);
  try {
    const options = { method: "POST", body, headers: { "X-CSRFToken": csrf }, signal: AbortSignal.timeout(PATIENCE) };
    const receipt = await (await fetch(address, options)).json();
    return receipt.id === id && (receipt.taken === true || receipt.because?.length) ? receipt : null;
  } catch {
    return null;
  }
}
