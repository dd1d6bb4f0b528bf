"""Everything that time causes. Idempotent, safe to run twice at once, and without memory of the last run."""

import logging
from collections.abc import Callable, Iterable
from datetime import datetime, timedelta

from django.db import transaction
from django.db.models import Exists, F, OuterRef, Q, QuerySet, Subquery
from django.db.models.functions import Coalesce, Greatest
from django.utils.translation import gettext as _

from exposure.attend.alerts import raise_alert
from exposure.attend.models import Alert, AlertEntry, Call, Task
from exposure.classify.assess import criteria_or_none
from exposure.followup.fills import standing_fill
from exposure.followup.models import Check, Exposure, Fill, FollowUp, FollowUpState, Reading
from exposure.followup.plans import under_criteria
from exposure.people.models import Role, User, Worker
from exposure.places.models import Site
from exposure.remind.models import Heartbeat, Message
from exposure.remind.reminders import PAUSED, neutral_text, remind_due
from exposure.report.models import Breach

Cause = Alert.Cause
log = logging.getLogger(__name__)
NOT_PAGED = (Cause.RISE, Cause.DRILL)
MISSED_LOOK_BACK = timedelta(hours=36)  # two windows of any usual day
SHORTEST_SILENCE = timedelta(hours=24)
USUAL_SILENCE_HOURS = 48  # where no criteria name another
RAISED = (AlertEntry.Kind.RAISED, AlertEntry.Kind.JOINED, AlertEntry.Kind.ROUND)
PAGES_USEFUL = timedelta(hours=12)


def sweep(*, at: datetime) -> dict[str, int]:
    """Do what is due at `at`. Returns how much of each kind was done; the heartbeat's note names what failed."""
    done: dict[str, int] = {}
    for name, step in STEPS.items():
        try:
            done[name] = step(at=at)
        except Exception:  # one bad row must not silence the others
            log.exception("The part “%s” of this round failed; the next round tries again.", name)
    failed = [name for name in STEPS if name not in done]
    Heartbeat.objects.update_or_create(name="sweep", defaults={"at": at, "note": ", ".join(failed)})
    return done


@transaction.atomic
def late_confirmations(*, at: datetime) -> int:
    """Reports that no nurse has confirmed in time."""
    late = Breach.objects.filter(
        ~Exists(_open(Cause.LATE_CONFIRMATION, breach=OuterRef("pk"))),
        confirmed_at=None,
        withdrawn_at=None,
        confirm_due_at__lte=at,
    ).select_related("site")
    because = _("Nobody has spoken with the worker and confirmed this report in time.")
    return _raise_all(((one, Cause.LATE_CONFIRMATION, because, one.site) for one in late), at)


@transaction.atomic
def untold(*, at: datetime) -> int:
    """Workers whom nobody has told in time, of a report or of an exposure without one. `told_due_at` is emptied by
    whoever tells."""
    late = {"withdrawn_at": None, "told_due_at__lte": at}
    reports = Breach.objects.filter(~Exists(_open(Cause.UNTOLD, breach=OuterRef("pk"))), **late)
    follow_ups = FollowUp.objects.filter(
        ~Exists(_open(Cause.UNTOLD, follow_up=OuterRef("pk"))),
        pk__in=Exposure.objects.filter(**late).values("follow_up"),
        ended_at=None,
    )
    because = _("Nobody has told the worker yet, in person or by telephone.")
    subjects = [*reports.select_related("site"), *follow_ups.select_related("site")]
    return _raise_all(((one, Cause.UNTOLD, because, one.site) for one in subjects), at)


@transaction.atomic
def next_looks(*, at: datetime) -> int:
    """Alerts that were seen and whose next look has come: they ask and page again."""
    due = list(
        Alert.objects.select_for_update(of=("self",), skip_locked=True).filter(
            closed_at=None, next_look_at__lte=at
        )
    )
    for alert in due:
        alert.round += 1
        alert.round_at = at
        alert.acknowledged_at = alert.held_by = alert.next_look_at = None
        alert.save()
        AlertEntry.objects.create(alert=alert, kind=AlertEntry.Kind.LOOK_DUE)
    return len(due)


@transaction.atomic
def missed_readings(*, at: datetime) -> int:
    """Readings missing twice in a row, or once at the highest tier or after a masked or abnormal reading."""
    own = Check.objects.filter(follow_up=OuterRef("follow_up"), withdrawn_at=None)
    before = own.filter(closes_at__lt=OuterRef("closes_at")).order_by("-closes_at")
    readings = Reading.objects.filter(
        worker__in=_records_of(OuterRef(OuterRef("follow_up__worker"))),
        taken_at__lte=OuterRef("closes_at"),
        replaced_by=None,
        could_not="",
    ).order_by("-taken_at", "-pk")
    exposures = Exposure.objects.filter(
        follow_up=OuterRef("follow_up"), withdrawn_at=None, last_day__gte=OuterRef("local_date")
    )
    missing = (
        Check.objects.filter(
            ~Exists(_settling(OuterRef("pk"))),
            ~Exists(_entries(Cause.MISSED, OuterRef("follow_up"), since=OuterRef("closes_at"))),
            _watched("follow_up"),
            withdrawn_at=None,
            closes_at__lte=at,
            closes_at__gt=at - MISSED_LOOK_BACK,
            follow_up__ended_at=None,
        )
        .annotate(
            before=Subquery(before.values("pk")[:1]),
            last_triggers=Subquery(readings.values("triggers")[:1]),
            highest=Exists(exposures.filter(plan__highest=True)),
        )
        .annotate(again=Q(before__isnull=False) & ~Exists(_settling(OuterRef("before"))))
        .select_related("follow_up__site")
        .order_by("closes_at")
    )
    pages = {check.follow_up for check in missing if check.again or check.last_triggers or check.highest}
    because = _("The last reading is missing.")
    return _raise_all(((one, Cause.MISSED, because, one.site) for one in pages), at)


def _settling(check: OuterRef) -> QuerySet[Fill]:
    return Fill.objects.filter(standing_fill(), check_row=check)


@transaction.atomic
def silences(*, at: datetime) -> int:
    """Workers from whom nothing has come, and who have not been reached, for as long as the criteria allow."""
    since = at - SHORTEST_SILENCE
    quiet = list(
        _with_contact()
        .filter(
            ~Exists(_entries(Cause.SILENCE, OuterRef("pk"), since=OuterRef("contact_at"))),
            Exists(Check.objects.filter(follow_up=OuterRef("pk"), withdrawn_at=None, opens_at__lte=at)),
            _watched(""),
            ended_at=None,
            contact_at__lte=since,
        )
        .select_related("site")
    )
    hours = _silence_hours(quiet)
    return _raise_all(
        (
            (
                one,
                Cause.SILENCE,
                _("No reading and no answered call for %(hours)s hours.") % {"hours": hours[one.pk]},
                one.site,
            )
            for one in quiet
            if at - one.contact_at >= timedelta(hours=hours[one.pk])
        ),
        at,
    )


def _records_of(worker: OuterRef) -> QuerySet[Worker]:
    """The worker, and whatever else proved to be the same person."""
    return Worker.objects.filter(Q(pk=worker) | Q(same_as=worker)).values("pk")


def _with_contact() -> QuerySet[FollowUp]:
    """Follow-ups with `contact_at`: the last reading or answered call; before any, the opening."""
    own = {"worker__in": _records_of(OuterRef(OuterRef("worker")))}
    reading = Reading.objects.filter(could_not="", **own).order_by("-recorded_at").values("recorded_at")[:1]
    call = Call.objects.filter(answered=True, **own).order_by("-called_at").values("called_at")[:1]
    opened = F("opened_at")
    contact = Greatest(opened, Coalesce(Subquery(reading), opened), Coalesce(Subquery(call), opened))
    return FollowUp.objects.annotate(contact_at=contact)


def _silence_hours(follow_ups: Iterable[FollowUp]) -> dict[int, int]:
    """Follow-up -> the hours that the criteria of its newest exposure allow."""
    hours = {one.pk: USUAL_SILENCE_HOURS for one in follow_ups}
    for exposure in under_criteria(Exposure.objects.filter(follow_up__in=hours)):
        criteria = criteria_or_none(exposure.criteria_version)
        profile = criteria.profile if criteria else None
        hours[exposure.follow_up_id] = (profile.silence_hours if profile else None) or USUAL_SILENCE_HOURS
    return hours


@transaction.atomic
def late_tasks(*, at: datetime) -> int:
    """Tasks past their time. One alert per follow-up; a task that becomes late joins it."""
    known = _entries(Cause.LATE_TASK, OuterRef("exposure__follow_up"), since=OuterRef("due_at"))
    late = Task.objects.filter(
        ~Exists(known.filter(because=OuterRef("title"))),
        exposure__follow_up__ended_at=None,
        exposure__isnull=False,
        completed_at=None,
        dropped_at=None,
        due_at__lte=at,
    ).select_related("exposure__follow_up__site")
    told = (
        (task.exposure.follow_up, Cause.LATE_TASK, task.title, task.exposure.follow_up.site) for task in late
    )
    return _raise_all(told, at)


@transaction.atomic
def page(*, at: datetime) -> int:
    """Tell the site's nurses and physicians of every round of an alert that nobody has seen, once each."""
    fresh = Alert.objects.filter(
        ~Exists(Message.objects.filter(alert=OuterRef("pk"), alert_round=OuterRef("round"))),
        closed_at=None,
        acknowledged_at=None,
    ).exclude(cause__in=NOT_PAGED)
    fresh = list(fresh.select_related("site", "worker", "follow_up__worker", "breach__worker"))
    clinicians = _clinicians(at) if fresh else []
    messages = [
        _page(alert, role.user, at)
        for alert in fresh
        for role in clinicians
        if role.site_id in (None, alert.site_id) and role.user_id != _person(alert)
    ]
    # Somebody with two roles is paged once: the rows are unique per alert, round and person.
    Message.objects.bulk_create(messages, ignore_conflicts=True)
    return len({(one.alert_id, one.user_id) for one in messages})


def _page(alert: Alert, user: User, at: datetime) -> Message:
    subject, body = neutral_text(alert.site, "needs_action")
    return Message(
        site=alert.site,
        alert=alert,
        alert_round=alert.round,
        page_rung=0,
        user=user,
        channel=Message.Channel.EMAIL,
        address=user.email,
        subject=subject,
        body=body,
        created_at=at,
        due_at=at,
        pointless_at=at + PAGES_USEFUL,
    )


def _clinicians(at: datetime) -> list[Role]:
    """The roles of nurses and physicians who have an address."""
    roles = Role.objects.held(at=at).filter(
        kind__in=(Role.Kind.NURSE, Role.Kind.PHYSICIAN), user__is_active=True, user__email__isnull=False
    )
    return list(roles.exclude(user__email="").select_related("user"))


def _person(alert: Alert) -> int | None:
    """The account of the person whom the alert is about: they are not paged about themselves."""
    subject = alert.worker or (alert.follow_up or alert.breach).worker
    return subject.user_id


def _watched(path: str) -> Q:
    """Follow-ups whose missing readings count: not being evaluated or in hospital."""
    follow_up = OuterRef(f"{path}__pk" if path else "pk")
    return Q(~Exists(FollowUpState.objects.filter(follow_up=follow_up, until_at=None, kind__in=PAUSED)))


def _entries(cause: str, follow_up: OuterRef, *, since: OuterRef) -> QuerySet[AlertEntry]:
    """What has been raised for this cause about the follow-up since then: known already."""
    return AlertEntry.objects.filter(
        alert__cause=cause, alert__follow_up=follow_up, kind__in=RAISED, recorded_at__gte=since
    )


def _open(cause: str, **subject: F | OuterRef):
    return Alert.objects.filter(cause=cause, closed_at=None, **subject)


def _raise_all(told: Iterable[tuple[Breach | FollowUp, str, str, Site]], at: datetime) -> int:
    count = 0
    for subject, cause, because, site in told:
        raise_alert(subject, cause, because, site=site, at=at)
        count += 1
    return count


STEPS: dict[str, Callable[..., int]] = {
    "reminders": remind_due,
    "late_confirmations": late_confirmations,
    "untold": untold,
    "next_looks": next_looks,
    "missed": missed_readings,
    "silent": silences,
    "late_tasks": late_tasks,
    "pages": page,
}
