// Attaches the small modules to markup that already works. One that fails, fails alone.
import { banner } from "./banner.js";
import { devices } from "./devices.js";
import { errorSummary } from "./error-summary.js";
import { reading } from "./reading.js";
import { session } from "./session.js";

const modules = { banner, devices, "error-summary": errorSummary, reading, session };

function attach(page) {
  for (const [name, start] of Object.entries(modules)) {
    for (const root of page.querySelectorAll(`[data-module~="${name}"]`)) {
      try {
        start(root, attach);
      } catch (error) {
        console.error(`${name}:`, error);
      }
    }
  }
}

attach(document);
