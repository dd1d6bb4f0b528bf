"""The assessments of reports that are in force, second signatures counted."""

from collections import defaultdict
from collections.abc import Iterable

from exposure.classify import assess
from exposure.classify.models import Assessment, Signature
from exposure.report.models import Breach


def assessments_in_force(breach: Breach) -> dict[str, Assessment]:
    """Pathogen -> the newest assessment of the breach that is in force."""
    return in_force_of([breach])[breach.pk]


def settled_in_force(breach: Breach) -> dict[str, str]:
    """Pathogen -> the tier that was settled last among the assessments that are, or were, in force."""
    assessments, signed = _with_signatures([breach])[breach.pk]
    return {
        assessment.pathogen: assessment.tier
        for assessment in assessments
        if assessment.tier and (not assessment.second_signature_needed or _signed(assessment) in signed)
    }


def in_force_of(breaches: Iterable[Breach]) -> dict[int, dict[str, Assessment]]:
    """Breach -> pathogen -> the newest assessment in force, with a fixed number of statements."""
    return {breach: assess.in_force(*found) for breach, found in _with_signatures(breaches).items()}


def awaiting_signature(breaches: Iterable[Breach]) -> list[Assessment]:
    """The newest assessments of a pathogen that take effect only with a second signature, which is not there yet."""
    waiting = []
    for assessments, signed in _with_signatures(breaches).values():
        newest = {assessment.pathogen: assessment for assessment in assessments}
        waiting += [
            assessment
            for assessment in newest.values()
            if assessment.second_signature_needed and _signed(assessment) not in signed
        ]
    return waiting


def _signed(assessment: Assessment) -> str:
    return f"assessment:{assessment.uid}"


def _with_signatures(
    breaches: Iterable[Breach],
) -> dict[int, tuple[list[Assessment], frozenset[str]]]:
    """Breach -> its assessments, oldest first, and the subjects among them that carry a second signature."""
    of_breach: dict[int, list[Assessment]] = defaultdict(list)
    keys = [breach.pk for breach in breaches]
    assessments = Assessment.objects.filter(breach__in=keys).select_related("version", "breach__site")
    for assessment in assessments.order_by("recorded_at", "id"):
        of_breach[assessment.breach_id].append(assessment)
    subjects = [
        _signed(assessment)
        for found in of_breach.values()
        for assessment in found
        if assessment.second_signature_needed
    ]
    signed = (
        frozenset(Signature.objects.filter(subject__in=subjects).values_list("subject", flat=True))
        if subjects
        else frozenset()
    )
    return {key: (of_breach[key], signed) for key in keys}
