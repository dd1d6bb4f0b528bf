// Seals for the service's public key: HPKE in base mode, RFC 9180, with DHKEM(P-256, HKDF-SHA256), HKDF-SHA256 and
// AES-256-GCM, one message for each key that is made for it. Names are the RFC's.
const CURVE = { name: "ECDH", namedCurve: "P-256" };
const KEM = bytes("KEM", [0x00, 0x10]);
const SUITE = bytes("HPKE", [0x00, 0x10, 0x00, 0x01, 0x00, 0x02]);
const VERSION = bytes("HPKE-v1");

/** @param point the receiver's public key, uncompressed; `pair` only where a test gives one; returns enc || ct */
export async function seal(point, info, plain, pair) {
  const receiver = await crypto.subtle.importKey("raw", point, CURVE, false, []);
  const own = pair ?? await crypto.subtle.generateKey(CURVE, false, ["deriveBits"]);
  const enc = new Uint8Array(await crypto.subtle.exportKey("raw", own.publicKey));
  const shared = await crypto.subtle.deriveBits({ name: "ECDH", public: receiver }, own.privateKey, 256);
  const eae = await extract([], KEM, "eae_prk", new Uint8Array(shared));
  const secret = await expand(eae, KEM, "shared_secret", bytes(enc, point), 32);
  const context = bytes([0], await extract([], SUITE, "psk_id_hash", []), await extract([], SUITE, "info_hash", info));
  const base = await extract(secret, SUITE, "secret", []);
  const raw = await expand(base, SUITE, "key", context, 32);
  const iv = await expand(base, SUITE, "base_nonce", context, 12);
  const key = await crypto.subtle.importKey("raw", raw, "AES-GCM", false, ["encrypt"]);
  return bytes(enc, new Uint8Array(await crypto.subtle.encrypt({ name: "AES-GCM", iv }, key, plain)));
}

function extract(salt, suite, label, ikm) {
  return mac(bytes(salt.length ? salt : new Uint8Array(32)), bytes(VERSION, suite, label, ikm));
}

/** One block is all that is ever asked for: at most 32 bytes (RFC 5869). */
async function expand(prk, suite, label, info, length) {
  const labeled = bytes([0, length], VERSION, suite, label, info, [1]);
  return (await mac(prk, labeled)).slice(0, length);
}

async function mac(key, text) {
  const made = await crypto.subtle.importKey("raw", key, { name: "HMAC", hash: "SHA-256" }, false, ["sign"]);
  return new Uint8Array(await crypto.subtle.sign("HMAC", made, text));
}

export function bytes(...parts) {
  const arrays = parts.map((part) => (typeof part === "string" ? new TextEncoder().encode(part) : part));
  const whole = new Uint8Array(arrays.reduce((sum, { length }) => sum + length, 0));
  let at = 0;
  for (const part of arrays) {
    whole.set(part, at);
    at += part.length;
  }
  return whole;
}
