// Has this browser show reminders, or show none any more. The forms do the telling: they are filled in, and sent.
export async function devices(root) {
  if (!("serviceWorker" in navigator && "PushManager" in window)) return;
  const add = root.querySelector("[data-add]");
  add.hidden = false;
  add.addEventListener("submit", (event) => {
    event.preventDefault();
    subscribe(root, add).catch(() => { root.querySelector("[data-refused]").hidden = false; });
  });
  const registration = await navigator.serviceWorker.getRegistration("/");
  const own = await registration?.pushManager.getSubscription();
  const line = own && root.querySelector(`[data-device="${await digest(own.endpoint)}"]`);
  if (!line) return;
  add.hidden = true;
  line.querySelector("[data-this]").hidden = false;
  line.addEventListener("submit", () => { own.unsubscribe(); });
}

async function subscribe(root, form) {
  await navigator.serviceWorker.register("/reminders.js", { scope: "/" });
  const registration = await navigator.serviceWorker.ready;
  const options = { userVisibleOnly: true, applicationServerKey: bytes(root.dataset.key) };
  const old = await registration.pushManager.getSubscription();
  if (old && !same(old.options.applicationServerKey, options.applicationServerKey)) await old.unsubscribe();
  const made = (await registration.pushManager.subscribe(options)).toJSON();
  form.elements.endpoint.value = made.endpoint;
  form.elements.p256dh.value = made.keys.p256dh;
  form.elements.auth.value = made.keys.auth;
  form.submit();
}

function bytes(base64url) {
  const text = atob(base64url.replaceAll("-", "+").replaceAll("_", "/"));
  return Uint8Array.from(text, (letter) => letter.charCodeAt(0));
}

function same(buffer, wanted) {
  const held = new Uint8Array(buffer ?? 0);
  return held.length === wanted.length && held.every((byte, at) => byte === wanted[at]);
}

async function digest(text) {
  const hash = await crypto.subtle.digest("SHA-256", new TextEncoder().encode(text));
  return Array.from(new Uint8Array(hash), (byte) => byte.toString(16).padStart(2, "0")).join("");
}
