// Whether a reading as it is typed would stop its worker, by the limits that the server gives with the form
// (exposure.followup.readings.as_json of each follow-up): the same answer as the server's, without a connection.
// Temperatures are whole numbers, ninths of a hundredth of a degree C, so that 100.4 F is 38.0 C exactly.
const BODY = { C: [3000, 4500], F: [8600, 11300] };
const TYPED = /^(\d{1,9})(?:[.,](\d{0,9}))? ?°? ?[CF]?$/i;

/** {unit, ninths} of what was typed, in the only unit that it fits; null for what is no body temperature. */
export function temperature(typed) {
  const match = TYPED.exec(typed.trim());
  if (!match) return null;
  const hundredths = Number(match[1]) * 100 + Number(`${match[2] ?? ""}00`.slice(0, 2));
  const unit = Object.keys(BODY).find((name) => hundredths >= BODY[name][0] && hundredths <= BODY[name][1]);
  return unit ? { unit, ninths: ninths(hundredths, unit) } : null;
}

function ninths(hundredths, unit) {
  return unit === "C" ? hundredths * 9 : (hundredths - 3200) * 5;
}

/** @param entry {temperature, method, feverish, symptoms}; returns {stop, urgent} */
export function judge(limits, entry) {
  const measured = temperature(entry.temperature);
  const urgent = limits.some(({ urgent }) => entry.symptoms.some((code) => urgent.includes(code)));
  const stop = urgent || limits.some((profile) => {
    const { limit, unit, at } = profile.fever[entry.method] ?? profile.fever.default;
    const least = ninths(Math.round(Number(limit) * 100), unit);
    const fever = measured && (at === "above" ? measured.ninths > least : measured.ninths >= least);
    const many = entry.symptoms.length > 0 && entry.symptoms.length >= profile.symptom_count;
    return fever || (entry.feverish && profile.subjective_fever) || many;
  });
  return { stop: Boolean(stop), urgent };
}
