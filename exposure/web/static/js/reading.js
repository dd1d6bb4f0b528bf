// Sends a reading and shows the answer. Where it cannot be sent, or the answer is slow, and what was typed is a Stop,
// the page says so at once, by itself. A form that is being sent is sent once; nothing that was typed is lost.
import { moveFocus } from "./focus.js";
import { judge } from "./limits.js";

const SLOW = 3000; // local choice: a frightened person should not look at a still page for longer
const AGAIN = 10000;

export function reading(form, attach) {
  const limits = JSON.parse(form.dataset.limits);
  let sending = false;
  form.addEventListener("change", () => sayHow(form));
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    if (sending) return;
    sending = true;
    const body = new FormData(form, event.submitter);
    const found = judge(limits, typed(body));
    send(form, body, found, attach).catch(() => {
      sending = false;
      show(form, "unsent");
    });
  });
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
      if (!found.stop) throw error; // to be sent again by hand
      stop(form, found);
      await new Promise((wait) => { setTimeout(wait, AGAIN); });
    }
  }
}

/** The answer takes the place of the page, as if the browser had gone there. */
function replace(page, address, attach) {
  if (!page.querySelector("main")) throw new Error("this is no page of ours");
  document.title = page.title;
  document.body.replaceWith(page.body);
  history.pushState({}, "", address);
  addEventListener("popstate", () => location.reload(), { once: true });
  scrollTo(0, 0);
  attach(document);
  const heading = document.querySelector("h1");
  if (heading && !document.querySelector(".error-summary")) moveFocus(heading);
}

function stop(form, { urgent }) {
  if (document.querySelector(".notice.stop.whole")) return;
  const panel = form.querySelector("[data-stop]").content.cloneNode(true).firstElementChild;
  panel.querySelector(urgent ? "[data-usual]" : "[data-urgent]").remove();
  panel.classList.add("whole");
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
