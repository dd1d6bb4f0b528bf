"""Everything that time causes. Idempotent, safe to run twice at once, and without memory of the last run."""

from collections.abc import Iterable
from datetime import datetime, timedelta

from django.db import transaction
from django.db.models import Exists, F, Max, OuterRef, Q
from django.utils.translation import gettext as _

from exposure.followup.alerts import raise_alert
from exposure.followup.models import Check, Fill, FollowUp, FollowUpState, Reading
from exposure.followup.opening import profile_of
from exposure.followup.work_models import Alert, AlertEntry, Call, Task
from exposure.people.models import Role, User
from exposure.places.models import Site
from exposure.remind.models import Heartbeat, Message
from exposure.remind.reminders import PAUSED, neutral_text, remind_due
from exposure.report.models import Breach

Cause = Alert.Cause
NOT_PAGED = (Cause.RISE, Cause.DRILL)
MISSED_LOOK_BACK = timedelta(hours=36)  # two windows of any usual day
SHORTEST_SILENCE = timedelta(hours=24)
PAGES_USEFUL = timedelta(hours=12)


def sweep(*, at: datetime) -> dict[str, int]:
    """Do what is due at `at`. Returns how much of each kind was done."""
    done = {
        "reminders": remind_due(at=at),
        "late_confirmations": late_confirmations(at=at),
        "untold": untold(at=at),
        "next_looks": next_looks(at=at),
        "missed": missed_readings(at=at),
        "silent": silences(at=at),
        "late_tasks": late_tasks(at=at),
        "pages": page(at=at),
    }
    Heartbeat.objects.update_or_create(name="sweep", defaults={"at": at})
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
    """Workers whom nobody has told in time. `told_due_at` is emptied by whoever tells."""
    late = Breach.objects.filter(
        ~Exists(_open(Cause.UNTOLD, breach=OuterRef("pk"))), withdrawn_at=None, told_due_at__lte=at
    ).select_related("site")
    because = _("Nobody has told the worker yet, in person or by telephone.")
    return _raise_all(((one, Cause.UNTOLD, because, one.site) for one in late), at)


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
    missing = (
        Check.objects.filter(
            ~Exists(Fill.objects.filter(check_row=OuterRef("pk"))),
            _watched("follow_up"),
            withdrawn_at=None,
            closes_at__lte=at,
            closes_at__gt=at - MISSED_LOOK_BACK,
            follow_up__ended_at=None,
        )
        .select_related("follow_up__worker", "follow_up__site")
        .order_by("closes_at")
    )
    last_of: dict[FollowUp, Check] = {check.follow_up: check for check in missing}
    told = []
    for follow_up, check in last_of.items():
        again = follow_up.alerts.filter(cause=Cause.MISSED, round_at__gte=check.closes_at).exists()
        if not again and _pages(follow_up, check):
            told.append((follow_up, Cause.MISSED, _("The last reading is missing."), follow_up.site))
    return _raise_all(told, at)


def _pages(follow_up: FollowUp, check: Check) -> bool:
    """Whether a missing reading is more than a line on the call list."""
    before = (
        follow_up.checks.filter(withdrawn_at=None, closes_at__lt=check.closes_at).order_by("closes_at").last()
    )
    if before is not None and not before.fills.exists():
        return True
    reading = Reading.objects.filter(worker=follow_up.worker, taken_at__lte=check.closes_at).last()
    if reading is not None and reading.triggers:
        return True
    return any(one.plan.get("highest") for one in follow_up.exposures.filter(withdrawn_at=None))


@transaction.atomic
def silences(*, at: datetime) -> int:
    """Workers from whom nothing has come, and who have not been reached, for as long as the criteria allow."""
    since = at - SHORTEST_SILENCE
    quiet = FollowUp.objects.filter(
        ~Exists(Reading.objects.filter(worker=OuterRef("worker"), recorded_at__gt=since)),
        ~Exists(Call.objects.filter(worker=OuterRef("worker"), answered=True, called_at__gt=since)),
        Exists(Check.objects.filter(follow_up=OuterRef("pk"), withdrawn_at=None, opens_at__lte=at)),
        _watched(""),
        ended_at=None,
        opened_at__lte=since,
    ).select_related("worker", "site")
    told = []
    for follow_up in quiet:
        contact = last_contact(follow_up)
        profile = profile_of(follow_up)
        hours = (profile.silence_hours if profile else None) or 48
        known = follow_up.alerts.filter(cause=Cause.SILENCE, round_at__gte=contact).exists()
        if not known and at - contact >= timedelta(hours=hours):
            because = _("No reading and no answered call for %(hours)s hours.") % {"hours": hours}
            told.append((follow_up, Cause.SILENCE, because, follow_up.site))
    return _raise_all(told, at)


def last_contact(follow_up: FollowUp) -> datetime:
    """When contact was last made: a reading or an answered call; at first, the opening."""
    reading = Reading.objects.filter(worker=follow_up.worker).aggregate(at=Max("recorded_at"))["at"]
    call = Call.objects.filter(worker=follow_up.worker, answered=True).aggregate(at=Max("called_at"))["at"]
    return max(moment for moment in (follow_up.opened_at, reading, call) if moment is not None)


@transaction.atomic
def late_tasks(*, at: datetime) -> int:
    """Tasks past their time. One alert per follow-up; a task that becomes late joins it."""
    entry = AlertEntry.objects.filter(
        alert__cause=Cause.LATE_TASK,
        alert__follow_up=OuterRef("exposure__follow_up"),
        recorded_at__gte=OuterRef("due_at"),
    )
    late = Task.objects.filter(
        ~Exists(entry), exposure__isnull=False, completed_at=None, dropped_at=None, due_at__lte=at
    ).select_related("exposure__follow_up__site")
    return _raise_all(
        (
            (task.exposure.follow_up, Cause.LATE_TASK, task.title, task.exposure.follow_up.site)
            for task in late
            if task.exposure.follow_up.ended_at is None
        ),
        at,
    )


@transaction.atomic
def page(*, at: datetime) -> int:
    """Tell the site's nurses and physicians of every round of an alert that nobody has seen, once each."""
    fresh = Alert.objects.filter(
        ~Exists(Message.objects.filter(alert=OuterRef("pk"), alert_round=OuterRef("round"))),
        closed_at=None,
        acknowledged_at=None,
    ).exclude(cause__in=NOT_PAGED)
    messages = []
    for alert in fresh.select_related("site"):
        subject, body = neutral_text(alert.site, "needs_action")
        messages += [
            Message(
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
            for user in _clinicians(alert, at)
        ]
    Message.objects.bulk_create(messages, ignore_conflicts=True)
    return len(messages)


def _clinicians(alert: Alert, at: datetime) -> Iterable[User]:
    """Who is paged: the site's nurses and physicians with an address, but not about themselves."""
    roles = Role.objects.held(at=at).filter(
        Q(site=alert.site) | Q(site=None), kind__in=(Role.Kind.NURSE, Role.Kind.PHYSICIAN)
    )
    users = (
        User.objects.filter(roles__in=roles, is_active=True, email__isnull=False).exclude(email="").distinct()
    )
    about = Q(worker__alerts=alert) | Q(worker__breaches__alerts=alert) | Q(worker__follow_ups__alerts=alert)
    return users.exclude(pk__in=User.objects.filter(about))


def _watched(path: str) -> Q:
    """Follow-ups whose missing readings count: not being evaluated or in hospital."""
    follow_up = OuterRef(f"{path}__pk" if path else "pk")
    return Q(~Exists(FollowUpState.objects.filter(follow_up=follow_up, until_at=None, kind__in=PAUSED)))


def _open(cause: str, **subject: F | OuterRef):
    return Alert.objects.filter(cause=cause, closed_at=None, **subject)


def _raise_all(told: Iterable[tuple[Breach | FollowUp, str, str, Site]], at: datetime) -> int:
    count = 0
    for subject, cause, because, site in told:
        raise_alert(subject, cause, because, site=site, at=at)
        count += 1
    return count
