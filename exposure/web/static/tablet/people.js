// Who took equipment off, and who observes: asked for a report and for a removal alike.
import { choice, word } from "./screen.js";

let observer = null; // who says that they observe: never kept, forgotten with every cover

export const observing = () => observer;
export const forget = () => { observer = null; };

/** By badge and digits, which the service checks once it has what was noted; without, it goes all the same. */
export function askObserver(page, said) {
  const done = (somebody) => { observer = somebody; said(); };
  const main = page("observe", {}, {
    on: () => {
      const [badge, digits] = [...main.querySelectorAll("input")].map((field) => field.value.trim());
      done(badge ? { badge, ...(digits ? { digits } : {}) } : {});
    },
    without: () => done({}),
  });
  main.querySelector("input").value = observer?.badge ?? "";
}

/** `chosen`: who was chosen before. `named`: what is done with {kind, id, text, words}; `type`: with the kind to type. */
export function askWho(page, pack, chosen, { named, type }) {
  const main = page("who", {}, {
    number: () => type("number"), name: () => type("name"), nobody: () => named({ kind: "nobody" }),
  });
  main.querySelector("[data-list]").append(...pack.people.map((one) => choice(
    shown(one) || word("elsewhere"), () => named(listed(one)), chosen?.id === one.id,
  )));
}

export function askTyped(page, pack, kind, chosen, named) {
  const main = page("typed", { label: word(kind) }, {
    on: () => {
      const text = main.querySelector("input").value.trim();
      const known = kind === "number" && pack.people.find((one) => one.number.toLowerCase() === text.toLowerCase());
      if (known) named(listed(known));
      else named(text ? { kind, text, words: text } : { kind: "nobody" });
    },
  });
  main.querySelector("input").value = chosen?.kind === kind ? chosen.text : "";
}

/** As a report or a removal names somebody. */
export function sentWho(somebody) {
  const worker = { listed: somebody?.id, number: somebody?.text }[somebody?.kind];
  return {
    ...(worker ? { worker } : {}),
    ...(somebody?.kind === "name" ? { person: { name: somebody.text } } : {}),
  };
}

export const sentObserver = () => (observer?.badge ? { observer } : {});

const shown = ({ name, number }) => [name, number].filter(Boolean).join(", ");
const listed = (one) => ({ kind: "listed", id: one.id, words: shown(one) });
