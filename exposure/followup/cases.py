"""Which exposures and follow-ups belong to a case."""

from collections.abc import Iterable
from datetime import datetime

from django.db.models import Q, QuerySet

from exposure.followup.models import Exposure, FollowUp
from exposure.report.models import Case


def exposures_to(cases: Iterable[Case]) -> QuerySet[Exposure]:
    """The standing exposures to any of the cases, reported or recorded."""
    cases = list(cases)
    return Exposure.objects.filter(Q(breach__case__in=cases) | Q(case__in=cases), withdrawn_at=None)


def linked_follow_ups(case: Case, pathogen: str | None = None, *, at: datetime) -> QuerySet[FollowUp]:
    """The running follow-ups with a standing exposure to the case."""
    running = FollowUp.objects.running(at=at).filter(exposures__in=exposures_to([case]))
    if pathogen is not None:
        running = running.filter(pathogen=pathogen)
    return running.distinct().select_related("worker", "site")


def cases_of(follow_up: FollowUp) -> QuerySet[Case]:
    """The cases that its standing exposures belong to."""
    standing = follow_up.exposures.filter(withdrawn_at=None)
    return Case.objects.filter(Q(exposures__in=standing) | Q(breaches__exposures__in=standing)).distinct()
