// The station's page: enrolled once, ready without a network, sends what it kept by itself. Nothing of a report that was
// kept can be reached here any more but its reference, until it has been sent; of a removal nothing once it is over.
import { drop } from "./base.js";
import { moment, remembered } from "./clock.js";
import { drain, enrol, packed, remove, renew, spoken, unsent } from "./outbox.js";
import { forget } from "./people.js";
import * as removal from "./removal.js";
import { again, begin, foot, isWriting, resume } from "./report.js";
import { numbers, part, show, told, when, word } from "./screen.js";
import * as signals from "./signals.js";
import { start as startRemoval } from "./start.js";
import { current, open, taken } from "./underway.js";

const LOOK = 15_000;
const RENEW = 300_000;
const FORM = 2; // of the pack, since when its steps have what a removal needs
// Local choices: so long untouched, and the screen is covered, and nothing is thrown away; during a removal, where a step
// may take its time, later; one that nobody ended is sent as it stands.
const IDLE = 180_000;
const IDLE_UNDER_WAY = 15 * 60_000;
const ABANDONED = 4 * 3600_000;
const ON_PAPER = 15 * 60_000; // urgent, and not sent for so long: by telephone, from the paper code

let pack = null;
let shut = false; // the service knows this tablet's key no longer
let last = null; // of the report that was kept last, while its reference is shown
let touched = Date.now();

async function start() {
  await remembered();
  registered();
  pack = await packed(); // at once: a slow network is waited for by nobody
  await Promise.all([taken(), signals.remembered()]);
  readied();
  if (!pack) setUp();
  else if (!await resume(pack, kept)) onward();
  renewing();
  told_of_storage();
  look();
  for (const name of ["online", "focus"]) addEventListener(name, look);
  setInterval(look, LOOK);
  setInterval(renewing, RENEW);
  for (const name of ["pointerdown", "keydown"]) addEventListener(name, () => { touched = Date.now(); });
  setInterval(cover, 5000);
  document.querySelector("#unsent").addEventListener("click", () => {
    if (pack && !document.body.classList.contains("guided")) waiting();
  });
}

/** To where one was: the removal under way, else the start. */
function onward() {
  if (current()) removal.again();
  else home();
}

function readied() {
  removal.ready(pack, { afterReport: kept, after: () => { if (!isWriting()) home({ over: true }); } });
}

async function registered() {
  try {
    await navigator.serviceWorker.register("/station/worker.js", { scope: "/station/" });
  } catch { /* without it a page that is open still works */ }
}

async function renewing() {
  if (!pack) return;
  const got = await renew();
  if (got.pack) pack = got.pack;
  readied();
  shut = got.shut;
  document.querySelector("#shut").hidden = !shut;
}

async function told_of_storage() {
  const lasting = await navigator.storage?.persist?.().catch(() => false);
  const place = document.querySelector("#storage");
  place.textContent = word(lasting ? "lasting" : "may_be_cleared");
  place.hidden = false;
}

function setUp() {
  const main = show("setup", {}, {
    on: async () => {
      const field = main.querySelector("input");
      const words = main.querySelector("[data-wrong]");
      try {
        words.hidden = await enrol(field.value);
        words.textContent = word("wrong_key");
        field.value = "";
      } catch {
        [words.hidden, words.textContent] = [false, word("no_network")];
      }
      if (!words.hidden) return;
      [pack, shut] = [await packed(), false];
      readied();
      home();
    },
  });
}

function home({ over = false } = {}) {
  last = null;
  const emergency = (code) => begin(pack, kept, { emergency: code });
  const main = show("home", {
    station: pack.station.name, no_key: !pack.seal_for, over, guides: pack.form >= FORM && pack.protocols.length,
    signals: word(signals.isOn() ? "signals_on" : "signals_off"),
  }, {
    report: () => begin(pack, kept), drill: () => begin(pack, kept, { drill: true }), protocols,
    removal: () => startRemoval(pack, { begun: onward, left: home, emergency }),
    signals: () => { signals.turn(); home(); },
  });
  for (const button of main.querySelectorAll("[data-begins]")) button.disabled = !pack.seal_for;
  numbers(main, pack.site);
  main.append(foot(pack, emergency));
  look();
}

/** After a report: its reference and whether it is sent, and nothing else of it. */
function kept(report) {
  if (!report) {
    drop("draft").then(onward);
    return;
  }
  last = report;
  const main = show("kept", { reference: report.reference, ring: report.urgent, next: report.event }, {
    done: onward, next: () => begin(pack, kept, { event: report.event, drill: report.drill }),
  });
  numbers(main, pack.site);
  look();
}

/** Sends what waits, and says how it stands. */
async function look() {
  await removal.sendUnfinished();
  const { receipts, shut: now } = await drain();
  if (Object.keys(receipts).length || now) shut = now;
  const receipt = last && receipts[last.id];
  if (receipt && document.body.dataset.screen === "kept") {
    document.querySelector("#main h1").textContent = word("sent");
    document.querySelector("[data-kept-why]").hidden = true;
    if (receipt.ring_now && !last.drill) document.querySelector('#main [data-if="ring"]').hidden = false;
  }
  const items = await unsent();
  const count = document.querySelector("#unsent");
  count.hidden = !items.length;
  count.querySelector("b").textContent = items.length;
  document.querySelector("#shut").hidden = !shut;
  document.querySelector("#late").hidden = !items.some(isLate);
  if (document.body.dataset.screen === "waiting" && Object.keys(receipts).length) waiting();
}

function isLate({ urgent, since, refused }) {
  return urgent && (refused || Date.parse(moment().right) - Date.parse(since) > ON_PAPER);
}

/** What waits: references only. One that was refused stays until a person has seen to it. */
async function waiting() {
  const items = await unsent();
  const main = show("waiting", {}, {
    now: async () => {
      await drain({ all: true });
      waiting();
      look();
    },
    home: () => (isWriting() ? again() : onward()),
  });
  numbers(main, pack.site);
  main.querySelector("[data-list]").append(...items.map((item) => {
    const why = item.refused ? word("refused", { why: item.refused.words }) : word("since", { time: when(item.since, pack.site.zone) });
    const reference = item.what === "removal" ? word("a_removal") : item.reference;
    const row = part("item", { reference, why, refused: item.refused, late: isLate(item) }, {
      paper: () => paper(item),
      gone: async ({ currentTarget: button }) => {
        if (button.dataset.sure) {
          await remove(item.id);
          waiting();
          look();
        } else [button.dataset.sure, button.textContent] = ["yes", word("sure")];
      },
    });
    return row;
  }));
}

async function paper(item) {
  const lines = await spoken(item);
  const main = show("paper", { reference: item.reference }, { print: () => print(), back: waiting });
  numbers(main, pack.site);
  main.querySelector("ol").append(...lines.map((line) => {
    const row = document.createElement("li");
    row.textContent = line;
    return row;
  }));
}

function protocols() {
  const main = show("protocols", {}, { back: home });
  for (const one of pack.protocols) {
    const shown = part("protocol", { title: told(one.title) });
    shown.querySelector("ol").append(...one.steps.map((step) => part("step", { item: told(step.item), action: told(step.action) })));
    main.querySelector("[data-list]").append(shown);
  }
}

/** Whoever passes by reads nothing of a report or a removal that somebody left in the middle; it goes on with one tap.
What was answered to its end is sent, and what nobody came back to too. */
function cover() {
  const name = document.body.dataset.screen;
  const idle = Date.now() - touched;
  const answered = current()?.finished && !open().length && !isWriting();
  if (current() && idle >= (answered ? IDLE : ABANDONED)) removal.finish({ asks: false });
  const reading = document.body.classList.contains("guided") && !current()?.finished;
  if (idle < (reading ? IDLE_UNDER_WAY : IDLE) || name === "cover" || answered) return;
  forget();
  if (isWriting()) show("cover", { report: true }, { on: again });
  else if (current()) show("cover", { removal: true }, { on: onward }).append(foot(pack, removal.note));
  else if (["kept", "paper", "choose", "who", "typed", "observe"].includes(name)) home();
}

start();
