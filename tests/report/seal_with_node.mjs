// Reads {point, info, body} per line and writes what the tablet's modules make of it: {sealed, reference, lines}, one
// per line. `point` and `info` are base64.
import { createInterface } from "node:readline";
import { seal } from "../../exposure/web/static/tablet/hpke.js";
import { block } from "../../exposure/web/static/tablet/paper.js";
import { reference } from "../../exposure/web/static/tablet/reference.js";

const read = (text) => new Uint8Array(Buffer.from(text, "base64"));

for await (const line of createInterface({ input: process.stdin })) {
  const { point, info, body } = JSON.parse(line);
  const plain = new TextEncoder().encode(JSON.stringify(body));
  const sealed = Buffer.from(await seal(read(point), read(info), plain)).toString("base64");
  console.log(JSON.stringify({ sealed, reference: await reference(body.submission_id), lines: await block(body) }));
}
