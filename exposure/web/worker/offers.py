"""What somebody probably meant by a temperature that cannot be taken as typed. It is offered, never assumed."""

from dataclasses import dataclass

from exposure.followup.readings import BODY, parse_temperature

DIGITS_FOR_A_POINT = (1, 2)  # 380 is 38.0, 3685 is 36.85


@dataclass(frozen=True)
class Offer:
    """`temperature` as it would be sent, in `unit`; `changes`: "unit" or "temperature"."""

    temperature: str
    unit: str
    changes: str


def offer(typed: str, unit: str) -> Offer | None:
    """The same number in the unit that it fits, or with the point that was left out; None where neither is likely.
    `unit`: the one that was chosen, C or F, or empty."""
    read = parse_temperature(typed, unit or None)
    if read.refusal in ("other_unit", "no_unit") and read.unit:
        return Offer(typed.strip(), read.unit, "unit")
    digits = typed.strip()
    if read.refusal != "out_of_range" or not (digits.isascii() and digits.isdigit()):
        return None
    for places in DIGITS_FOR_A_POINT:
        meant = f"{digits[:-places]}.{digits[-places:]}"
        if unit in BODY and parse_temperature(meant, unit).refusal is None:
            return Offer(meant, unit, "temperature")
    return None
