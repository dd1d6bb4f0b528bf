"""People with the same telephone number, however it was written: with the country's code or without, blanks or none."""

import re
from collections.abc import Collection

from django.db.models import QuerySet

from exposure.people.models import Worker

COMPARED = 9  # last digits; local choice: in most countries the number without the country's code
FEWEST = 6  # fewer digits are a staff number or an extension, not a telephone number
MOST = 50


def last_digits(phone: str) -> str:
    """By what numbers are compared; empty where there are too few."""
    digits = re.sub(r"\D", "", phone)[-COMPARED:]
    return digits if len(digits) >= FEWEST else ""


def with_telephone(people: QuerySet[Worker], phones: Collection[str]) -> dict[str, list[Worker]]:
    """Telephone as given -> whoever of these people has it, at most `MOST` in all; at most two statements."""
    wanted = {phone: digits for phone in phones if (digits := last_digits(phone))}
    if not wanted:
        return {}
    sought = set(wanted.values())
    numbers = people.exclude(phone="").order_by("pk").values_list("pk", "phone")
    keys = [key for key, phone in numbers if any(_ends(phone, digits) for digits in sought)]
    found = list(people.filter(pk__in=keys[:MOST]))
    return {
        phone: [person for person in found if _ends(person.phone, digits)] for phone, digits in wanted.items()
    }


def _ends(phone: str, digits: str) -> bool:
    return re.sub(r"\D", "", phone).endswith(digits)
