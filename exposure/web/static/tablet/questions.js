// Which questions can still matter, and whether the worst is still possible: as the service's pages ask them
// (exposure.web.observer.questions), from the station's pack.
import { classify } from "../js/criteria.js";

export const UNKNOWN = "?";

/** Of the pack's choices the one that these answers are read by: the case chosen, else all that are open. */
export function choiceOf(pack, code) {
  return pack.choices.find((one) => code && one.case === code) ?? pack.choices.at(-1);
}

/** Facts about the event that are not asked yet and can still change something, most decisive first. */
export function stillOpen(choice, answers) {
  const verdicts = judged(choice, answers);
  if (verdicts.includes(null)) return [];
  const names = new Set(verdicts.flatMap((verdict) => verdict.open_questions));
  return [...names].map((name) => choice.facts.find((fact) => fact.name === name))
    .filter((fact) => fact && !(fact.name in answers));
}

/** Whether occupational health is to be rung at once: the highest tier is still possible, or nobody can say. */
export function atWorst(choice, answers) {
  return !choice.criteria.length || judged(choice, answers).some((verdict, at) => (
    !verdict || Number(verdict.ceiling) === choice.criteria[at].compiled.tiers.length - 1
  ));
}

/** A verdict for each of the criteria; null where the answers cannot all be true. */
function judged(choice, answers) {
  return choice.criteria.map(({ compiled, stated }) => {
    try {
      return classify(compiled, readable(compiled, { ...known(choice, answers), ...stated }));
    } catch {
      return null;
    }
  });
}

/** As the report sends them: what was asked and nobody knew is null. */
export function sent(choice, answers) {
  const asked = Object.entries(answers).filter(([, answer]) => answer === UNKNOWN).map(([name]) => [name, null]);
  return { ...Object.fromEntries(asked), ...known(choice, answers) };
}

function known(choice, answers) {
  const found = {};
  for (const [name, answer] of Object.entries(answers)) {
    if (answer === "" || answer === UNKNOWN) continue;
    const fact = choice.facts.find((one) => one.name === name);
    const measure = fact && !fact.answers ? number(answer) : null;
    found[name] = measure ?? answer;
  }
  return found;
}

/** The number that was typed, a decimal comma taken too; null where it is none. */
export function number(typed) {
  const text = String(typed).trim().replace(",", ".");
  return /^[+-]?(\d+\.?\d*|\.\d+)$/.test(text) ? Number(text) : null;
}

/** The answers that these criteria can read. */
function readable(compiled, answers) {
  return Object.fromEntries(Object.entries(answers).filter(([name, answer]) => {
    const fact = compiled.facts.find((one) => one.name === name);
    if (!fact) return false;
    return fact.answers ? fact.answers.some(({ code }) => code === answer) : typeof answer === "number";
  }));
}
