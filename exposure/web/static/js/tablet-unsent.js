// On a station's page: how much a tablet's own page, in this browser, has kept and not sent yet. It stands in the tablet
// alone, where it is sealed.
export async function tabletUnsent(root) {
  const bases = await indexedDB.databases?.() ?? [];
  if (!bases.some(({ name }) => name === "station")) return; // no tablet of a station
  const { unsent } = await import("../tablet/outbox.js");
  const look = async () => {
    const { length } = await unsent();
    root.hidden = !length;
    root.querySelector("b").textContent = length;
  };
  document.addEventListener("visibilitychange", () => { if (!document.hidden) look(); });
  look();
}
