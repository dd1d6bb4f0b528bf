"""Assess a breach: which criteria apply, what they say of the facts, and the tier that rules meanwhile."""

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from exposure.classify.criteria import Criteria, CriteriaError, Verdict, text
from exposure.classify.models import Adoption, Assessment, CriteriaVersion
from exposure.classify.plan import Plan
from exposure.classify.versions import columns_of
from exposure.places.models import FailureType, Site
from exposure.report.intake import TREATED_AT_HIGHEST, cases_open
from exposure.report.models import Breach, Case, CaseStatement

NO_PATHOGEN = "unknown"
BLOODBORNE = "bloodborne"
OUTDATED = frozenset({"outdated_facts", "criteria_retired"})


def criteria_of(version: CriteriaVersion) -> Criteria:
    """The parsed criteria of a stored version; parsing is cached by the engine."""
    return Criteria.parse(version.text)


def adopted(site: Site, pathogen: str, *, at: datetime) -> CriteriaVersion | None:
    """The version that the site works with at `at`, or None."""
    adoption = (
        Adoption.objects.filter(site=site, pathogen=pathogen, from_at__lte=at)
        .exclude(until_at__lte=at)
        .select_related("version")
        .first()
    )
    return adoption.version if adoption else None


def adopted_pathogens(site: Site, *, at: datetime) -> list[str]:
    """The pathogens for which the site works with criteria, by name."""
    in_use = Adoption.objects.filter(site=site, from_at__lte=at).exclude(until_at__lte=at)
    return sorted(set(in_use.values_list("pathogen", flat=True)))


def plan_of(assessment: Assessment) -> Plan | None:
    """The plan of the tier that the assessment is treated as; None where nothing was adopted."""
    if assessment.version is None:
        return None
    return next(
        tier.plan for tier in criteria_of(assessment.version).tiers if tier.code == assessment.treated_as
    )


def tier_label(assessment: Assessment, code: str) -> str:
    """The tier's name for people, in the version's own words."""
    if assessment.version is None or not code:
        return ""
    return next(
        (text(tier.label) for tier in criteria_of(assessment.version).tiers if tier.code == code), code
    )


def is_highest(assessment: Assessment) -> bool:
    """Whether the tier it is treated as is the highest there is; without criteria nobody can say otherwise."""
    if assessment.version is None:
        return True
    return assessment.treated_as == criteria_of(assessment.version).tiers[-1].code


def rank(assessment: Assessment) -> int:
    """The place of the tier it is treated as, the lowest being 0; 0 without criteria."""
    if assessment.version is None:
        return 0
    return [tier.code for tier in criteria_of(assessment.version).tiers].index(assessment.treated_as)


def in_force(assessments: Iterable[Assessment], signed: frozenset[str]) -> dict[str, Assessment]:
    """Pathogen -> the newest assessment that is in force. `signed`: subjects that carry a second signature."""
    newest: dict[str, Assessment] = {}
    for assessment in assessments:
        if not assessment.second_signature_needed or f"assessment:{assessment.uid}" in signed:
            newest[assessment.pathogen] = assessment
    return newest


def assess_report(breach: Breach, *, at: datetime) -> list[Assessment]:
    """One assessment per pathogen concerned, at least one. Adds what it noticed to `breach.flags` (unsaved)."""
    pathogens = _pathogens(breach)
    versions = {pathogen: adopted(breach.site, pathogen, at=at) for pathogen in pathogens}
    _flag_version(breach, versions)
    if BLOODBORNE not in versions and _through_skin(breach, versions.values()):
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


def assess(
    breach: Breach,
    pathogen: str,
    version: CriteriaVersion | None,
    answers: dict[str, Any],
    *,
    kind: str,
    reason: str = "",
) -> Assessment:
    """Classify and store. Answers that the version does not know are left out; contradictory ones leave every
    tier possible and flag the breach (unsaved). Until a clinician has spoken with the worker, answers to outdated
    questions leave the highest tier possible, and what cannot be relied on is treated as that."""
    if version is None:
        return Assessment.objects.create(
            breach=breach, pathogen=pathogen, version=None, kind=kind, facts=answers, reason=reason
        )
    criteria = criteria_of(version)
    facts = _known(criteria, {**answers, **_case_facts(breach.case, pathogen)})
    try:
        verdict = criteria.classify(facts)
    except CriteriaError:
        _flag(breach, "contradictory")
        verdict = criteria.classify({})
    highest = criteria.tiers[-1].code
    doubts = TREATED_AT_HIGHEST.intersection(breach.flags) if breach.confirmed_at is None else frozenset()
    ceiling = highest if doubts & OUTDATED else verdict.ceiling
    tier = ceiling if ceiling == verdict.floor else ""
    return Assessment.objects.create(
        breach=breach,
        pathogen=pathogen,
        version=version,
        kind=kind,
        facts=facts,
        floor=verdict.floor,
        ceiling=ceiling,
        tier=tier,
        treated_as=highest if doubts else ceiling,
        covered=verdict.covered,
        rules=list(verdict.rules),
        reasons=_reasons(criteria, verdict),
        open_questions=list(verdict.open_questions),
        reason=reason,
    )


def override(current: Assessment, tier: str, *, reason: str) -> Assessment:
    """A clinician's own tier beside the assessment it departs from. A lower one waits for a second signature
    where the plan in force asks for it."""
    criteria = criteria_of(current.version)
    order = [one.code for one in criteria.tiers]
    asked = (plan_of(current) or Plan("none")).second_signature
    lower = order.index(tier) < order.index(current.treated_as)
    return Assessment.objects.create(
        breach=current.breach,
        pathogen=current.pathogen,
        version=current.version,
        kind=Assessment.Kind.OVERRIDE,
        facts=current.facts,
        floor=current.floor,
        ceiling=current.ceiling,
        tier=tier,
        treated_as=tier,
        covered=current.covered,
        rules=current.rules,
        reasons=current.reasons,
        open_questions=[],
        reason=reason,
        second_signature_needed=asked == "always" or (asked == "lower" and lower),
    )


def propose_text(content: str, *, by: str, at: datetime, proposed: bool = False) -> CriteriaVersion:
    """Store a criteria text as a version (again the same text: the version that stands). Raises CriteriaError."""
    criteria = Criteria.parse(content)
    version, _ = CriteriaVersion.objects.get_or_create(
        pathogen=criteria.pathogen,
        version=criteria.version,
        defaults={
            **columns_of(criteria),
            "drafted_by": by,
            "proposed_at": at if proposed else None,
            "proposed_by": by if proposed else "",
        },
    )
    return version


def _pathogens(breach: Breach) -> list[str]:
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
        _flag(breach, "criteria_retired" if known else "outdated_facts")


def _through_skin(breach: Breach, versions: Iterable[CriteriaVersion | None]) -> bool:
    if FailureType.objects.filter(code=breach.what_happened, bloodborne=True).exists():
        return True
    return any(
        answer.through_skin and breach.facts.get(fact.name) == answer.code
        for version in versions
        if version is not None
        for fact in criteria_of(version).facts
        for answer in fact.answers
    )


def _flag_unknown_facts(breach: Breach, versions: Iterable[CriteriaVersion | None]) -> None:
    known = [version for version in versions if version is not None]
    for name, answer in breach.facts.items():
        if known and not any(_known(criteria_of(version), {name: answer}) for version in known):
            _flag(breach, f"unknown_answer:{name}")


def _known(criteria: Criteria, answers: dict[str, Any]) -> dict[str, Any]:
    """The answers that these criteria can read."""
    facts = {fact.name: fact for fact in criteria.facts}
    known = {}
    for name, answer in answers.items():
        if name not in facts or answer is None:
            continue
        try:
            facts[name].position(answer)
        except CriteriaError:
            continue
        known[name] = answer
    return known


def _case_facts(case: Case | None, pathogen: str) -> dict[str, Any]:
    """What clinicians stated about the case, for the facts that are about it."""
    if case is None:
        return {}
    statement = case.statements.filter(pathogen=pathogen).order_by("recorded_at", "id").last()
    return {"case_status": statement.status, **statement.facts} if statement else {}


def _reasons(criteria: Criteria, verdict: Verdict) -> list[dict[str, str]]:
    """The rules that held, in words, with their source's title."""
    sources = {source.id: text(source.title) for source in criteria.sources}
    return [
        {"rule": rule.id, "because": text(rule.because or ""), "source": sources.get(rule.source or "", "")}
        for rule in criteria.rules
        if rule.id in verdict.rules
    ]


def _flag(breach: Breach, flag: str) -> None:
    if flag not in breach.flags:
        breach.flags.append(flag)
