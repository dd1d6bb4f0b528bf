"""A breach report in words: its facts, what the criteria say of them, and who said what since."""

from collections.abc import Container, Iterable, Mapping, Sized
from dataclasses import dataclass
from typing import Any

from django.utils.translation import gettext as _

from exposure.classify.assess import criteria_or_none, in_force, tier_label
from exposure.classify.criteria import Criteria, text
from exposure.classify.models import Assessment, Signature
from exposure.classify.table import Fact
from exposure.places.models import FailureType, FirstAidCard, Step
from exposure.report import flags
from exposure.report.models import Breach

MOST_SHOWN = 200  # of what a report may hold any number of


@dataclass(frozen=True)
class FactWords:
    """One question and its answer ("" while unknown). `reported` is what the report said, where that differs."""

    ask: str
    answer: str
    reported: str = ""
    about_case: bool = False


@dataclass(frozen=True)
class AssessmentWords:
    """One assessment with its tiers in the version's own words."""

    row: Assessment
    floor: str
    ceiling: str
    tier: str
    treated_as: str
    questions: tuple[str, ...]
    waits_for_signature: bool
    signed_by: str
    in_force: bool


@dataclass(frozen=True)
class ReportWords:
    """All that the page of a report shows beside its columns."""

    happened: str
    step: str
    first_aid: tuple[str, ...]
    facts: tuple[FactWords, ...]
    others: tuple[tuple[str, str], ...]
    flags: tuple[str, ...]
    assessments: tuple[AssessmentWords, ...]

    @property
    def current(self) -> list[AssessmentWords]:
        """Those in force, and those that wait for a signature."""
        return [words for words in self.assessments if words.in_force or words.waits_for_signature]


def describe(breach: Breach) -> ReportWords:
    """The report in words, from a fixed number of statements."""
    assessments = list(breach.assessments.select_related("version", "breach__site"))
    signatures = _signatures(assessments)
    standing = in_force(assessments, frozenset(signatures))
    criterias = [
        criteria for assessment in standing.values() if (criteria := criteria_or_none(assessment.version))
    ]
    answers = current_answers(breach, standing)
    known = {fact.name for criteria in criterias for fact in criteria.facts}
    return ReportWords(
        happened=failure_label(breach.what_happened),
        step=_step(breach.protocol_step),
        first_aid=_cards(breach.first_aid),
        facts=tuple(_fact_words(criterias, answers, breach.facts)),
        others=_others(breach.facts, known),
        flags=tuple(flags.in_words(flag) for flag in breach.flags),
        assessments=tuple(
            _assessment(assessment, assessments, standing, signatures) for assessment in assessments
        ),
    )


def standing_assessments(breach: Breach) -> Mapping[str, Assessment]:
    """Pathogen -> the assessment in force."""
    assessments = list(breach.assessments.select_related("version", "breach__site"))
    return in_force(assessments, frozenset(_signatures(assessments)))


def current_answers(breach: Breach, standing: Mapping[str, Assessment]) -> dict[str, Any]:
    """The answers so far: as reported, then as the assessments in force have them."""
    answers = dict(breach.facts)
    for assessment in standing.values():
        answers |= assessment.facts
    return answers


def questions(criterias: Iterable[Criteria]) -> dict[str, list[Fact]]:
    """Fact name -> the question in every version that asks it about the event or the worker."""
    asked: dict[str, list[Fact]] = {}
    for criteria in criterias:
        for fact in criteria.facts:
            if fact.about != "case":
                asked.setdefault(fact.name, []).append(fact)
    return asked


def answer_words(fact: Fact, answer: Any) -> str:
    """The answer as people read it; a code that the version does not know as it stands."""
    if answer is None:
        return ""
    if fact.cuts:
        return f"{answer} {fact.unit}"
    return next((text(known.label) for known in fact.answers if known.code == answer), str(answer))


def failure_label(code: str) -> str:
    """What happened, in the protocol's words."""
    failure = FailureType.objects.filter(code=code).first() if code else None
    return failure.label if failure else code


def _others(facts: Mapping[str, Any], known: Container[str]) -> tuple[tuple[str, str], ...]:
    """Answers to what the criteria do not ask, as they were sent."""
    others = [(name, str(answer)) for name, answer in facts.items() if name not in known]
    return (*others[:MOST_SHOWN], *([(_more(others), "")] if _more(others) else []))


def _step(code: str) -> str:
    step = Step.objects.filter(code=code).first() if code else None
    return step.item if step else code


def _cards(codes: list[str]) -> tuple[str, ...]:
    titles = dict(FirstAidCard.objects.values_list("code", "title"))  # few; a report may name any number
    return tuple(filter(None, [*(titles.get(code, code) for code in codes[:MOST_SHOWN]), _more(codes)]))


def _more(words: Sized) -> str:
    """How many are not shown; "" where all are."""
    return _("and %(count)s more") % {"count": len(words) - MOST_SHOWN} if len(words) > MOST_SHOWN else ""


def _fact_words(
    criterias: Iterable[Criteria], answers: Mapping[str, Any], reported: Mapping[str, Any]
) -> Iterable[FactWords]:
    seen = set()
    for criteria in criterias:
        for fact in criteria.facts:
            if fact.name in seen:
                continue
            seen.add(fact.name)
            now, then = (answer_words(fact, given.get(fact.name)) for given in (answers, reported))
            yield FactWords(text(fact.ask), now, then if then != now else "", fact.about == "case")


def _signatures(assessments: Iterable[Assessment]) -> dict[str, Signature]:
    subjects = [f"{kind}:{row.uid}" for row in assessments for kind in ("override", "assessment")]
    signatures = Signature.objects.filter(subject__in=subjects).select_related("user")
    return {signature.subject: signature for signature in signatures}


def _assessment(
    row: Assessment,
    assessments: list[Assessment],
    standing: Mapping[str, Assessment],
    signatures: Mapping[str, Signature],
) -> AssessmentWords:
    criteria = criteria_or_none(row.version)
    asks = {fact.name: text(fact.ask) for fact in criteria.facts} if criteria else {}
    first, second = (signatures.get(f"{kind}:{row.uid}") for kind in ("override", "assessment"))
    newest = max(other.pk for other in assessments if other.pathogen == row.pathogen)
    return AssessmentWords(
        row=row,
        floor=tier_label(row, row.floor),
        ceiling=tier_label(row, row.ceiling),
        tier=tier_label(row, row.tier),
        treated_as=tier_label(row, row.treated_as),
        questions=tuple(asks.get(name, name) for name in row.open_questions),
        waits_for_signature=row.second_signature_needed and second is None and row.pk == newest,
        signed_by=", ".join(str(signature.user) for signature in (first, second) if signature),
        in_force=standing.get(row.pathogen) == row,
    )
