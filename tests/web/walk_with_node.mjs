// Reads {protocol, taps} per line and writes the position after each tap (done, back, out, whole), as the tablet's module
// counts it. A tap that leads nowhere stays.
import { createInterface } from "node:readline";

globalThis.document = { documentElement: { lang: "en" } };
globalThis.indexedDB = {};
const { begin, current, neighbours, takeWayOut } = await import("../../exposure/web/static/tablet/underway.js");

for await (const line of createInterface({ input: process.stdin })) {
  const { protocol, taps } = JSON.parse(line);
  begin({ protocol, who: null, drill: true, watched: "nobody", station: "heron" });
  console.log(JSON.stringify(taps.map((tap) => {
    const { before, after } = neighbours();
    if (tap === "done") current().position = after ?? current().position;
    else if (tap === "back") current().position = before ?? current().position;
    else takeWayOut(tap === "out");
    return current().position;
  })));
}
