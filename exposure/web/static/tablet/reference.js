// The reference of a report, the same as the service's: the first 40 bits of SHA-256 of its id's 16 bytes in base32
// without I, L, O and U, and a Luhn check character (modulo 32).
export const ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ";

export function idBytes(id) {
  return Uint8Array.from(id.replaceAll("-", "").match(/../g), (pair) => parseInt(pair, 16));
}

export async function digest(data) {
  return new Uint8Array(await crypto.subtle.digest("SHA-256", data));
}

export async function reference(id) {
  const hash = await digest(idBytes(id));
  const digits = symbols(hash.slice(0, 5));
  const letters = digits.map((digit) => ALPHABET[digit]).join("");
  return `${letters.slice(0, 4)}-${letters.slice(4)}-${ALPHABET[check(digits)]}`;
}

/** Five bits each, the last ones filled with zeros. */
export function symbols(data) {
  const bits = Array.from(data, (byte) => byte.toString(2).padStart(8, "0")).join("");
  return (bits.match(/.{1,5}/g) ?? []).map((five) => parseInt(five.padEnd(5, "0"), 2));
}

export function check(digits) {
  const sum = digits.toReversed().reduce((total, digit, place) => {
    const doubled = digit * (place % 2 ? 1 : 2);
    return total + Math.floor(doubled / 32) + (doubled % 32);
  }, 0);
  return (32 - (sum % 32)) % 32;
}
