// Attaches the small modules to markup that already works. One that fails, fails alone.
import { banner } from "./banner.js";
import { devices } from "./devices.js";
import { errorSummary } from "./error-summary.js";
import { session } from "./session.js";

const modules = { banner, devices, "error-summary": errorSummary, session };

for (const [name, start] of Object.entries(modules)) {
  for (const root of document.querySelectorAll(`[data-module~="${name}"]`)) {
    try {
      start(root);
    } catch (error) {
      console.error(`${name}:`, error);
    }
  }
}
