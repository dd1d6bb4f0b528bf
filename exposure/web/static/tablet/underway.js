// The removal under way: what is noted of it, kept sealed by the tablet's own key at every tap, so that a page that is
// closed or killed goes on where it was; and what is sent of it once it is over.
import { put, take } from "./base.js";
import { moment } from "./clock.js";
import { sentObserver, sentWho } from "./people.js";
import { reference } from "./reference.js";

const UNFINISHED = 30 * 60_000; // then a mark is sent as it stands, as from the service's pages

let removal = null;
let closing = false; // it is being sealed for the service: nothing is kept of it here any more

export const current = () => removal;
export const save = () => (closing ? Promise.resolve() : put("removal", removal));

/** Does `work`, by which it is sealed and forgotten here; where that fails it stands as it stood. */
export async function close(work) {
  closing = true;
  try {
    await work();
    removal = null;
  } finally {
    closing = false;
  }
}

export async function taken() {
  removal = await take("removal");
  return removal;
}

/** `protocol`: of the pack, kept as it is now: its steps do not change under somebody's hands. */
export function begin({ protocol, who, drill, watched, station }) {
  removal = {
    id: crypto.randomUUID(), station, protocol, who, drill, watched, began: moment(), position: 1, paused: null,
    wayOut: null, finished: null, marks: [], on: ["step"],
  };
}

export const step = (position = removal.position) => removal.protocol.steps[position - 1];
export const count = () => removal.protocol.steps.length;

/** The positions before and after: of all steps, or of those of the shortest safe way out; null where there is none. */
export function neighbours() {
  const path = removal.protocol.steps.map((_, at) => at + 1)
    .filter((at) => !removal.wayOut || step(at).way_out || at === removal.position);
  const place = path.indexOf(removal.position);
  return { before: path[place - 1] ?? null, after: path[place + 1] ?? null };
}

/** From here by the shortest safe way, or back to all steps; a pause is over. */
export function takeWayOut(out) {
  removal.wayOut = out ? moment().right : null;
  if (!out) return;
  removal.paused = null;
  const ahead = removal.protocol.steps.findIndex(({ way_out: safe }, at) => safe && at + 1 >= removal.position);
  if (ahead >= 0) removal.position = ahead + 1;
}

/** The one tap: step and moment, before anything is asked. */
export function mark(failure = null) {
  const made = {
    id: crypto.randomUUID(), step: step().code, position: removal.position, at: moment(), failure, aidBegun: null,
    noContact: null, certain: false, reported: null,
  };
  removal.marks.push(made);
  return made;
}

export const markWith = (id) => removal.marks.find((one) => one.id === id);
export const open = () => removal.marks.filter(({ noContact, reported: name }) => !noContact && !name);
export const noted = () => removal.marks.filter(({ noContact, reported: name }) => noContact || name);

/** Marks that waited too long for their answer. */
export function unfinished() {
  const now = Date.parse(moment().right);
  return removal && !closing ? open().filter(({ at }) => now - Date.parse(at.right) >= UNFINISHED) : [];
}

/** What is kept together with the report of that id, if it is of a mark: the removal in which it is reported; and, once
it is kept, what is said here. */
export async function reported(id) {
  const name = await reference(id);
  if (!removal || !markWith(id)) return { puts: () => ({}), said: () => {} };
  const told = (one) => (one.id === id ? { ...one, reported: name } : one);
  return {
    puts: () => (removal && !closing ? { removal: { ...removal, marks: removal.marks.map(told) } } : {}),
    said: () => { // what was tapped meanwhile stays
      const own = removal && markWith(id);
      if (own) own.reported = name;
      return own && save();
    },
  };
}

/** A mark as it stands: what nobody answered is unknown. */
export function asItStands({ id, step: code, at, failure }) {
  return {
    submission_id: id,
    station: removal.station,
    ...sentWho(removal.who),
    occurred_at: at.right,
    device_clock: { at: at.at, offset_ms: at.offset_ms },
    phase: "removal",
    drill: removal.drill,
    step: code,
    removal: removal.id,
    ...(failure ? { what_happened: failure } : {}),
    facts: {},
    ...sentObserver(),
  };
}

/** As the service reads it (exposure.report.sent_removal). */
export function body() {
  const { id, station, protocol, who, drill, watched, began, position, paused, wayOut, finished, marks } = removal;
  return {
    submission_id: id,
    kind: "removal",
    station,
    protocol: protocol.code,
    ...sentWho(who),
    drill,
    watched,
    started_at: began.right,
    finished_at: finished,
    paused_at: finished ? null : paused,
    way_out_at: wayOut,
    at_step: position,
    device_clock: { at: began.at, offset_ms: began.offset_ms },
    marks: marks.map((one) => ({
      id: one.id, step: one.step, at: one.at.right, failure: one.failure, no_contact_at: one.noContact,
      certain: one.certain, aid_begun_at: one.aidBegun,
    })),
    ...sentObserver(),
  };
}
