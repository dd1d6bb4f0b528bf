import { moveFocus } from "./focus.js";

// After a failed submit the summary is read first; its links bring the question into view, not only the box.
export function errorSummary(root) {
  moveFocus(root);
  root.addEventListener("click", (event) => {
    const link = event.target.closest('a[href^="#"]');
    const field = link && document.getElementById(link.hash.slice(1));
    if (!field) return;
    event.preventDefault();
    (field.closest(".field") ?? field).scrollIntoView();
    field.focus({ preventScroll: true });
  });
}
