"""Which pathogens a report concerns, and what is odd about its answers in the light of their criteria."""

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from exposure.classify.assess import (
    adopted,
    adopted_pathogens,
    assess,
    criteria_or_none,
    flag,
    known_answers,
    of_the_event,
)
from exposure.classify.criteria import Criteria, CriteriaError
from exposure.classify.models import Assessment, CriteriaVersion
from exposure.places.models import FailureType
from exposure.report import flags
from exposure.report.intake import cases_open
from exposure.report.models import Breach, CaseStatement

NO_PATHOGEN = "unknown"
BLOODBORNE = "bloodborne"


def assess_report(breach: Breach, *, at: datetime) -> list[Assessment]:
    """One assessment per pathogen concerned, at least one. Adds what it noticed to `breach.flags` (unsaved)."""
    versions = {pathogen: adopted(breach.site, pathogen, at=at) for pathogen in _pathogens_of(breach)}
    _flag_version(breach, versions)
    _flag_unknown_facts(breach, [*versions.values(), adopted(breach.site, BLOODBORNE, at=at)])
    # What is said about oneself settles nothing until a clinician has confirmed it.
    answers = {} if "self_answered" in breach.flags else breach.facts
    kind = Assessment.Kind.REPORT
    made = [
        assess(breach, pathogen, version, of_the_event(version, answers), kind=kind)
        for pathogen, version in versions.items()
    ]
    return made + assess_blood(breach, made, answers, kind=kind, at=at)


def assess_blood(
    breach: Breach, others: list[Assessment], answers: dict[str, Any], *, kind: str, at: datetime
) -> list[Assessment]:
    """The first assessment by the bloodborne criteria, where blood or body fluid has had a way in, or where that stays
    unknown: it was asked and nobody knew, or it is open still when a clinician confirms. None where `others`, those in
    force, have it already. Without an adopted version it is made all the same, unassessed."""
    confirmed = breach.confirmed_at is not None or kind == Assessment.Kind.CONFIRMATION
    reported = breach.body.get("facts") or {}
    asked = None if confirmed else {name for name, one in {**reported, **answers}.items() if one is None}
    if any(one.pathogen == BLOODBORNE for one in others):
        return []
    if not _may_have_a_way_in(breach, others, asked, at=at):
        return []
    return [assess(breach, BLOODBORNE, adopted(breach.site, BLOODBORNE, at=at), answers, kind=kind)]


def _pathogens_of(breach: Breach) -> list[str]:
    """The pathogen named; else those of the case; else those of all cases open at the station at that time."""
    named = (breach.body.get("pathogen") or "").strip()
    if named:
        return [named[:60]]
    cases = [breach.case] if breach.case else []
    if not cases and breach.station:
        cases = cases_open(breach.station, at=breach.happened_at)
    newest = {
        (one.case_id, one.pathogen): one
        for one in CaseStatement.objects.filter(case__in=cases).order_by("recorded_at", "id")
    }
    found = [one.pathogen for one in newest.values() if one.status != CaseStatement.Status.RULED_OUT]
    return list(dict.fromkeys(found)) or [NO_PATHOGEN]


def _flag_version(breach: Breach, versions: dict[str, CriteriaVersion | None]) -> None:
    """Questions that came from none of the adopted versions: their answers may be outdated."""
    asked, in_use = breach.criteria_version, [one.version for one in versions.values() if one is not None]
    if asked and in_use and asked not in in_use:
        known = CriteriaVersion.objects.filter(pathogen__in=versions, version=asked).exists()
        flag(breach, "criteria_retired" if known else "outdated_facts")


def _may_have_a_way_in(
    breach: Breach, assessments: list[Assessment], asked: set[str] | None, *, at: datetime
) -> bool:
    """By the failure marked, by an answer that is marked, or because a question with such an answer stays open while
    something may have happened at all. `asked`: the questions that were asked in vain; None where all were. Where no
    criteria apply (no case is open), answers are read by all that the site works with, and the bloodborne ones say what
    stays open."""
    if FailureType.objects.filter(code=breach.what_happened, bloodborne=True).exists():
        return True
    read = [(one, criteria) for one in assessments if (criteria := criteria_or_none(one.version))]
    if read:
        return any(
            _is_marked(criteria, {**breach.facts, **one.facts})
            or _stays_open(criteria, one.facts, one.ceiling, asked)
            for one, criteria in read
        )
    said = {name: answer for one in assessments for name, answer in {**breach.facts, **one.facts}.items()}
    criterias = {
        name: criteria
        for name in adopted_pathogens(breach.site, at=at)
        if (criteria := criteria_or_none(adopted(breach.site, name, at=at)))
    }
    if any(_is_marked(criteria, said) for criteria in criterias.values()):
        return True
    bloodborne = criterias.get(BLOODBORNE)
    if bloodborne is None:
        return False
    known = known_answers(bloodborne, said)
    try:
        return _stays_open(bloodborne, known, bloodborne.classify(known).ceiling, asked)
    except CriteriaError:  # they contradict each other
        return True


def _is_marked(criteria: Criteria, answers: dict[str, Any]) -> bool:
    return any(
        answer.bloodborne and answers.get(fact.name) == answer.code
        for fact in criteria.facts
        for answer in fact.answers
    )


def _stays_open(criteria: Criteria, answers: dict[str, Any], ceiling: str, asked: set[str] | None) -> bool:
    """Whether nobody knows by which way, where it is not known that nothing happened. The question that asks for the
    way is the one with the most marked answers: who knows that the skin is whole need not know the rest."""
    if ceiling == criteria.tiers[0].code:
        return False
    marked = {fact.name: sum(answer.bloodborne for answer in fact.answers) for fact in criteria.facts}
    way = max(marked, key=marked.__getitem__, default="")
    return bool(marked.get(way)) and way not in answers and (asked is None or way in asked)


def _flag_unknown_facts(breach: Breach, versions: Iterable[CriteriaVersion | None]) -> None:
    criterias = [criteria for criteria in map(criteria_or_none, versions) if criteria]
    if criterias:
        known = set().union(*(known_answers(criteria, breach.facts) for criteria in criterias))
        unknown = (name for name, answer in breach.facts.items() if answer is not None and name not in known)
        breach.flags = flags.with_unknown_answers(breach.flags, unknown)
