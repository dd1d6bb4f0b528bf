// Reads {choice, sets: [answers, ...]} per line and writes what the tablet's module asks of each: {open, worst, sent}.
import { createInterface } from "node:readline";
import { atWorst, sent, stillOpen } from "../../exposure/web/static/tablet/questions.js";

for await (const line of createInterface({ input: process.stdin })) {
  const { choice, sets } = JSON.parse(line);
  console.log(JSON.stringify(sets.map((answers) => ({
    open: stillOpen(choice, answers).map(({ name }) => name), worst: atWorst(choice, answers), sent: sent(choice, answers),
  }))));
}
