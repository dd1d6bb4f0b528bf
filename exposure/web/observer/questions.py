"""Which questions the report asks: the facts that can still change something, under the criteria in force."""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.utils.translation import gettext as _

from exposure.classify.assess import adopted, criteria_or_none
from exposure.classify.criteria import Criteria, CriteriaError, Verdict
from exposure.classify.table import Fact
from exposure.classify.words import said
from exposure.places.models import Site
from exposure.report.models import Case, CaseStatement

UNKNOWN = "?"  # "Don't know", as a chosen answer

Known = dict[str, str | int | float]


@dataclass(frozen=True)
class Asked:
    """Criteria in force, and what clinicians stated about the case for them."""

    criteria: Criteria
    stated: dict[str, Any]

    def verdict(self, answers: Known) -> Verdict:
        """Raises CriteriaError where the answers contradict each other."""
        return self.criteria.classify(readable(self.criteria, {**answers, **self.stated}))


def asked_at(site: Site, cases: Iterable[Case], *, at: datetime) -> list[Asked]:
    """The criteria in force for what the cases are suspected or confirmed to have."""
    cases = list(cases)
    newest = {
        (one.case_id, one.pathogen): one
        for one in CaseStatement.objects.filter(case__in=cases).order_by("recorded_at", "id")
    }
    asked = {}
    for (_case, pathogen), statement in newest.items():
        if statement.status == CaseStatement.Status.RULED_OUT or pathogen in asked:
            continue
        if criteria := criteria_or_none(adopted(site, pathogen, at=at)):
            # What is stated about one of several cases says nothing about the others.
            stated = {"case_status": statement.status, **statement.facts} if len(cases) == 1 else {}
            asked[pathogen] = Asked(criteria, stated)
    return list(asked.values())


def version_named(asked: list[Asked]) -> str:
    """The version that the questions come from; none where several criteria with several versions ask."""
    versions = {one.criteria.version for one in asked}
    return versions.pop() if len(versions) == 1 else ""


def facts_about_event(asked: list[Asked]) -> list[Fact]:
    """What the station can answer. A name that two criteria ask differently is left to the nurse: one answer
    would be read in two senses, and unknown is never too low."""
    facts: dict[str, Fact] = {}
    differing = set()
    for one in asked:
        for fact in one.criteria.facts:
            if facts.setdefault(fact.name, fact) != fact:
                differing.add(fact.name)
    return [fact for fact in facts.values() if fact.about == "event" and fact.name not in differing]


def implied(asked: list[Asked], answers: Mapping[str, str]) -> dict[str, str]:
    """What a failure says by itself (fact -> answer), as far as the criteria here ask it and have that answer."""
    facts = {fact.name: fact for fact in facts_about_event(asked)}
    return {
        name: answer
        for name, answer in answers.items()
        if name in facts and answer in dict(choices(facts[name]))
    }


def still_open(asked: list[Asked], chosen: dict[str, str]) -> list[Fact]:
    """Facts not asked yet that can still change something, most decisive first; none once answers contradict."""
    facts = {fact.name: fact for fact in facts_about_event(asked)}
    answers = known(asked, chosen)
    try:
        names = [name for one in asked for name in one.verdict(answers).open_questions]
    except CriteriaError:
        return []
    return [facts[name] for name in dict.fromkeys(names) if name in facts and name not in chosen]


def contradict(asked: list[Asked], chosen: dict[str, str]) -> bool:
    """Whether the answers cannot all be true."""
    try:
        for one in asked:
            one.verdict(known(asked, chosen))
    except CriteriaError:
        return True
    return False


def sent(asked: list[Asked], chosen: dict[str, str]) -> dict[str, Any]:
    """The answers as the report sends them: what was asked and nobody knew is null."""
    return {**{name: None for name, answer in chosen.items() if answer == UNKNOWN}, **known(asked, chosen)}


def known(asked: list[Asked], chosen: dict[str, str]) -> Known:
    """The answers that are known: "Don't know" left out, a measured one as a number."""
    measured = {fact.name for one in asked for fact in one.criteria.facts if fact.cuts}
    answers: Known = {}
    for name, answer in chosen.items():
        if answer not in ("", UNKNOWN):
            measure = number(answer) if name in measured else None
            answers[name] = answer if measure is None else measure
    return answers


def number(typed: str) -> int | float | None:
    """The number that was typed, a decimal comma taken too; None where it is none."""
    try:
        value = float(typed.strip().replace(",", "."))
    except ValueError:
        return None
    if not math.isfinite(value):
        return None
    return int(value) if value.is_integer() else value


def readable(criteria: Criteria, answers: dict[str, Any]) -> dict[str, Any]:
    """The answers that these criteria can read."""
    facts = {fact.name: fact for fact in criteria.facts}
    taken = {}
    for name, answer in answers.items():
        try:
            facts[name].position(answer)
        except (KeyError, CriteriaError):
            continue
        taken[name] = answer
    return taken


def in_words(fact: Fact) -> str:
    """The question as people read it."""
    return said(fact.ask)


def answers_in_words(asked: list[Asked], facts: Mapping[str, Any]) -> list[tuple[str, str]]:
    """(question, answer) of what was answered, in words; None is that nobody knows, and a code that no criteria here
    know stands as sent."""
    lines = []
    for fact in facts_about_event(asked):
        if fact.name in facts:
            answer = facts[fact.name]
            typed = _("Don't know") if answer is None else f"{answer} {fact.unit or ''}".strip()
            lines.append((in_words(fact), dict(choices(fact)).get(str(answer), typed)))
    return lines


def choices(fact: Fact) -> list[tuple[str, str]]:
    """(code, words) of the answers; empty for a measured fact."""
    return [(answer.code, said(answer.label)) for answer in fact.answers]
