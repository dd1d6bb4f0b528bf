// Warns two minutes before the session ends, and covers the page once it has: nobody who passes by reads on. What was
// typed is sent then, and the server keeps it until its owner has signed in again.
export function session(root) {
  const soon = root.querySelector("[data-soon]");
  const over = root.querySelector("[data-over]");
  const warn = Number(root.dataset.warn);
  let typed = null;
  let timer = 0;
  root.hidden = false;
  document.addEventListener("input", (event) => { typed = event.target.form ?? typed; });
  soon.addEventListener("submit", (event) => {
    event.preventDefault();
    const kept = { method: "POST", body: new FormData(soon) };
    fetch(root.dataset.left, kept).then(read).catch(() => soon.submit());
  });
  over.querySelector("button").addEventListener("click", () => {
    if (typed?.method === "post") typed.submit();
    else location.reload();
  });
  follow(Number(root.dataset.seconds));

  function follow(seconds) {
    const ends = Date.now() + seconds * 1000;
    clearTimeout(timer);
    show(seconds);
    if (seconds <= 0) return;
    const next = seconds > warn ? seconds - warn : seconds;
    timer = setTimeout(() => {
      // Another window may have been used meanwhile: ask, which is no use of the session.
      fetch(root.dataset.left).then(read).catch(() => follow(Math.max(0, (ends - Date.now()) / 1000)));
    }, Math.min(next, 86400) * 1000);
  }

  async function read(answer) {
    follow((await answer.json()).seconds);
  }

  function show(seconds) {
    soon.hidden = seconds <= 0 || seconds > warn;
    const ended = seconds <= 0;
    if (ended && over.hidden) {
      over.hidden = false;
      document.body.classList.add("covered");
      over.focus();
    } else if (!ended) {
      over.hidden = true;
      document.body.classList.remove("covered");
    }
  }
}
