// How much of the rinsing or washing is left, beside the time until when it lasts, which stands without script too. It
// counts from the seconds that were left when the page was made: a tablet's clock may be wrong. `ended`: what is done then.
export function countdown(root, ended = null) {
  const end = performance.now() + Number(root.dataset.left) * 1000;
  const shown = root.appendChild(document.createElement("span"));
  shown.className = "left";
  const show = () => {
    const left = Math.max(0, Math.ceil((end - performance.now()) / 1000));
    shown.textContent = `${Math.floor(left / 60)}:${String(left % 60).padStart(2, "0")}`;
    if (!left) {
      clearInterval(ticking);
      if (typeof ended === "function") ended();
      else navigator.vibrate?.(400);
    }
  };
  const ticking = setInterval(show, 1000);
  show();
}
