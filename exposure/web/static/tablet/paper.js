// A report as it can be read out over the telephone or printed, where it could not be sent: lines of 16 symbols, each
// with a check character that knows its line. It holds no name, no note and nothing about who observed: id, station, staff number, moment, what
// happened, answers. exposure.report.spoken reads it and says how it is made.
import { ALPHABET, check, digest, idBytes, symbols } from "./reference.js";

export const LETTERS = " abcdefghijklmnopqrstuvwxyz0123456789_-|=,.:/"; // the first ends the text
const EPOCH = Date.UTC(2020, 0, 1);
const IN_A_LINE = 16;

export async function block(body) {
  const text = speakable(body);
  const id = idBytes(body.submission_id);
  const hash = await digest(new Uint8Array([...id, ...new TextEncoder().encode(text)]));
  const letters = Array.from(text, (letter) => LETTERS.indexOf(letter));
  const bits = [...hash.slice(0, 2), ...id].map((byte) => byte.toString(2).padStart(8, "0")).join("")
    + letters.map((at) => at.toString(2).padStart(6, "0")).join("");
  const data = bits.match(/.{1,8}/g).map((eight) => parseInt(eight.padEnd(8, "0"), 2));
  const all = symbols(data);
  return Array.from({ length: Math.ceil(all.length / IN_A_LINE) }, (_, line) => {
    const own = all.slice(line * IN_A_LINE, (line + 1) * IN_A_LINE);
    const written = [...own.map((symbol) => ALPHABET[symbol]), ALPHABET[check([(line + 1) % 32, ...own])]].join("");
    return written.match(/.{1,4}/g).join(" ");
  });
}

/** station|worker|minutes|phase|drill|what happened|fact=code,fact:number,...; what cannot be spoken is left unknown. */
function speakable(body) {
  const minutes = Math.round((Date.parse(body.occurred_at) - EPOCH) / 60_000);
  const facts = Object.entries(body.facts).filter(([, answer]) => answer !== null)
    .map(([name, answer]) => `${name}${typeof answer === "number" ? ":" : "="}${answer}`)
    .filter((one) => can(one) && /^[a-z0-9_-]+[=:][^|,]+$/.test(one));
  const parts = [
    body.station, body.worker ?? "", body.occurred_at ? minutes.toString(36) : "", body.phase ?? "",
    body.drill ? "d" : "", body.what_happened ?? "",
  ].map((part) => (can(part.toLowerCase()) && !part.includes("|") ? part.toLowerCase() : ""));
  return [...parts, facts.join(",")].join("|");
}

function can(text) {
  return Array.from(text).every((letter) => LETTERS.indexOf(letter) > 0);
}
