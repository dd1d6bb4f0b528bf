// A report, screen by screen: which comes next follows from the draft alone. The draft is kept, sealed, at every tap, so
// that a page that is closed or killed goes on where it was; once the report is kept it is gone.
import { put, take } from "./base.js";
import { moment } from "./clock.js";
import { keep } from "./outbox.js";
import { askObserver, askTyped, askWho, forget, observing, sentObserver, sentWho } from "./people.js";
import { atWorst, choiceOf, number, sent, stillOpen, UNKNOWN } from "./questions.js";
import { choice, clock, numbers, part, show, told, word } from "./screen.js";
import { current, reported } from "./underway.js";

const MINUTE = 60_000;
const EARLIER = [0, 5, 15, 30, 60, 120, 240];

let pack;
let draft = null;
let leave; // what is done when it is kept, or thrown away: (kept | null) => ...

/** Goes on with the draft that was being written here, if there is one. */
export async function resume(given, after) {
  [pack, leave] = [given, after];
  draft = await take("draft");
  if (draft) again();
  return Boolean(draft);
}

export const isWriting = () => draft !== null;

/** Goes on where it was; who observes may be somebody else by now. */
export function again() {
  const [name] = draft.path.at(-1).split(" ");
  return observing() || ["aid", "observe"].includes(name) ? screen() : go("observe");
}

/** `event`: the id of the report that this one stands beside. */
export function begin(given, after, { drill = false, emergency = null, event = null } = {}) {
  forget();
  write(given, after, { drill, event });
  if (emergency) meet(emergency);
  else go();
}

/** About a mark of the removal under way: its id, moment and step are the report's, and what was said is not asked. */
export function beginFrom(given, after, { id, at, step, failure, aidBegun }, { id: removal, who: somebody, drill }) {
  const what = failure ?? null;
  write(given, after, { id, begun: at, drill, who: somebody, what, mark: { step, removal } });
  if (aidBegun) [draft.aid, draft.aidFor] = [[cardOf(what).code], what];
  go();
}

function write(given, after, told) {
  [pack, leave] = [given, after];
  draft = {
    id: crypto.randomUUID(), begun: moment(), ago: 0, drill: false, event: null, who: null, what: null, case: undefined,
    phase: "removal", answers: {}, aid: null, aidFor: null, anyone: null, note: "", path: [], mark: null, ...told,
  };
}

function go(to = null) {
  draft.path.push(to ?? next());
  return screen();
}

function back() {
  draft.path.pop();
  if (draft.path.length) screen();
  else finish(null);
}

function next() {
  const card = cardOf(draft.what);
  if (card && draft.aidFor !== draft.what) return "aid";
  if (!observing()) return "observe";
  if (!draft.who) return "who";
  if (draft.case === undefined && pack.choices.length > 1) return "case";
  if (!draft.what) return "groups";
  return open().length ? `fact ${open()[0].name}` : "review";
}

const failure = (code) => pack.failures.find((one) => one.code === code);
const cardOf = (code) => pack.cards.find((card) => card.code === failure(code)?.card);
const ruling = () => choiceOf(pack, draft.case);
const answers = () => ({ ...implied(), ...draft.answers });
const open = () => stillOpen(ruling(), answers());

/** What the failure type says already, where it is asked at all and has that answer. */
function implied() {
  const offers = ([name, code]) => ruling().facts.some((fact) => (
    fact.name === name && fact.answers?.some((one) => one.code === code)
  ));
  return Object.fromEntries(Object.entries(failure(draft.what)?.answers ?? {}).filter(offers));
}

function screen() {
  const [name, ...rest] = draft.path.at(-1).split(" ");
  const kept = put("draft", draft);
  ({ observe, who, typed, case: whichCase, groups, group, aid, fact, when, phase, review })[name](rest.join(" "));
  return kept;
}

function page(name, fill = {}, deeds = {}) {
  const main = show(name, fill, { back, ...deeds });
  numbers(main, pack.site);
  if (name !== "aid") main.append(foot());
  return main;
}

/** The four emergencies, one tap from every screen. */
export function foot(given = pack, meeting = meet) {
  const made = part("emergencies");
  const place = made.querySelector("[data-list]");
  place.append(...given.emergencies.map((one) => choice(told(one.label), () => meeting(one.code))));
  return made;
}

function meet(code) {
  draft.what = pack.emergencies.find((one) => one.code === code).failures[0];
  draft.aidFor = null;
  go("aid");
}

const observe = () => askObserver(page, () => go());
const who = () => askWho(page, pack, draft.who, { named, type: (kind) => go(`typed ${kind}`) });
const typed = (kind) => askTyped(page, pack, kind, draft.who, named);

function named(somebody) {
  draft.who = somebody;
  go();
}

function whichCase() {
  const codes = pack.choices.map((one) => one.case).filter(Boolean);
  page("case").querySelector("[data-list]").append(
    ...codes.map((code) => choice(code, () => { draft.case = code; go(); }, draft.case === code)),
    choice(word("unknown"), () => { draft.case = null; go(); }, draft.case === null),
  );
}

function groups() {
  const filled = pack.groups.filter(({ code }) => code === "other" || pack.failures.some((one) => one.group === code));
  page("groups").querySelector("[data-list]").append(
    ...filled.map(({ code, label }) => choice(told(label), () => go(`group ${code}`))),
  );
}

function group(code) {
  const label = pack.groups.find((one) => one.code === code).label;
  const own = pack.failures.filter((one) => one.group === code);
  const main = page("group", { title: told(label) });
  main.querySelector("[data-list]").append(
    ...own.map((one) => choice(told(one.label), () => { draft.what = one.code; go(); }, draft.what === one.code)),
    ...(code === "other" ? [choice(word("something_else"), () => { draft.what = "other"; go(); })] : []),
  );
}

function aid() {
  const card = cardOf(draft.what);
  const done = (codes) => {
    [draft.aid, draft.aidFor] = [codes, draft.what];
    go();
  };
  const main = page("aid", {
    title: told(card.title), failure: told(failure(draft.what).label), collapse: card.emergency === "collapse",
    drill: draft.drill,
  }, {
    done: () => done([card.code]), not: () => done([]),
  });
  main.querySelector("ol").append(...card.lines.map((line) => {
    const item = document.createElement("li");
    item.textContent = told(line);
    return item;
  }));
  const alike = pack.emergencies.find((one) => one.code === card.emergency)?.failures ?? [];
  main.querySelector("[data-list]").append(...alike.filter((code) => failure(code).card !== card.code).map((code) => choice(
    word("it_was", { failure: told(failure(code).label) }), () => { draft.what = code; go("aid"); },
  )));
}

function fact(name) {
  const asked = ruling().facts.find((one) => one.name === name);
  const answer = (code) => { draft.answers[name] = code; go(); };
  const main = page("fact", { title: told(asked.ask), unit: asked.unit ?? "", measured: !asked.answers }, {
    on: () => {
      const text = main.querySelector("input").value;
      const wrong = number(text) === null;
      main.querySelector("[data-wrong]").hidden = !wrong;
      if (!wrong) answer(text.trim());
    },
    last: () => go("review"),
  });
  main.querySelector("[data-list]").append(
    ...(asked.answers ?? []).map((one) => choice(told(one.label), () => answer(one.code), draft.answers[name] === one.code)),
    choice(word("unknown"), () => answer(UNKNOWN), draft.answers[name] === UNKNOWN),
  );
}

function when() {
  page("when").querySelector("[data-list]").append(
    ...EARLIER.map((minutes) => choice(ago(minutes), () => { draft.ago = minutes * MINUTE; go("review"); })),
    choice(word("long_ago"), () => { draft.ago = null; go("review"); }),
  );
}

function ago(minutes) {
  if (!minutes) return word("just_now");
  return minutes < 60 ? word("minutes_ago", { count: minutes }) : word("hours_ago", { count: minutes / 60 });
}

function phase() {
  page("phase").querySelector("[data-list]").append(...pack.phases.map((one) => choice(
    told(one.label), () => { draft.phase = one.code; go("review"); }, draft.phase === one.code,
  )));
}

function review() {
  const main = page("review", { drill: draft.drill, timed: !draft.mark }, {
    when: () => go("when"), phase: () => go("phase"), who: () => go("who"), what: () => go("groups"),
    keep: () => store(main), discard: (event) => discard(event.currentTarget),
  });
  const line = (text, words) => main.querySelector("dl").append(part("line", { text, words }));
  line(word("who"), draft.who?.words ?? word("nobody"));
  line(word("what"), draft.what === "other" ? word("something_else") : told(failure(draft.what).label));
  line(word("when"), inTime());
  line(word("where"), [pack.station.name, told(pack.phases.find((one) => one.code === draft.phase).label)].join(", "));
  if (draft.aid) line(word("first_aid"), draft.aid.length ? word("aid_done") : word("aid_not"));
  for (const asked of ruling().facts.filter(({ name }) => name in answers())) line(told(asked.ask), inWords(asked));
  const anyone = main.querySelector("[data-list]");
  for (const code of ["yes", "no", "unknown"]) {
    anyone.append(choice(word(code), ({ currentTarget }) => {
      draft.anyone = code;
      for (const one of anyone.children) one.classList.toggle("chosen", one === currentTarget);
    }, draft.anyone === code));
  }
  const note = main.querySelector("textarea");
  note.value = draft.note;
  note.addEventListener("change", () => { draft.note = note.value; put("draft", draft); });
}

/** A mark has its tap's own time. */
function inTime() {
  if (draft.mark) return clock(draft.begun.right, pack.site.zone);
  return draft.ago === null ? word("long_ago") : ago(draft.ago / MINUTE);
}

function inWords({ name, answers: offered, unit }) {
  const answer = answers()[name];
  if (answer === UNKNOWN) return word("unknown");
  return offered ? told(offered.find((one) => one.code === answer).label) : `${answer} ${unit}`;
}

/** Once: whatever is tapped twice, or after the page was killed, is the same report. */
let storing = false;
async function store(main) {
  if (storing) return;
  storing = true;
  draft.note = main.querySelector("textarea").value;
  const { id, anyone } = draft;
  const urgent = !draft.drill && (draft.who?.kind !== "listed" || atWorst(ruling(), answers()));
  try {
    const { puts, said } = await reported(id);
    const reference = await keep(body(), { sealFor: pack.seal_for, urgent, puts });
    said();
    finish({ id, reference, urgent, event: anyone === "yes" ? draft.event ?? id : null, drill: draft.drill });
  } catch {
    main.querySelector("[data-failed]").hidden = false;
  } finally {
    storing = false;
  }
}

function body() {
  const { begun, mark } = draft;
  const moved = (text) => new Date(Date.parse(text) - draft.ago).toISOString();
  return {
    submission_id: draft.id,
    station: pack.station.code,
    ...sentWho(draft.who),
    ...(mark ?? {}),
    ...(draft.ago === null ? {} : { occurred_at: moved(begun.right) }),
    device_clock: { at: begun.at, offset_ms: begun.offset_ms },
    ...(draft.case ? { case: draft.case } : {}),
    ...(draft.event ? { event: draft.event } : {}),
    phase: draft.phase,
    drill: draft.drill,
    what_happened: draft.what,
    criteria_version: ruling().version,
    facts: sent(ruling(), answers()),
    ...(draft.aid ? { first_aid: draft.aid } : {}),
    narrative: draft.note,
    ...sentObserver(),
  };
}

/** Two taps: the first asks. */
function discard(button) {
  if (button.dataset.sure) finish(null);
  else [button.dataset.sure, button.textContent] = ["yes", word("sure")];
}

function finish(kept) {
  draft = null;
  if (!current()) forget(); // during a removal the same person goes on observing
  leave(kept);
}
