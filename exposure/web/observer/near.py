"""Numbers that may be meant by one that is on no list: read off a badge in a hurry, through a visor."""

from collections.abc import Iterable

ALIKE = str.maketrans({"O": "0", "I": "1", "L": "1"})


def near_numbers(typed: str, numbers: Iterable[str]) -> list[str]:
    """Those of `numbers` that differ from `typed` by no more than the letter O for a zero, I or l for a one, case,
    dashes and blanks, and one pair of neighbours swapped; the nearest first."""
    wanted = _bare(typed)
    if not wanted:
        return []
    swapped = {
        wanted[:place] + wanted[place + 1] + wanted[place] + wanted[place + 2 :]
        for place in range(len(wanted) - 1)
    }
    found = [number for number in numbers if _bare(number) in swapped | {wanted}]
    return sorted(found, key=lambda number: (_bare(number) != wanted, number))


def _bare(number: str) -> str:
    return "".join(filter(str.isalnum, number.upper())).translate(ALIKE)
