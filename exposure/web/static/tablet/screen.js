// One screen at a time, made from the page's own templates, which hold every sentence in the page's language. A tap that
// lands just after the screen has changed was meant for the one before it, and does nothing.
const JUST_CHANGED = 250; // milliseconds; local choice
const language = document.documentElement.lang;
let changed = 0;

/** Shows a screen. `fill`: name -> text of [data-text]; `deeds`: name -> what a tap on [data-do] does. `guided`: it is a
removal's, and nothing else is to be reached from it. */
export function show(name, fill = {}, deeds = {}, { guided = false } = {}) {
  const main = document.querySelector("#main");
  const made = part(`screen-${name}`, fill, deeds);
  main.replaceChildren(made);
  document.body.dataset.screen = name;
  document.body.classList.toggle("guided", guided);
  changed = performance.now();
  scrollTo(0, 0);
  const heading = main.querySelector("h1");
  heading.tabIndex = -1;
  heading.focus({ preventScroll: true });
  return main;
}

/** A part of a screen, from the template with that id. */
export function part(id, fill = {}, deeds = {}) {
  const made = document.getElementById(id).content.cloneNode(true);
  for (const place of made.querySelectorAll("[data-text]")) place.textContent = fill[place.dataset.text] ?? "";
  for (const place of made.querySelectorAll("[data-if]")) place.hidden = !fill[place.dataset.if];
  for (const button of made.querySelectorAll("[data-do]")) tapped(button, deeds[button.dataset.do]);
  return made;
}

/** A button with these words. */
export function choice(words, deed, chosen = false) {
  const button = part("choice").firstElementChild;
  button.textContent = words;
  if (chosen) {
    button.classList.add("chosen");
    button.setAttribute("aria-current", "true");
  }
  tapped(button, deed);
  return button;
}

function tapped(button, deed) {
  button.addEventListener("click", (event) => {
    if (button.type === "submit") event.preventDefault();
    if (performance.now() - changed > JUST_CHANGED) deed?.(event);
  });
}

/** A sentence that the page composes. */
export function word(name, values = {}) {
  const text = document.querySelector(`#words [data-word="${name}"]`).textContent.trim();
  return Object.entries(values).reduce((made, [key, value]) => made.replace(`{${key}}`, value), text);
}

/** A text of the pack, {language: text}. */
export function told(texts) {
  return texts[language] ?? texts.en;
}

/** The time of day alone. */
export function clock(instant, zone) {
  return new Intl.DateTimeFormat(language, {
    hour: "2-digit", minute: "2-digit", hourCycle: "h23", timeZone: zone,
  }).format(new Date(instant));
}

export function when(instant, zone) {
  return new Intl.DateTimeFormat(language, {
    weekday: "short", hour: "2-digit", minute: "2-digit", hourCycle: "h23", timeZone: zone,
  }).format(new Date(instant));
}

/** Links that ring, wherever [data-ring] names one of the numbers. */
export function numbers(root, site) {
  for (const link of root.querySelectorAll("[data-ring]")) {
    if (link.dataset.if && link.hidden) continue;
    const number = site?.[link.dataset.ring];
    link.hidden = !number;
    if (!number) continue;
    link.href = `tel:${number.replace(/[^0-9+]/g, "")}`;
    link.querySelector("b").textContent = number;
  }
}
