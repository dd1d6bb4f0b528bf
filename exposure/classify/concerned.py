"""Which pathogens a report concerns, and what is odd about its answers in the light of their criteria."""

from collections.abc import Iterable
from datetime import datetime

from exposure.classify.assess import adopted, assess, criteria_or_none, flag, known_answers
from exposure.classify.models import Assessment, CriteriaVersion
from exposure.places.models import FailureType
from exposure.report import flags
from exposure.report.intake import cases_open
from exposure.report.models import Breach, CaseStatement

NO_PATHOGEN = "unknown"
BLOODBORNE = "bloodborne"


def assess_report(breach: Breach, *, at: datetime) -> list[Assessment]:
    """One assessment per pathogen concerned, at least one. Adds what it noticed to `breach.flags` (unsaved)."""
    pathogens = _pathogens_of(breach)
    versions = {pathogen: adopted(breach.site, pathogen, at=at) for pathogen in pathogens}
    _flag_version(breach, versions)
    if BLOODBORNE not in versions and _reaches_blood(breach, versions.values()):
        bloodborne = adopted(breach.site, BLOODBORNE, at=at)
        if bloodborne is not None:
            versions[BLOODBORNE] = bloodborne
    _flag_unknown_facts(breach, versions.values())
    # What is said about oneself settles nothing until a clinician has confirmed it.
    answers = {} if "self_answered" in breach.flags else breach.facts
    return [
        assess(breach, pathogen, version, answers, kind=Assessment.Kind.REPORT)
        for pathogen, version in versions.items()
    ]


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


def _reaches_blood(breach: Breach, versions: Iterable[CriteriaVersion | None]) -> bool:
    if FailureType.objects.filter(code=breach.what_happened, bloodborne=True).exists():
        return True
    return any(
        answer.through_skin and breach.facts.get(fact.name) == answer.code
        for criteria in filter(None, map(criteria_or_none, versions))
        for fact in criteria.facts
        for answer in fact.answers
    )


def _flag_unknown_facts(breach: Breach, versions: Iterable[CriteriaVersion | None]) -> None:
    criterias = [criteria for criteria in map(criteria_or_none, versions) if criteria]
    if criterias:
        known = set().union(*(known_answers(criteria, breach.facts) for criteria in criterias))
        unknown = (name for name, answer in breach.facts.items() if answer is not None and name not in known)
        breach.flags = flags.with_unknown_answers(breach.flags, unknown)
