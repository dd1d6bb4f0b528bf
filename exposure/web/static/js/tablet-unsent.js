// On a station's page: how much a tablet's own page, in this browser, has kept and not sent yet. It stands in the tablet
// alone, where it is sealed.
export async function tabletUnsent(root) {
  const [{ isHere }, { unsent }] = await Promise.all([import("../tablet/base.js"), import("../tablet/outbox.js")]);
  if (!await isHere()) return;
  const look = async () => {
    const { length } = await unsent();
    root.hidden = !length;
    root.querySelector("b").textContent = length;
  };
  document.addEventListener("visibilitychange", () => { if (!document.hidden) look(); });
  look();
}
