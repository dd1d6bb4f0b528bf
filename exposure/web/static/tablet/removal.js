// A removal, step by step, as on the service's pages: every tap counts for the step that was on the screen, whatever
// goes wrong is one tap, and the questions come when the worker is out.
import { countdown } from "../js/countdown.js";
import { moment } from "./clock.js";
import { keep } from "./outbox.js";
import { askObserver, forget, observing } from "./people.js";
import { beginFrom, isWriting } from "./report.js";
import { choice, clock, numbers, part, show, told, word } from "./screen.js";
import { signal, stayAwake } from "./signals.js";
import {
  asItStands, body, close, count, current, mark, markWith, neighbours, noted, open, reported, save, step, takeWayOut,
  unfinished,
} from "./underway.js";

let pack;
let kept; // what is done when a report of it is kept, or thrown away
let leave; // what is done when the removal is over
let finishing = false;

export function ready(given, { afterReport, after }) {
  [pack, kept, leave] = [given, afterReport, after];
}

/** Goes on where it was. */
export function again() {
  stayAwake(true);
  const [name, id] = current().on;
  const own = id && markWith(id);
  if (own && (name === "aid" || !own.reported)) ({ wrong, aid, sure })[name](own);
  else if (!current().finished) stand();
  else if (open().length) question(open()[0]);
  else finished();
}

function go(name, id = null) {
  current().on = [name, id];
  save().catch(() => { document.querySelector("#unkept").hidden = false; });
  again();
}

/** `meeting`: what an emergency does that is tapped there. */
function page(name, fill = {}, deeds = {}, meeting = note) {
  const main = show(name, fill, deeds, { guided: true });
  numbers(main, pack.site);
  main.prepend(where(name === "step"));
  main.querySelector("[data-emergencies]")?.replaceWith(emergencies(meeting));
  return main;
}

function where(onStep) {
  const { who, protocol, drill, watched, position } = current();
  const somebody = who?.words ?? word("not_named");
  const how = [
    told(protocol.title), ...(drill ? [word("drill")] : []),
    ...(watched === "observer" ? [] : [told(pack.watched.find(({ code }) => code === watched).shown)]),
  ];
  return part("where", {
    who: who?.kind === "name" ? `${somebody} (${word("not_listed")})` : somebody,
    how: how.join(" · "),
    step: onStep ? word("step_of", { position, count: count() }) : "",
  });
}

/** One tap each; what that means is, of the failures behind it, the one that is usual at most steps of this protocol. */
function emergencies(meeting) {
  const made = part("emergencies");
  const usual = (code) => current().protocol.steps.filter((one) => one.usual.includes(code)).length;
  made.querySelector("[data-list]").append(...pack.emergencies.map((one) => choice(told(one.label), () => {
    const [likeliest] = one.failures.toSorted((first, second) => usual(second) - usual(first));
    meeting(likeliest);
  })));
  return made;
}

const failure = (code) => pack.failures.find((one) => one.code === code);
const cardOf = (code) => pack.cards.find((card) => card.code === failure(code)?.card);
const labelOf = ({ failure: code }) => (code ? told(failure(code).label) : "");
const atClock = (instant) => clock(instant, pack.site.zone);
const place = ({ at, position }) => word("at_step", {
  time: atClock(at.right), position, item: told(step(position).item),
});

function stand() {
  const { position, paused, wayOut, marks } = current();
  const { before, after } = neighbours();
  // A tap made for another step than the one that stands now does nothing.
  const here = (deed) => () => {
    if (current()?.position !== position || current().finished) return;
    deed();
    go("step");
  };
  const to = (next) => here(() => { current().position = next; });
  const isOut = here(() => { [current().finished, current().paused] = [moment().right, null]; });
  const main = page("step", {
    item: told(step().item), action: paused ? word("paused", { time: atClock(paused) }) : told(step().action),
    done: word(after ? "done" : "done_out"), goes: !paused, paused, wayOut, whole: wayOut, before,
    out: !wayOut && current().protocol.steps.some(({ way_out: safe }) => safe),
    ends: after, end: word(open().length ? "end_here" : "nothing_seen"),
    noted: marks.length ? word("noted", { count: marks.length }) : "",
    usual: step().usual.map((code) => told(failure(code).label)).join("; "),
  }, {
    done: after ? to(after) : isOut, back: to(before), end: isOut,
    wrong: () => note(),
    pause: here(() => { current().paused = moment().right; }), on: here(() => { current().paused = null; }),
    out: here(() => takeWayOut(true)), whole: here(() => takeWayOut(false)),
  });
  return main;
}

/** Noted first, at the moment of the tap; whatever is asked comes after. */
export function note(code = null) {
  const own = mark(code);
  signal();
  go(code && cardOf(code) ? "aid" : "wrong", own.id);
}

function wrong(own) {
  const main = page("wrong", { place: place(own) }, { else: () => go("step") }, (code) => named(own, code));
  const usual = step(own.position).usual.map(failure);
  main.querySelector("[data-list]").append(...usual.map(({ code, label }) => choice(told(label), () => named(own, code))));
}

function named(own, code) {
  own.failure = code;
  go(cardOf(code) ? "aid" : "step", cardOf(code) ? own.id : null);
}

function aid(own) {
  const card = cardOf(own.failure);
  const begun = own.aidBegun;
  const main = page("guided-aid", {
    place: place(own), failure: labelOf(own), title: told(card.title), collapse: card.emergency === "collapse",
    drill: current().drill, begin: card.minutes && !begun, begun,
    start: word("rinse", { minutes: card.minutes ?? 0 }),
    until: begun ? word("until", { minutes: card.minutes, time: atClock(Date.parse(begun) + card.minutes * 60_000) }) : "",
    begun_at: begun ? word("begun_at", { begun: atClock(begun) }) : "",
  }, {
    begin: () => { own.aidBegun = moment().right; go("aid", own.id); },
    back: () => go("step"), else: () => go("wrong", own.id),
  });
  main.querySelector("ol").append(...card.lines.map((line) => {
    const item = document.createElement("li");
    item.textContent = told(line);
    return item;
  }));
  if (begun) {
    const timer = main.querySelector(".timer");
    const gone = (Date.parse(moment().right) - Date.parse(begun)) / 1000;
    timer.dataset.left = Math.max(0, card.minutes * 60 - gone);
    countdown(timer, () => { if (timer.isConnected) signal(3); });
  }
  const alike = pack.emergencies.find((one) => one.code === card.emergency)?.failures ?? [];
  main.querySelector("[data-list]").append(...alike.filter((code) => failure(code).card !== card.code).map((code) => choice(
    word("it_was", { failure: told(failure(code).label) }), () => named(own, code),
  )));
}

// The worker is out

function question(own) {
  const report = () => beginFrom(pack, kept, own, current());
  const main = page("question", {
    place: place(own), failure: labelOf(own), more: open().length > 1 ? word("to_answer", { count: open().length }) : "",
  }, {
    report, notOut,
    no: () => { if (failure(own.failure)?.bloodborne) go("sure", own.id); else noContact(own); },
  });
  answered(main);
}

function sure(own) {
  page("sure", { place: place(own), title: word("certain", { failure: labelOf(own) }) }, {
    report: () => { current().on = ["step", null]; beginFrom(pack, kept, own, current()); },
    certain: () => { own.certain = true; noContact(own); },
  });
}

function noContact(own) {
  own.noContact = moment().right;
  go("step");
}

function notOut() {
  current().finished = null;
  go("step");
}

function finished() {
  const main = page("finished", { nothing: !current().marks.length }, { notOut, done: () => finish() });
  answered(main);
}

/** What is answered already; “no contact” can be taken back. */
function answered(main) {
  const list = main.querySelector("[data-noted]");
  list.hidden = !noted().length;
  list.append(...noted().map((own) => part("answered", {
    what: `${place(own)}: ${labelOf(own) || word("went_wrong")}`,
    how: own.reported ? word("reported", { reference: own.reported }) : word("no_contact"), undo: !own.reported,
  }, {
    undo: () => { [own.noContact, own.certain] = [null, false]; go("step"); },
  })));
}

/** Seals it for the service and forgets it here, both or neither. Who observed is asked once more where it is not known
any more and somebody is there to say so. */
export async function finish({ asks = true } = {}) {
  if (finishing) return;
  const watches = current().watched !== "nobody";
  if (asks && watches && !observing()) {
    askObserver((name, fill, deeds) => show(name, fill, { ...deeds, back: again }, { guided: true }), finish);
    return;
  }
  const main = document.querySelector("#main");
  [finishing, main.inert] = [true, true];
  try {
    const after = current().marks.filter((own) => own.reported).map(({ id }) => id);
    await close(() => keep(body(), { sealFor: pack.seal_for, after, forgets: ["removal"] }));
    forget();
    stayAwake(false);
    leave();
  } catch {
    again();
    main.querySelector("[data-failed]")?.removeAttribute("hidden");
  } finally {
    [finishing, main.inert] = [false, false];
  }
}

/** Sends the marks that waited too long as they stand; whoever is at something else goes on with it. */
export async function sendUnfinished() {
  for (const own of unfinished()) {
    try {
      const { puts, said } = await reported(own.id);
      await keep(asItStands(own), { sealFor: pack.seal_for, urgent: !current().drill, forgets: [], puts });
      said();
    } catch {
      return; // it could not be kept: again, the next time
    }
    const [name, id] = current().on;
    const asked = current().finished || (id === own.id && name !== "aid");
    if (asked && !isWriting() && document.body.classList.contains("guided")) again();
  }
}
