// The screen of a tablet stays on while somebody with gloves reads from it. The browser lets go when the page is hidden.
export function awake() {
  const hold = () => {
    if (!document.hidden) navigator.wakeLock?.request("screen").catch(() => {}); // no power for it: as it was
  };
  document.addEventListener("visibilitychange", hold);
  hold();
}
