// How many entries wait on this phone, and those that were refused, with the reason; sends them when there is a
// connection. On the page that the browser keeps it is the same.
import { moveFocus } from "./focus.js";
import { send } from "./queue.js";
import { entries, possible, remove } from "./store.js";

const AGAIN = 10000;

export function unsent(root) {
  if (!possible()) return;
  const address = root.dataset.unsent;
  const look = () => tell(root, address);
  if (!root.hasAttribute("data-offline")) register();
  root.querySelector("[data-now]").addEventListener("click", look);
  for (const name of ["online", "kept"]) addEventListener(name, look);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) look(); });
  setInterval(() => { if (root.isConnected && !root.hidden) look(); }, AGAIN);
  look();
}

async function register() {
  try {
    const registration = await navigator.serviceWorker.register("/reminders.js", { scope: "/" });
    registration.active?.postMessage("renew");
  } catch { /* without it a page that is open still works */ }
}

async function tell(root, address) {
  if (!root.isConnected) return;
  await show(root);
  const receipts = await send(address);
  await show(root);
  go(root, receipts);
}

/** To what became of it: where it is waited for, where it stops somebody, or where the page was the kept one. */
function go(root, receipts) {
  if (!receipts.length) return;
  const awaited = document.querySelector("[data-waiting-for]")?.dataset.waitingFor;
  const own = receipts.find(({ id, taken }) => id === awaited && taken);
  const today = new URL(root.dataset.today, location.href).href;
  if (own) location.assign(new URL(own.page, location.origin));
  else if (awaited || receipts.some(({ stop }) => stop)) location.assign(today);
  else if (root.hasAttribute("data-offline") && !document.querySelector('[name="temperature"]')?.value) {
    location.assign(today);
  }
}

async function show(root) {
  const found = await entries();
  const waiting = found.filter(([, entry]) => !entry.refused);
  const refused = found.filter(([, entry]) => entry.refused);
  root.hidden = !found.length;
  root.querySelector("[data-waiting]").hidden = !waiting.length;
  root.querySelector("[data-count]").textContent = waiting.length;
  root.querySelector("[data-refused]").replaceChildren(...refused.map((one) => line(root, one)));
  const stops = waiting.filter(([, entry]) => entry.stop);
  if (stops.length) {
    const urgent = stops.some(([, entry]) => entry.urgent);
    dispatchEvent(new CustomEvent("stopped", { detail: { urgent } }));
  }
}

function line(root, [number, { fields, noted, refused, zone }]) {
  const said = root.querySelector("[data-line]").content.cloneNode(true).firstElementChild;
  const typed = new URLSearchParams(fields);
  said.querySelector("[data-what]").textContent = typed.getAll("temperature").at(-1) || "–";
  said.querySelector("[data-when]").textContent = new Intl.DateTimeFormat(document.documentElement.lang, {
    dateStyle: "medium", timeStyle: "short", timeZone: zone,
  }).format(new Date(noted));
  said.querySelector("[data-why]").textContent = refused.join(" ");
  said.querySelector("[data-remove]").addEventListener("click", async () => {
    await remove(number);
    await show(root);
    const heading = document.querySelector("h1");
    if (heading) moveFocus(heading);
  });
  return said;
}
