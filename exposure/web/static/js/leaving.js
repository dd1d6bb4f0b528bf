// Whoever leaves takes the key along: on this device nothing that was kept can be read any more.
import { entries, forget, possible } from "./store.js";

const SIGN_IN = "/account/login/";
const SIGN_OUT = "/account/logout/";

export function leave() {
  return forget().catch(() => {});
}

/** Whether what was asked for led to the sign-in page of ours. */
export function signedOut(answer) {
  const { origin, pathname } = new URL(answer.url);
  return answer.redirected && origin === location.origin && pathname === SIGN_IN;
}

/** On every page: before a sign-out the key goes; at the sign-in page nobody is signed in any more. */
export function watchLeaving() {
  if (!possible()) return;
  if (location.pathname === SIGN_IN) leave();
  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (form.getAttribute("action") !== SIGN_OUT) return;
    event.preventDefault();
    signOut(form);
  });
}

/** What has not been sent is said first; the second time it is signed out all the same. */
async function signOut(form) {
  const warning = document.querySelector("[data-leaving]");
  const waiting = warning ? (await entries().catch(() => [])).length : 0;
  if (waiting && warning.hidden) {
    warning.closest("[data-module]").hidden = false;
    warning.hidden = false;
    warning.setAttribute("tabindex", "-1");
    warning.focus();
    return;
  }
  await leave();
  if (navigator.onLine) form.submit();
  else location.assign("/"); // nothing can be said to the service; here nothing can be read any more
}
