"""Assess a breach: which criteria apply, what they say of the facts, and the tier that rules meanwhile.

A stored text may no longer be read (by a later release, or because somebody changed the row): nothing here raises
for it. Such a version counts as none wherever it would be applied, and a report under it stays unassessed.
"""

import logging
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from exposure.classify.criteria import Criteria, CriteriaError, TooIntricate, Verdict, text
from exposure.classify.models import Adoption, Assessment, CriteriaVersion
from exposure.classify.plan import Plan
from exposure.classify.table import Tier
from exposure.classify.versions import columns_of
from exposure.places.models import Site
from exposure.report import flags
from exposure.report.intake import TREATED_AT_HIGHEST
from exposure.report.models import Breach, Case

OUTDATED = frozenset({"outdated_facts", "criteria_retired"})
log = logging.getLogger(__name__)


def criteria_of(version: CriteriaVersion) -> Criteria:
    """The parsed criteria of a stored version; parsing is cached by the engine. Raises CriteriaError: for whoever looks
    at the text itself. All else asks `criteria_or_none`."""
    return Criteria.parse(version.text)


def criteria_or_none(version: CriteriaVersion | None) -> Criteria | None:
    """The criteria of a stored version; None where there is none and where they cannot be applied: the text can no
    longer be read, or its rules are too entangled."""
    if version is None:
        return None
    try:
        criteria = criteria_of(version)
    except CriteriaError:
        return None
    except Exception:  # one version must not break what has nothing to do with it
        log.exception("Criteria %s cannot be read.", version)
        return None
    return None if criteria.too_entangled else criteria


def tiers_of(version: CriteriaVersion | None) -> tuple[Tier, ...]:
    """The tiers of a stored version, lowest first; none where its criteria cannot be applied."""
    criteria = criteria_or_none(version)
    return criteria.tiers if criteria else ()


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


def unreadable(assessment: Assessment) -> bool:
    """Was it made under a version that can no longer be applied? Its tier is a code, its plan is not known."""
    return assessment.version is not None and criteria_or_none(assessment.version) is None


def plan_of(assessment: Assessment) -> Plan | None:
    """The plan of the tier that the assessment is treated as; None where nothing was adopted or nothing can be read."""
    tiers = tiers_of(assessment.version)
    return next((tier.plan for tier in tiers if tier.code == assessment.treated_as), None)


def tier_label(assessment: Assessment, code: str) -> str:
    """The tier's name for people, in the version's own words; the code where these cannot be read."""
    if assessment.version is None or not code:
        return ""
    return next((text(tier.label) for tier in tiers_of(assessment.version) if tier.code == code), code)


def is_highest(assessment: Assessment) -> bool:
    """Whether the tier it is treated as is the highest there is; without criteria nobody can say otherwise."""
    codes = [tier.code for tier in tiers_of(assessment.version)]
    return assessment.treated_as not in codes[:-1]


def rank(assessment: Assessment) -> int:
    """The place of the tier it is treated as, the lowest being 0; 0 without criteria."""
    codes = [tier.code for tier in tiers_of(assessment.version)]
    return codes.index(assessment.treated_as) if assessment.treated_as in codes else 0


def in_force(assessments: Iterable[Assessment], signed: frozenset[str]) -> dict[str, Assessment]:
    """Pathogen -> the newest assessment that is in force. `signed`: subjects that carry a second signature."""
    newest: dict[str, Assessment] = {}
    for assessment in assessments:
        if not assessment.second_signature_needed or f"assessment:{assessment.uid}" in signed:
            newest[assessment.pathogen] = assessment
    return newest


@dataclass(frozen=True)
class Standing:
    """The assessment in force before. `confirmed`: a clinician has spoken with the worker before this one.
    `may_lower`: who answers now is a clinician. `settled`: the tier that was settled last; answers that leave it open
    again settle nothing else."""

    assessment: Assessment
    confirmed: bool
    may_lower: bool
    settled: str = ""

    def tier_that_stands(self) -> str:
        """The tier below which one goes only with the plan's signatures: decided by a clinician, or settled."""
        decided = self.confirmed or self.assessment.kind == Assessment.Kind.OVERRIDE
        return self.assessment.treated_as if decided else self.assessment.tier or self.settled


def assess(
    breach: Breach,
    pathogen: str,
    version: CriteriaVersion | None,
    answers: dict[str, Any],
    *,
    kind: str,
    reason: str = "",
    stands: Standing | None = None,
) -> Assessment:
    """Classify and store. Answers that the version does not know are left out; contradictory ones leave every
    tier possible and flag the breach (unsaved). Until a clinician has spoken with the worker, answers to outdated
    questions leave the highest tier possible, and what cannot be relied on is treated as that.

    Whatever goes wrong in classifying flags the breach, and the answers are kept: with the tier of the assessment that
    `stands`, else without any, as where nothing was adopted.
    """
    found: dict[str, Any] | None = None
    if version is not None:
        given = {**answers, **_case_facts(breach.case, pathogen)}
        try:
            found = _classified(breach, version, given, stands)
        except Exception as error:  # a report is kept whatever the criteria do
            log.error("%s cannot be classified by %s.", breach, version, exc_info=error)
            flag(breach, f"{flags.CRITERIA_FAILED}:{version}")
            found = _as_it_stands(stands)
    return Assessment.objects.create(
        breach=breach,
        pathogen=pathogen,
        kind=kind,
        reason=reason,
        **({"facts": answers} if found is None else {"facts": answers, **found}),
    )


def _classified(
    breach: Breach, version: CriteriaVersion, given: dict[str, Any], stands: Standing | None
) -> dict[str, Any]:
    """What the criteria say of these answers, as columns of an assessment."""
    criteria = criteria_of(version)
    facts = known_answers(criteria, given)
    try:
        verdict = criteria.classify(facts)
    except TooIntricate:
        raise
    except CriteriaError:
        flag(breach, "contradictory")
        verdict = criteria.classify({})
    highest = criteria.tiers[-1].code
    doubts = TREATED_AT_HIGHEST.intersection(breach.flags) if breach.confirmed_at is None else frozenset()
    ceiling = highest if doubts & OUTDATED else verdict.ceiling
    found = {
        "version": version,
        "facts": facts,
        "floor": verdict.floor,
        "ceiling": ceiling,
        "tier": ceiling if ceiling == verdict.floor else "",
        "treated_as": highest if doubts else ceiling,
        "covered": verdict.covered,
        "rules": list(verdict.rules),
        "reasons": _reasons(criteria, verdict),
        "open_questions": list(verdict.open_questions),
    }
    if stands is not None and stands.assessment.version_id == version.pk:
        found |= _beside(stands, criteria, found["treated_as"], found["tier"])
    elif (
        stands is not None and not stands.may_lower
    ):  # the site's default plan stands: no tier is known to be as high
        found |= {"treated_as": highest, "tier": ""}
    return found


def _beside(stands: Standing, criteria: Criteria, treated_as: str, tier: str) -> dict[str, Any]:
    """What an assessment in force before changes in one that would settle `tier` and be treated as that, as columns."""
    order = [tier.code for tier in criteria.tiers]
    before, changed = stands.assessment.treated_as, {}
    if not stands.may_lower and order.index(treated_as) < order.index(before):
        treated_as = before
        changed = {"treated_as": before, "tier": ""}
    settled = stands.tier_that_stands()
    if settled and order.index(treated_as) < order.index(settled):
        changed["second_signature_needed"] = _asks_second(plan_of(stands.assessment), lower=True)
    elif settled and tier and order.index(tier) < order.index(settled):
        changed["tier"] = (
            ""  # treated higher for its doubts: once these are gone, two have to settle it lower
        )
    return changed


def _as_it_stands(stands: Standing | None) -> dict[str, Any] | None:
    """The tier of an earlier assessment, for one that could not be made: nobody is moved by criteria that fail."""
    if stands is None or stands.assessment.version is None:
        return None
    kept = (
        "version",
        "floor",
        "ceiling",
        "tier",
        "treated_as",
        "covered",
        "rules",
        "reasons",
        "open_questions",
    )
    return {name: getattr(stands.assessment, name) for name in kept}


def _asks_second(plan: Plan | None, *, lower: bool) -> bool:
    """Whether the plan in force asks for a second signature under another tier."""
    asked = plan.second_signature if plan is not None else "none"
    return asked == "always" or (asked == "lower" and lower)


def override(current: Assessment, tier: str, *, reason: str) -> Assessment:
    """A clinician's own tier beside the assessment it departs from, whose criteria can be read. A lower one waits for
    a second signature where the plan in force asks for it."""
    order = [one.code for one in tiers_of(current.version)]
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
        second_signature_needed=_asks_second(plan_of(current), lower=lower),
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


def readable(version: CriteriaVersion | None, answers: dict[str, Any]) -> dict[str, Any]:
    """The answers that the version can read; all of them where it cannot be applied."""
    criteria = criteria_or_none(version)
    return known_answers(criteria, answers) if criteria else answers


def of_the_event(version: CriteriaVersion | None, answers: dict[str, Any]) -> dict[str, Any]:
    """The answers without what only a clinician says: facts about the worker, such as immunity."""
    criteria = criteria_or_none(version)
    clinical = {fact.name for fact in criteria.facts if fact.about == "worker"} if criteria else frozenset()
    return {name: answer for name, answer in answers.items() if name not in clinical}


def known_answers(criteria: Criteria, answers: dict[str, Any]) -> dict[str, Any]:
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


def flag(breach: Breach, word: str) -> None:
    """Note what is odd (unsaved), once."""
    if word not in breach.flags:
        breach.flags.append(word)
