// Asks every few seconds whether the list on this page has changed, and puts the new one in its place without moving what
// one looks at, types or is about to press. Where it cannot ask, it says since when; without it the page just stands.
const EVERY = 20000;
const PATIENCE = 10000;
const CONTROLS = "a[href], button, input:not([type=hidden]), select, textarea, summary";

export function live(root, attach) {
  let tag = root.dataset.live;
  let asking = false;

  async function ask() {
    if (asking || document.hidden || !root.isConnected) return;
    asking = true;
    try {
      const answer = await fetch(location.href, {
        cache: "no-store", redirect: "error", signal: AbortSignal.timeout(PATIENCE),
        headers: { "If-None-Match": tag, "By-Itself": "1" },
      });
      if (answer.status === 304) show(answer.headers.get("As-Of"));
      else if (answer.ok) change(await answer.text());
      else stale(true);
    } catch {
      stale(true);
    }
    asking = false;
  }

  function change(text) {
    const page = new DOMParser().parseFromString(text, "text/html");
    const fresh = page.querySelector("[data-live]");
    if (!fresh) return stale(true);
    if (typing(root)) return waits(true);
    const kept = place(root);
    root.replaceChildren(...fresh.childNodes);
    tag = fresh.dataset.live;
    attach(root);
    back(root, kept);
  }

  function show(time) {
    const said = root.querySelector("[data-as-of]");
    if (said && time) said.textContent = time;
    stale(false);
    waits(false);
  }

  function stale(yes) {
    const said = root.querySelector("[data-stale]");
    if (said) said.hidden = !yes;
  }

  function waits(yes) {
    const said = root.querySelector("[data-waits]");
    if (said) said.hidden = !yes;
    stale(false);
  }

  setInterval(ask, EVERY);
  document.addEventListener("visibilitychange", ask);
  addEventListener("online", ask);
}

/** Whether something is typed or chosen and not yet sent, or a list to choose from is open. */
function typing(root) {
  if (document.activeElement?.matches("select, textarea, input") && root.contains(document.activeElement)) return true;
  return [...root.querySelectorAll("input:not([type=hidden]), textarea, select")].some((control) => (
    control.tagName === "SELECT" ? [...control.options].some((one) => one.selected !== one.defaultSelected) && control.value
      : control.type === "checkbox" || control.type === "radio" ? control.checked !== control.defaultChecked
        : control.value !== control.defaultValue
  ));
}

/** Which control has the focus, and what stands at the top of the window and how far down. */
function place(root) {
  const active = root.contains(document.activeElement) ? document.activeElement : null;
  const part = active?.closest("[id]");
  const top = [...root.querySelectorAll("[id]")].find((one) => one.getBoundingClientRect().bottom > 0);
  return {
    part: part && root.contains(part) ? part.id : null,
    same: active && likeness(active),
    top: top?.id, at: top?.getBoundingClientRect().top, focused: Boolean(active),
  };
}

/** Where the control has gone, nothing that could be pressed is under the finger: the part has the focus, or the list. */
function back(root, { part, same, top, at, focused }) {
  const anchor = top && document.getElementById(top);
  if (anchor) scrollBy(0, anchor.getBoundingClientRect().top - at);
  if (!focused) return;
  const stands = part ? document.getElementById(part) : root;
  const again = stands && controls(stands).find((one) => likeness(one) === same);
  const next = again ?? stands ?? root;
  if (!again) next.tabIndex = -1;
  next.focus({ preventScroll: true });
}

function controls(part) {
  return [...part.querySelectorAll(CONTROLS)];
}

function likeness(control) {
  return [control.tagName, control.getAttribute("href"), control.form?.getAttribute("action"), control.textContent.trim()]
    .join(" ");
}
