import { moveFocus } from "./focus.js";

// After a redirect the confirmation is read first, unless an error summary has the floor.
export function banner(root) {
  if (!document.querySelector('[data-module~="error-summary"]')) moveFocus(root);
}
