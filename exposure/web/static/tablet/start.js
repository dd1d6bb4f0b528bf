// A removal starts: which protocol, real or drill, who, who watches; one tap each. Nothing of it is kept before its first
// step.
import { numbers, choice, show, told, word } from "./screen.js";
import { askObserver, askTyped, askWho, forget } from "./people.js";
import { foot } from "./report.js";
import { begin, save } from "./underway.js";

let pack;
let chosen;
let path;
let deeds;

/** `emergency`: what is done with one that is tapped meanwhile. */
export function start(given, { begun, left, emergency }) {
  [pack, chosen, path, deeds] = [given, {}, [], { begun, left, emergency }];
  forget();
  if (pack.protocols.length === 1) [chosen.protocol] = pack.protocols;
  go();
}

function next() {
  if (!chosen.protocol) return "protocol";
  if (chosen.drill === undefined) return "drill";
  if (!chosen.who) return "who";
  if (!chosen.watched) return "watched";
  return "observe";
}

function go(to = next()) {
  path.push(to);
  screen();
}

function back() {
  path.pop();
  if (path.length) screen();
  else deeds.left();
}

function screen() {
  const [name, kind] = path.at(-1).split(" ");
  const take = (what) => (value) => { chosen[what] = value; go(); };
  const offer = (title, offers, deed) => page("choose", { title: word(title) }).querySelector("[data-list]")
    .append(...offers.map(([words, value]) => choice(words, () => deed(value))));
  ({
    protocol: () => offer("which_protocol", pack.protocols.map((one) => [told(one.title), one]), take("protocol")),
    drill: () => offer("real_or_drill", [[word("real"), false], [word("a_drill"), true]], take("drill")),
    who: () => askWho(page, pack, chosen.who, { named: take("who"), type: (by) => go(`typed ${by}`) }),
    typed: () => askTyped(page, pack, kind, chosen.who, take("who")),
    watched: () => offer("who_watches", pack.watched.map(({ code, label }) => [told(label), code]), (code) => {
      chosen.watched = code;
      if (code === "nobody") started();
      else go();
    }),
    observe: () => askObserver(page, started),
  })[name]();
}

function page(name, fill = {}, own = {}) {
  const main = show(name, fill, { back, ...own });
  numbers(main, pack.site);
  main.append(foot(pack, deeds.emergency));
  return main;
}

function started() {
  begin({ ...chosen, station: pack.station.code });
  save().catch(() => { document.querySelector("#unkept").hidden = false; });
  deeds.begun();
}
