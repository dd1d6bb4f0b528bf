// The right moment on a tablet whose own clock is wrong: by how much it is behind the service's is learnt from every
// answer and kept. A clock that somebody sets back while the page is open is noticed against the page's own running
// time; one that is set forward cannot be told from a tablet that slept, and the service notices it (`sent_at`).
import { drop, put, take } from "./base.js";

let offset = 0;
let known = false;
let mark = reading();

function reading() {
  return { clock: Date.now(), running: performance.now() };
}

export async function remembered() {
  const kept = await take("clock");
  if (kept) [offset, known] = [kept.offset, true];
  return known;
}

/** `theirs`: the service's clock in milliseconds, asked at `asked` by ours. */
export async function learn(theirs, asked) {
  if (!Number.isFinite(theirs) || theirs <= 0) return;
  const learnt = Math.round(theirs - (asked + Date.now()) / 2);
  const changed = !known || Math.abs(learnt - offset) > 1000;
  [offset, known, mark] = [learnt, true, reading()];
  if (changed) await put("clock", { offset });
}

/** {at: by the tablet's own clock, offset_ms: to add to it, right: the right moment}, in RFC 3339. */
export function moment(ago = 0) {
  const now = reading();
  const back = (now.running - mark.running) - (now.clock - mark.clock);
  if (back > 60_000) offset += Math.round(back);
  mark = now;
  const at = now.clock - ago;
  return { at: new Date(at).toISOString(), offset_ms: offset, right: new Date(at + offset).toISOString() };
}

export function forget() {
  known = false;
  return drop("clock");
}
