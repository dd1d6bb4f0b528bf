// Reads {compiled, cases: [facts, ...]} per line and writes the verdicts of the page's module, one list per line.
import { createInterface } from "node:readline";
import { classify } from "../../exposure/web/static/js/criteria.js";

function verdict(compiled, facts) {
  try {
    return classify(compiled, facts);
  } catch (error) {
    return { refused: error.message };
  }
}

for await (const line of createInterface({ input: process.stdin })) {
  const { compiled, cases } = JSON.parse(line);
  console.log(JSON.stringify(cases.map((facts) => verdict(compiled, facts))));
}
