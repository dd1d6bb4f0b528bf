"""Answers that speak of a way into the blood and carry no `bloodborne` mark: without it nobody starts that clock.

Found by words, in codes, questions and labels in English; a warning for whoever writes a file, never a decision.
"""

import re
from collections.abc import Iterator

from exposure.classify.document import text
from exposure.classify.table import Answer, Fact

WAY_IN = re.compile(
    r"\b(needle\w*|sharps?|cuts?|pierc\w*|punctur\w*|percutaneous\w*|through the skin|mucos\w*|mucous"
    r"|eyes?|mouth|nose|nostrils?|(?:broken|damaged|chapped|non-?intact|not intact) skin|wounds?|bit(?:es?|ten)"
    r"|broken)\b"
)
EQUIPMENT = re.compile(r"\beye (?:protection|wear|shields?)\b|\beyewear\b|\bneedle-?less\b")
DENIED = re.compile(r"no(?=[,.;]|$)|none\b|nothing\b|not\b|never\b")


def unmarked(facts: tuple[Fact, ...]) -> Iterator[tuple[Fact, Answer | None]]:
    """Each answer whose own words name a way in, and each question (None) that does where no answer of it is
    marked. What is about the case or the worker reaches nobody's blood."""
    for fact in facts:
        if fact.about != "event" or not fact.answers:
            continue
        named = [answer for answer in fact.answers if not answer.bloodborne and _names_a_way_in(answer)]
        yield from ((fact, answer) for answer in named)
        marked = any(answer.bloodborne for answer in fact.answers)
        if not named and not marked and WAY_IN.search(_plain(text(fact.ask))):
            yield fact, None


def _names_a_way_in(answer: Answer) -> bool:
    label = text(answer.label).lower()
    if DENIED.match(label):
        return False
    codes = "" if EQUIPMENT.search(label) else answer.code.lower().replace("_", " ")
    return bool(WAY_IN.search(f"{_plain(label)}; {codes}"))


def _plain(words: str) -> str:
    return EQUIPMENT.sub(" ", words.lower())
