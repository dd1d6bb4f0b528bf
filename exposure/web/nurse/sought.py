"""What was typed into the search, and whether somebody's entry fits it. Pure.

Words may stand in any order, and letters count without case and marks. A telephone number fits however it is written:
with spaces and signs or without, with the country's code or the zero before the area.
"""

import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

MOST_WORDS = 6
FEWEST_DIGITS = 3  # fewer than that fit half of all telephone numbers
WHOLE_NUMBER = 7  # so many digits are a number of its own, without what stands before it
WRITTEN_REFERENCE = re.compile(
    r"[0-9A-Z]{4}[ -]?[0-9A-Z]{0,4}[ -]?[0-9A-Z]?"
)  # four of it tell it from a word
NAME, NUMBER, TELEPHONE = "name", "number", "telephone"


def plain(text: str) -> str:
    """Without case and marks: “Zoë” and “ZOE” are the same, and so are full-width digits and others."""
    if text.isascii():
        return text.casefold()
    letters = unicodedata.normalize("NFKD", text.casefold())
    return "".join(_digit(letter) for letter in letters if not unicodedata.combining(letter))


def _digit(letter: str) -> str:
    return str(unicodedata.decimal(letter)) if letter.isdecimal() else letter


def digits_of(telephone: str) -> str:
    """The digits that every way of writing the number shares: no sign, no zeros in front, no (0) in the middle."""
    return re.sub(r"\D", "", plain(telephone).replace("(0)", "")).lstrip("0")


def reference(typed: str) -> str:
    """A reference as it is stored, however it was typed: letters that its alphabet lacks are read as digits."""
    letters = re.sub(r"[^0-9A-Z]", "", typed.upper()).translate(str.maketrans("OIL", "011"))
    return "-".join(part for part in (letters[:4], letters[4:8], letters[8:9]) if part)


@dataclass(frozen=True)
class Entry:
    """What is looked through of one person."""

    name: str
    number: str
    telephones: tuple[str, ...]


@dataclass(frozen=True)
class Sought:
    """What was typed."""

    typed: str

    @cached_property
    def words(self) -> tuple[str, ...]:
        """The words, each once, not more than MOST_WORDS."""
        return tuple(dict.fromkeys(re.findall(r"\w+", plain(self.typed))))[:MOST_WORDS]

    @cached_property
    def squeezed(self) -> str:
        """Letters and digits alone, as a number is compared: SG-1042, sg 1042 and SG1042 are the same."""
        return "".join(re.findall(r"\w", plain(self.typed)))

    @cached_property
    def telephone(self) -> str:
        """The digits, where nothing else was typed than a telephone number can hold; else empty."""
        if not re.fullmatch(r"[\d\s()+./-]+", plain(self.typed)):
            return ""
        digits = digits_of(self.typed)
        return digits if len(digits) >= FEWEST_DIGITS else ""

    @cached_property
    def reference(self) -> str:
        """The reference of a report, or how one begins, where what was typed can be that; else empty."""
        return reference(self.typed) if WRITTEN_REFERENCE.fullmatch(self.typed.upper()) else ""

    def __bool__(self) -> bool:
        return bool(self.words)

    def fit(self, entry: Entry) -> tuple[int, tuple[str, ...]] | None:
        """How well the person fits (0 is best) and by what: name, number, telephone. None: not all of it fits."""
        if not self.words:
            return None
        number = "".join(re.findall(r"\w", plain(entry.number)))
        if number and number == self.squeezed:
            return 0, (NUMBER,)
        if self.telephone and any(self._rings(telephone) for telephone in entry.telephones):
            return 1, (TELEPHONE,)
        if number and len(self.squeezed) >= FEWEST_DIGITS and self.squeezed in number:
            return 2, (NUMBER,)
        return self._by_words(plain(entry.name), number, entry.telephones)

    def _rings(self, telephone: str) -> bool:
        digits = digits_of(telephone)
        if not digits:
            return False
        return self.telephone in digits or (len(digits) >= WHOLE_NUMBER and self.telephone.endswith(digits))

    def _by_words(
        self, name: str, number: str, telephones: Iterable[str]
    ) -> tuple[int, tuple[str, ...]] | None:
        begins = re.findall(r"\w+", name)
        rank, by = 3, set()
        for word in self.words:
            if any(own.startswith(word) for own in begins):
                by.add(NAME)
            elif (len(word) > 1 or not word.isascii()) and word in name:
                by.add(NAME)
                rank = 4
            elif word in number and len(word) > 1:
                by.add(NUMBER)
            elif word.isdecimal() and len(word) >= FEWEST_DIGITS and _within(word, telephones):
                by.add(TELEPHONE)
            else:
                return None
        return rank, tuple(kind for kind in (NAME, NUMBER, TELEPHONE) if kind in by)


def _within(digits: str, telephones: Iterable[str]) -> bool:
    return any(digits in digits_of(telephone) for telephone in telephones)
