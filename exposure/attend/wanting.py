"""In whom something can be wrong at all, asked of the database: nobody else need be read to put a list in order."""

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta

from django.db.models import Count, DateTimeField, Exists, OuterRef, Q, QuerySet, Subquery, Value
from django.db.models.functions import Coalesce

from exposure.attend.models import Alert, Promise
from exposure.attend.overview import WITHOUT_CONFIRMATION
from exposure.attend.watched import FLAGGED_BY_ALERT, USUAL_SILENCE
from exposure.classify.assess import criteria_or_none
from exposure.classify.models import CriteriaVersion
from exposure.followup.fills import standing_fill
from exposure.followup.models import Check, Exposure, Fill, FollowUp, Reading
from exposure.followup.plans import under_criteria

LONG_AGO = datetime(1, 1, 2, tzinfo=UTC)
AHEAD = timedelta(hours=14)  # the zone in which a day begins first
LATE_ENTRY = timedelta(days=2)  # a reading taken earlier than this before it was recorded is not looked for


def wanting(follow_ups: QuerySet[FollowUp], *, at: datetime) -> list[int]:
    """Keys of all who have a flag (`watched.flags_of`), and of some who turn out to have none; three statements."""
    exposures = Exposure.objects.filter(follow_up=OuterRef("pk"), withdrawn_at=None)
    last = (at + AHEAD).date()
    heard = Reading.objects.filter(worker=OuterRef("worker"), could_not="")
    since = at - timedelta(hours=_shortest_silence(follow_ups))
    heard = heard.filter(taken_at__gt=since - LATE_ENTRY, recorded_at__gt=since)
    some = asked_of(follow_ups.order_by(), at=at).filter(
        Q(missing__gt=0)
        | Q(state="repeat_due")
        | ~Exists(heard)
        | _alerted()
        | Q(pk__in=_open_questions().values("follow_up"))
        | (Exists(exposures.filter(last_day__lt=last)) & ~Exists(exposures.filter(last_day__gte=last)))
        | Exists(exposures.filter(plan__observed_per_day__gt=0))
    )
    return list(some.values_list("pk", flat=True))


def asked_of(follow_ups: QuerySet[FollowUp], *, at: datetime) -> QuerySet[FollowUp]:
    """With what was asked of each, found by the index of its checks: `opened`, `following`, `missing` and `state`, that
    of what counts against the newest (see `Asked`)."""
    checks = Check.objects.filter(follow_up=OuterRef("pk"), withdrawn_at=None)
    opened = checks.filter(opens_at__lte=at).order_by("-opens_at")
    over = checks.filter(opens_at__lt=at, closes_at__lte=at)
    given = Fill.objects.filter(standing_fill())
    # A value and no Exists, which PostgreSQL would join with every check before it looks for the newest.
    against = Subquery(given.filter(check_row=OuterRef("pk")).values("pk")[:1])
    answered = over.annotate(against=against).filter(against__isnull=False).order_by("-opens_at")
    follow_ups = follow_ups.annotate(
        opened=Subquery(opened.values("opens_at")[:1]),
        following=Subquery(checks.filter(opens_at__gt=at).order_by("opens_at").values("opens_at")[:1]),
        answered=Coalesce(
            Subquery(answered.values("opens_at")[:1]), Value(LONG_AGO), output_field=DateTimeField()
        ),
        newest=Subquery(opened.values("pk")[:1]),
    )
    since = over.filter(opens_at__gt=OuterRef("answered")).order_by().values("follow_up")
    last = given.filter(check_row=OuterRef("newest")).order_by("-recorded_at", "-pk")
    return follow_ups.annotate(
        missing=Coalesce(Subquery(since.annotate(count=Count("pk")).values("count")), 0),
        state=Subquery(last.values("state")[:1]),
    )


def _alerted() -> Q:
    """That an alert is open about it, its worker, or a report behind it."""
    alerts = Alert.objects.filter(FLAGGED_BY_ALERT, closed_at=None).order_by()
    of = {
        name: alerts.filter(**{f"{name}__isnull": False}).values(name)
        for name in ("follow_up", "worker", "breach")
    }
    reported = Exposure.objects.filter(withdrawn_at=None, breach__in=of["breach"])
    return Q(pk__in=of["follow_up"]) | Q(worker__in=of["worker"]) | Q(pk__in=reported.values("follow_up"))


def _open_questions() -> QuerySet[Exposure]:
    """The exposures of which the worker is not told, or whose report nobody has confirmed."""
    untold = Promise.objects.open().filter(kind=Promise.Kind.TELL).order_by()
    of = {name: untold.filter(**{f"{name}__isnull": False}).values(name) for name in ("exposure", "breach")}
    about = WITHOUT_CONFIRMATION | Q(pk__in=of["exposure"]) | Q(breach__in=of["breach"])
    return Exposure.objects.filter(about, withdrawn_at=None).order_by()


def _shortest_silence(follow_ups: QuerySet[FollowUp]) -> int:
    """Hours without a word that are a silence under any of the criteria that they are under."""
    standing = under_criteria(Exposure.objects.filter(follow_up__in=follow_ups.order_by().values("pk")))
    keys = standing.order_by().values_list(Coalesce("assessment__version", "version"), flat=True).distinct()
    versions: Iterable[CriteriaVersion] = CriteriaVersion.objects.filter(pk__in=list(keys))
    profiles = [criteria.profile for one in versions if (criteria := criteria_or_none(one)) is not None]
    hours = [profile.silence_hours for profile in profiles if profile is not None]
    return min([USUAL_SILENCE, *filter(None, hours)])
