// The page that the browser keeps: filled with what this phone kept, if somebody is signed in on it.
import { kept, possible } from "./store.js";

export async function offline(root, attach) {
  const page = possible() && await kept().catch(() => null);
  if (!page?.html) return;
  const made = new DOMParser().parseFromString(page.html, "text/html");
  document.querySelector(".ring-anyway")?.remove();
  document.body.classList.add("own");
  if (made.querySelector(".notice.stop")) document.body.classList.add("stopped");
  root.replaceChildren(...made.body.childNodes);
  for (const form of root.querySelectorAll("form")) form.elements.submission_id.value = crypto.randomUUID();
  when(root.querySelector("[data-windows]"), page);
  attach(root);
}

/** When a reading is due, or the next one, by the clock where its owner was when the page was kept. */
function when(line, { windows, zone, ahead }) {
  const now = Date.now() + ahead;
  const coming = windows.find(([, closes]) => new Date(closes).getTime() > now);
  if (!line || !coming) return;
  const [opens, closes] = coming.map((moment) => new Date(moment));
  const lang = document.documentElement.lang;
  const day = new Intl.DateTimeFormat(lang, { weekday: "long", day: "numeric", month: "long", timeZone: zone });
  const clock = new Intl.DateTimeFormat(lang, { hour: "2-digit", minute: "2-digit", hourCycle: "h23", timeZone: zone });
  const words = opens.getTime() <= now ? line.dataset.due : line.dataset.next;
  line.textContent = words
    .replace("{day}", day.format(opens))
    .replace("{opens}", clock.format(opens))
    .replace("{closes}", clock.format(closes));
  line.hidden = false;
}
