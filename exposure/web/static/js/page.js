// Attaches the small modules to markup that already works. One that fails, fails alone.
import { awake } from "./awake.js";
import { banner } from "./banner.js";
import { countdown } from "./countdown.js";
import { devices } from "./devices.js";
import { reading } from "./entry.js";
import { errorSummary } from "./error-summary.js";
import { watchLeaving } from "./leaving.js";
import { live } from "./live.js";
import { offline } from "./offline.js";
import { session } from "./session.js";
import { tabletUnsent } from "./tablet-unsent.js";
import { unsent } from "./unsent.js";

const modules = {
  awake, banner, countdown, devices, "error-summary": errorSummary, live, offline, reading, session,
  "tablet-unsent": tabletUnsent, unsent,
};

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

watchLeaving();
attach(document);
