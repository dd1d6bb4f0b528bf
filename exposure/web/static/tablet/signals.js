// What a tablet does beside its screen: it stays on during a removal, and where somebody has chosen so it sounds and
// vibrates when something is noted and when a rinse is over. Nothing depends on any of it.
import { put, take } from "./base.js";

const TONE = { hertz: 880, seconds: 0.15, loudness: 0.2 }; // local choice

let on = false;
let awake = false;
let lock = null;
let sound = null;

export const isOn = () => on;

export async function remembered() {
  on = Boolean(await take("signals"));
}

export function turn() {
  on = !on;
  put("signals", on);
  signal();
}

/** After a tap: browsers let nothing sound before the first. */
export function signal(times = 1) {
  if (!on) return;
  navigator.vibrate?.(Array(times).fill([200, 100]).flat());
  try {
    sound ??= new AudioContext();
    for (let at = 0; at < times; at++) tone(sound.currentTime + at * 2 * TONE.seconds);
  } catch { /* a tablet without sound */ }
}

function tone(from) {
  const source = new OscillatorNode(sound, { frequency: TONE.hertz });
  source.connect(new GainNode(sound, { gain: TONE.loudness })).connect(sound.destination);
  source.start(from);
  source.stop(from + TONE.seconds);
}

/** The browser lets go whenever the page is hidden, and is asked again when it is shown. */
export async function stayAwake(wanted) {
  awake = wanted;
  if (!wanted) {
    lock?.release().catch(() => {});
    lock = null;
  } else if ((!lock || lock.released) && !document.hidden) {
    lock = await navigator.wakeLock?.request("screen").catch(() => null) ?? null; // no power for it: as it was
    if (!awake) stayAwake(false);
  }
}

document.addEventListener("visibilitychange", () => { if (awake) stayAwake(true); });
