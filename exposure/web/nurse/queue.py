"""Needs action: everything that waits for a clinician, one line each, most urgent first.

Computed when read, from a fixed number of statements: it is right with every background process dead.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from operator import attrgetter
from typing import Any

from django.db.models import Exists, OuterRef, Q, Subquery
from django.urls import reverse
from django.utils.translation import gettext as _

from exposure.attend.models import Alert, Task
from exposure.classify.models import Assessment, Signature
from exposure.clear.models import Clearance
from exposure.followup.models import Exposure
from exposure.people.access import View, visible
from exposure.people.models import User, Worker
from exposure.pipeline.guide import REVIEW as REVIEW_TASK
from exposure.pipeline.guide import REVIEW_WITHIN
from exposure.places.models import Site
from exposure.remind.models import Heartbeat
from exposure.report.models import Breach

Cause = Alert.Cause
# What waits without being an alert; the keys stand beside the causes of alerts in the filter.
TO_CONFIRM, TO_SIGN, TO_REVIEW = "to_confirm", "to_sign", "to_review"
URGENT, WAITING, CONFIRM, TELL, SIGN, REVIEW, SEEN, LATE, PRACTICE = range(9)
# Which alert comes before which, where they are equally urgent; a local choice.
WEIGHT = {
    cause: weight
    for weight, cause in enumerate(
        (
            Cause.FEVER,
            Cause.SYMPTOM,
            Cause.UNASSESSED,
            Cause.CALL_ME,
            Cause.MISSED,
            Cause.SILENCE,
            Cause.RISE,
            Cause.UNTOLD,
            Cause.LATE_CONFIRMATION,
            Cause.CASE_CHANGED,
            Cause.COULD_NOT,
            Cause.UNREACHABLE,
            Cause.TO_LOOK_AT,
            Cause.OTHER_CONTENT,
            Cause.WITHDRAWAL,
            Cause.LATE_TASK,
            Cause.DRILL,
        )
    )
}
SWEEP_SILENT = timedelta(minutes=3)


@dataclass(frozen=True)
class Line:
    """One thing to do: why, since when, for whom, by when (None: now) and who has it. `group` is its urgency."""

    group: int
    cause: str
    label: str
    why: str
    since: datetime
    worker: Worker
    site: Site
    by: datetime | None
    holder: str
    url: str
    late: bool = False

    @property
    def rank(self) -> tuple[Any, ...]:
        weight = WEIGHT[self.cause] if self.group in (URGENT, WAITING) else 0
        return (self.group, weight, self.by or self.since, self.since)


def lines(user: User, *, at: datetime) -> list[Line]:
    """All lines that this person may act on, most urgent first."""
    alerts = list(
        visible(user, Alert.objects.filter(closed_at=None), View.CLINICAL, at=at).select_related(
            "site", "breach__worker", "follow_up__worker", "worker", "held_by"
        )
    )
    tasks = list(_waiting_tasks(user, at))
    late_tasks = [task for task in tasks if task.code != REVIEW_TASK]
    found = [
        *_alert_lines(alerts, late_tasks, at),
        *_report_lines(user, {(one.breach_id, one.cause) for one in alerts}, at),
        *_exposure_lines(user, {one.follow_up_id for one in alerts if one.cause == Cause.UNTOLD}, at),
        *_signature_lines(user, at),
        *_review_lines((task for task in tasks if task.code == REVIEW_TASK), at),
        *_task_lines(late_tasks, {one.follow_up_id for one in alerts if one.cause == Cause.LATE_TASK}),
    ]
    return sorted(found, key=attrgetter("rank"))


def heartbeat(*, at: datetime) -> dict[str, Any]:
    """When reminders and due times were last looked at, and whether that is too long ago."""
    beat = Heartbeat.objects.filter(name="sweep").first()
    return {"looked_at": beat.at if beat else None, "stopped": beat is None or at - beat.at > SWEEP_SILENT}


def _alert_lines(alerts: Iterable[Alert], late_tasks: Iterable[Task], at: datetime) -> Iterator[Line]:
    titles = defaultdict(list)
    for task in late_tasks:
        if task.exposure is not None:
            titles[task.exposure.follow_up_id].append(task.title)
    for alert in alerts:
        # A look that has come asks again at once, whether or not a process has said so.
        asks = alert.acknowledged_at is None or (alert.next_look_at is not None and alert.next_look_at <= at)
        late = titles[alert.follow_up_id] if alert.cause == Cause.LATE_TASK else []
        yield Line(
            group=_group(alert) if asks else SEEN,
            cause=alert.cause,
            label=alert.get_cause_display(),
            why="; ".join(late) or alert.because,
            since=alert.round_at,
            worker=alerts.worker_of(alert),
            site=alert.site,
            by=None if asks else alert.next_look_at,
            holder=str(alert.held_by or ""),
            url=reverse("alert", args=[alert.uid]),
        )


def _group(alert: Alert) -> int:
    if alert.cause == Cause.DRILL:
        return PRACTICE
    return URGENT if alert.urgent else WAITING


def _report_lines(user: User, alerted: set[tuple[int | None, str]], at: datetime) -> Iterator[Line]:
    """Reports to confirm and workers to tell; one that has become an alert stands there instead."""
    reports = visible(
        user,
        Breach.objects.filter(
            Q(confirmed_at=None, confirm_due_at__isnull=False) | Q(told_due_at__isnull=False),
            withdrawn_at=None,
        ),
        View.CLINICAL,
        at=at,
    ).select_related("site", "worker")
    for report in reports:
        common = {
            "since": report.reported_at,
            "worker": report.worker,
            "site": report.site,
            "holder": "",
            "url": reverse("breach", args=[report.uid]),
        }
        said = {"reference": report.reference}
        due = report.confirm_due_at
        if report.confirmed_at is None and due and (report.pk, Cause.LATE_CONFIRMATION) not in alerted:
            why = _("Speak with the worker and confirm report %(reference)s.") % said
            label = _("report to confirm")
            yield Line(CONFIRM, TO_CONFIRM, label, why, by=due, late=due <= at, **common)
        due = report.told_due_at
        if due and (report.pk, Cause.UNTOLD) not in alerted:
            why = _("Tell the worker of report %(reference)s, in person or by telephone.") % said
            yield Line(TELL, Cause.UNTOLD, str(Cause.UNTOLD.label), why, by=due, late=due <= at, **common)


def _exposure_lines(user: User, alerted: set[int | None], at: datetime) -> Iterator[Line]:
    """Workers to tell of an exposure that no report led to; where that has become an alert, it stands there instead."""
    versions = Exposure.history.model.objects.filter(id=OuterRef("pk")).order_by("history_id")
    waiting = (
        Exposure.objects.filter(told_due_at__isnull=False, withdrawn_at=None, follow_up__ended_at=None)
        .exclude(follow_up__in=alerted - {None})
        .annotate(since=Subquery(versions.values("history_date")[:1]))
        .select_related("follow_up__worker", "follow_up__site")
    )
    for one in visible(user, waiting, View.CLINICAL, at=at):
        why = _("Tell the worker of the exposure (%(source)s), in person or by telephone.")
        yield Line(
            TELL, Cause.UNTOLD, str(Cause.UNTOLD.label), why % {"source": one.get_source_display()},
            one.since, one.follow_up.worker, one.follow_up.site, one.told_due_at, "",
            reverse("exposure_told", args=[one.uid]), late=one.told_due_at <= at,
        )  # fmt: skip


def _signature_lines(user: User, at: datetime) -> Iterator[Line]:
    """Overrides and clearances that wait for a second signature by somebody else."""
    newer = Assessment.objects.filter(
        breach=OuterRef("breach"), pathogen=OuterRef("pathogen"), pk__gt=OuterRef("pk")
    )
    overrides = list(
        visible(
            user,
            Assessment.objects.filter(~Exists(newer), second_signature_needed=True),
            View.CLINICAL,
            at=at,
        ).select_related("breach__worker", "breach__site")
    )
    clearances = list(
        visible(
            user, Clearance.objects.filter(signed_at=None, void_at=None), View.CLINICAL, at=at
        ).select_related("follow_up__worker", "follow_up__site")
    )
    subjects = [f"{kind}:{one.uid}" for one in overrides for kind in ("override", "assessment")]
    subjects += [f"clearance:{one.uid}" for one in clearances]
    signed = {
        one.subject: one for one in Signature.objects.filter(subject__in=subjects).select_related("user")
    }
    label = _("second signature")
    for one in overrides:
        first = signed.get(f"override:{one.uid}")
        if f"assessment:{one.uid}" not in signed and first is not None:
            why = _("Tier changed by %(name)s: it takes effect with a second signature.")
            yield Line(
                SIGN, TO_SIGN, label, why % {"name": first.user}, one.recorded_at, one.breach.worker,
                one.breach.site, None, "", reverse("breach", args=[one.breach.uid]),
            )  # fmt: skip
    for one in clearances:
        first = signed.get(f"clearance:{one.uid}")
        if first is not None:
            why = _("Clearance signed by %(name)s: it needs a second signature.")
            yield Line(
                SIGN, TO_SIGN, label, why % {"name": first.user}, first.recorded_at, one.follow_up.worker,
                one.follow_up.site, None, "", reverse("clear", args=[one.follow_up.uid]),
            )  # fmt: skip


def _waiting_tasks(user: User, at: datetime) -> Iterable[Task]:
    """Tasks past their time, and the reports to look again at, which are decisions and wait from the start."""
    waiting = Task.objects.filter(
        Q(exposure=None) | Q(exposure__follow_up__ended_at=None),
        Q(due_at__lte=at) | Q(code=REVIEW_TASK),
        completed_at=None,
        dropped_at=None,
    )
    return visible(user, waiting, View.CLINICAL, at=at).select_related(
        "site", "exposure__follow_up__worker", "breach__worker"
    )


def _review_lines(tasks: Iterable[Task], at: datetime) -> Iterator[Line]:
    """Reports that other criteria would put in another tier. Nobody is moved before somebody decides."""
    for task in tasks:
        yield Line(
            group=REVIEW,
            cause=TO_REVIEW,
            label=_("tier to look at again"),
            why=_("Report %(reference)s: %(task)s. Nothing changes until you decide.")
            % {"reference": task.breach.reference, "task": task.title},
            since=task.due_at - REVIEW_WITHIN,
            worker=task.breach.worker,
            site=task.site,
            by=task.due_at,
            holder="",
            url=reverse("breach", args=[task.breach.uid]),
            late=task.due_at <= at,
        )


def _task_lines(tasks: Iterable[Task], alerted: set[int | None]) -> Iterator[Line]:
    """Tasks past their time that no open alert names yet."""
    for task in tasks:
        if task.exposure is None or task.exposure.follow_up_id not in alerted:
            worker = task.exposure.follow_up.worker if task.exposure else task.breach.worker
            yield Line(
                group=LATE,
                cause=Cause.LATE_TASK,
                label=str(Cause.LATE_TASK.label),
                why=task.title,
                since=task.due_at,
                worker=worker,
                site=task.site,
                by=task.due_at,
                holder="",
                url=reverse("task_done", args=[task.uid]),
                late=True,
            )
