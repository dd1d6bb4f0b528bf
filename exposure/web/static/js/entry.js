// Sends a reading and shows the answer. Where it cannot be sent, or the answer is slow, and what was typed is a Stop,
// the page says so at once, by itself. A form that is being sent is sent once; nothing that was typed is lost: a phone
// of one's own keeps it until it has been sent.
import { moveFocus } from "./focus.js";
import { judge, temperature } from "./limits.js";
import { keepEntry } from "./queue.js";

const SLOW = 3000; // local choice: a frightened person should not look at a still page for longer
const AGAIN = 10000;

export function reading(form, attach) {
  const limits = JSON.parse(form.dataset.limits);
  let sending = false;
  form.addEventListener("change", () => sayHow(form));
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    if (sending) return;
    const body = new FormData(form, event.submitter);
    const found = judge(limits, typed(body));
    const offline = form.hasAttribute("data-offline");
    if (offline && slip(form, body, found)) return;
    sending = true;
    const done = offline ? hold(form, body, found) : send(form, body, found, attach);
    done.catch(() => {
      sending = false;
      show(form, "unsent");
    });
  });
  addEventListener("stopped", ({ detail }) => { if (form.isConnected) stop(form, detail); });
}

/** What the page itself can see is wrong, where nobody else looks at it: said, and nothing kept. */
function slip(form, body, { stop: stops }) {
  const { temperature: number, method, feverish, symptoms } = typed(body);
  const other = feverish || symptoms.length || body.get("cannot") || body.get("could_not");
  const read = temperature(number);
  let wrong = "";
  if (!stops && !(other && !number)) {
    if (!read) wrong = "number";
    else if (read.unit !== body.getAll("unit").at(-1)) wrong = "unit";
    else if (!method) wrong = "method";
    else if (!body.has("symptoms") && !other) wrong = "symptoms";
  }
  for (const words of form.querySelectorAll("[data-wrong]")) words.hidden = words.dataset.wrong !== wrong;
  if (wrong === "unit" || wrong === "method") form.querySelector(".how").open = true;
  return wrong;
}

/** Keeps it on this phone, to be sent by itself. */
async function hold(form, body, found) {
  const fields = [...body].filter(([name]) => name !== "csrfmiddlewaretoken" && name !== "form_owner");
  if (!await keepEntry(fields, found)) throw new Error("this phone keeps nothing");
  form.elements.submission_id.value = crypto.randomUUID();
  if (found.stop) stop(form, found, body.get("submission_id"));
  else sayKept(form, body.get("submission_id"));
  dispatchEvent(new CustomEvent("kept"));
}

function sayKept(form, id) {
  const said = form.querySelector("[data-held]").content.cloneNode(true).firstElementChild;
  said.dataset.waitingFor = id;
  (form.closest(".columns") ?? form).replaceWith(said);
  moveFocus(said.querySelector("h1, h2"));
}

function typed(body) {
  return {
    temperature: body.getAll("temperature").at(-1) ?? "",
    method: body.get("method") ?? "",
    feverish: body.has("felt_feverish"),
    symptoms: body.getAll("symptoms").filter((code) => code !== "none"),
  };
}

async function send(form, body, found, attach) {
  show(form, "sending");
  const slow = found.stop && setTimeout(() => stop(form, found), SLOW);
  for (;;) {
    try {
      const answer = await fetch(form.action, { method: "POST", body: new URLSearchParams(body) });
      if (answer.status === 429 || answer.status >= 500) throw new Error(`not taken: ${answer.status}`);
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      clearTimeout(slow);
      replace(page, answer.url, attach);
      return;
    } catch (error) {
      clearTimeout(slow);
      const kept = !slip(form, body, found) && await hold(form, body, found).then(() => true, () => false);
      if (kept) return;
      if (!found.stop) throw error; // to be sent again by hand
      stop(form, found);
      await new Promise((wait) => { setTimeout(wait, AGAIN); });
    }
  }
}

/** The answer takes the place of the page, as if the browser had gone there. */
function replace(page, address, attach) {
  if (!page.querySelector("main#main.main")) throw new Error("this is no page of ours");
  document.title = page.title;
  document.body.replaceWith(page.body);
  history.pushState({}, "", address);
  addEventListener("popstate", () => location.reload(), { once: true });
  scrollTo(0, 0);
  attach(document);
  const heading = document.querySelector("h1");
  if (heading && !document.querySelector(".error-summary")) moveFocus(heading);
}

function stop(form, { urgent }, id) {
  const shown = document.querySelector(".notice.stop.whole");
  if (shown) {
    if (id) shown.dataset.waitingFor = id;
    return;
  }
  const panel = form.querySelector("[data-stop]").content.cloneNode(true).firstElementChild;
  panel.querySelector(urgent ? "[data-usual]" : "[data-urgent]").remove();
  panel.classList.add("whole");
  if (id) panel.dataset.waitingFor = id;
  for (const part of document.body.children) part.inert = true;
  document.body.append(panel);
  moveFocus(panel.querySelector("h1"));
}

function show(form, what) {
  form.querySelector("[data-sending]").hidden = what !== "sending";
  form.querySelector("[data-unsent]").hidden = what !== "unsent";
}

/** The line over unit and place says what is chosen below it. */
function sayHow(form) {
  const method = form.elements.method;
  const words = [
    form.querySelector('[name="unit"]:checked + label')?.textContent.trim(),
    method.value && method.selectedOptions[0].textContent.trim(),
  ];
  form.querySelector("[data-how]").textContent = words.filter(Boolean).join(", ");
}
