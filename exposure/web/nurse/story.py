"""A person's story in time order: everything that was recorded, with who and when."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from django.db.models import Q
from django.urls import reverse
from django.utils.formats import localize
from django.utils.translation import gettext as _

from exposure.classify.assess import tier_label
from exposure.classify.models import Assessment, Signature
from exposure.clear.models import Clearance
from exposure.followup.models import Fill, FollowUpState
from exposure.followup.work_models import AlertEntry, Task
from exposure.people.models import User, Worker
from exposure.report.models import Breach, Told, WithdrawalRequest
from exposure.web.nurse.rows import Row, window_name

WORTH_SAYING = timedelta(minutes=30)  # between a reading and its entry
NamedLater = tuple["Event", str]  # an event and its actor as the history names it


@dataclass(frozen=True)
class Event:
    """One thing that happened. `mark` is a class of the timeline: done, alert or none (it did not happen)."""

    at: datetime
    title: str
    lines: tuple[str, ...] = ()
    who: str = ""
    mark: str = "done"
    link: tuple[str, str] | None = None


def story(worker: Worker, rows: Iterable[Row]) -> list[Event]:
    """All events, oldest first, from a fixed number of statements."""
    told = [
        *_reports(worker),
        *_assessments(worker),
        *_readings(worker, _symptom_words(rows)),
        *_missing(rows),
        *_alerts(worker),
        *_calls(worker),
        *_tasks(worker),
        *_ends(worker),
    ]
    names = _names(actor for _event, actor in told)
    events = [replace(event, who=names.get(actor, "")) for event, actor in told]
    return sorted(events, key=lambda event: event.at)


def _names(actors: Iterable[str]) -> dict[str, str]:
    """Actor -> name. Whatever is no account is the service itself."""
    actors = {actor for actor in actors if actor}
    ids = {int(actor.partition(":")[2]) for actor in actors if actor.startswith("user:")}
    users = User.objects.in_bulk(ids)
    service = _("the service")
    return {
        actor: str(users[int(actor[5:])])
        if actor.startswith("user:") and int(actor[5:]) in users
        else service
        for actor in actors
    }


def _some(*lines: str) -> tuple[str, ...]:
    return tuple(line for line in lines if line)


def _reports(worker: Worker) -> Iterator[NamedLater]:
    breaches = list(
        Breach.objects.filter(worker=worker).select_related("station", "reported_by", "confirmed_by")
    )
    for breach in breaches:
        said = {"reference": breach.reference}
        link = (reverse("breach", args=[breach.uid]), _("Report %(reference)s") % said)
        where = breach.station.name if breach.station else ""
        title = _("Drill reported") if breach.drill else _("Breach reported")
        yield (
            Event(breach.reported_at, title, _some(where, breach.narrative), link=link),
            breach.reported_by.actor,
        )
        if breach.confirmed_at is not None:
            title = _("Report %(reference)s confirmed") % said
            actor = breach.confirmed_by.actor if breach.confirmed_by else ""
            yield Event(breach.confirmed_at, title, _some(breach.confirmation_note)), actor
    for told in Told.objects.filter(breach__in=breaches).select_related("breach"):
        title = _("Told %(how)s") % {"how": told.get_by_display()}
        yield Event(told.told_at, title), told.recorded_by
    for asked in WithdrawalRequest.objects.filter(breach__in=breaches):
        yield Event(asked.recorded_at, _("Withdrawal asked for"), (asked.reason,)), asked.recorded_by


def _assessments(worker: Worker) -> Iterator[NamedLater]:
    rows = list(Assessment.objects.filter(breach__worker=worker).select_related("version"))
    for row in rows:
        if row.version is None:
            lines = _some(_("No criteria: treated by the site's usual plan."), row.reason)
        elif row.tier:
            lines = _some(tier_label(row, row.tier), row.reason)
        else:
            said = {"floor": tier_label(row, row.floor), "ceiling": tier_label(row, row.ceiling)}
            lines = (_("Between “%(floor)s” and “%(ceiling)s”.") % said,)
        title = _("Assessed for %(pathogen)s: %(kind)s") % {
            "pathogen": row.pathogen,
            "kind": row.get_kind_display(),
        }
        yield Event(row.recorded_at, title, lines), row.recorded_by
    subjects = [f"assessment:{one.uid}" for one in rows]
    for signature in Signature.objects.filter(subject__in=subjects):
        yield Event(signature.recorded_at, _("Second signature under the tier")), signature.recorded_by


def _symptom_words(rows: Iterable[Row]) -> dict[str, str]:
    from_profiles = (row.profile.symptoms for row in rows if row.profile)
    return {code: code.replace("_", " ") for symptoms in from_profiles for code in symptoms}


def _readings(worker: Worker, symptoms: Mapping[str, str]) -> Iterator[NamedLater]:
    for reading in worker.readings.all():
        alarming = any(code in ("fever", "symptom") for code in reading.triggers)
        title = _("Reading")
        if reading.could_not:
            title = _("Could not take a reading")
        elif reading.value is not None:
            title = (
                f"{localize(reading.value.normalize() + 0)} °{reading.unit} {reading.get_method_display()}"
            )
        yield (
            Event(
                reading.taken_at,
                title,
                _reading_lines(reading, symptoms),
                mark="alert" if alarming else "none" if reading.could_not else "done",
            ),
            reading.recorded_by,
        )
    for refused in worker.unplacedreadings.all():
        title = _("Not accepted: “%(typed)s”") % {"typed": refused.typed or _("no temperature")}
        yield (
            Event(refused.taken_at or refused.recorded_at, title, (refused.refused_because,), mark="alert"),
            refused.recorded_by,
        )
    for fill in Fill.objects.filter(check_row__follow_up__worker=worker, state="excused").select_related(
        "check_row"
    ):
        said = {"day": fill.check_row.day, "window": window_name(fill.check_row.window)}
        title = _("Missing reading explained: day %(day)s, %(window)s") % said
        yield Event(fill.recorded_at, title, (fill.reason,)), fill.recorded_by


def _reading_lines(reading: Any, symptoms: Mapping[str, str]) -> tuple[str, ...]:
    named = ", ".join(symptoms.get(code, code) for code in reading.symptoms)
    return _some(
        reading.could_not,
        _("Felt feverish.") if reading.felt_feverish else "",
        _("Symptoms: %(named)s.") % {"named": named} if named else "",
        _("Fever reducer: %(named)s.") % {"named": reading.fever_reducer} if reading.fever_reducer else "",
        _("Seen by %(name)s.") % {"name": reading.observed_by} if reading.observed_by else "",
        _("Entered later.") if reading.recorded_at - reading.taken_at >= WORTH_SAYING else "",
        _("Replaces an earlier one: %(reason)s") % {"reason": reading.reason} if reading.replaces_id else "",
        reading.note,
    )


def _missing(rows: Iterable[Row]) -> Iterator[NamedLater]:
    for row in rows:
        for line in row.overview.lines:
            if line.state == "no_reading":
                said = {"day": line.check.day, "window": window_name(line.check.window)}
                title = _("No reading: day %(day)s, %(window)s") % said
                link = (reverse("excuse", args=[line.check.uid]), _("Explain it"))
                yield Event(line.check.closes_at, title, mark="none", link=link), ""


def _alerts(worker: Worker) -> Iterator[NamedLater]:
    about = Q(alert__worker=worker) | Q(alert__follow_up__worker=worker) | Q(alert__breach__worker=worker)
    entries = AlertEntry.objects.filter(about).select_related("alert")
    asking = (AlertEntry.Kind.RAISED, AlertEntry.Kind.ROUND, AlertEntry.Kind.LOOK_DUE)
    for entry in entries:
        said = {"cause": entry.alert.get_cause_display(), "what": entry.get_kind_display()}
        outcome = entry.alert.get_outcome_display() if entry.kind == AlertEntry.Kind.CLOSED else ""
        yield (
            Event(
                entry.recorded_at,
                _("Alert (%(cause)s): %(what)s") % said,
                _some(outcome, entry.because),
                mark="alert" if entry.kind in asking else "done",
                link=(reverse("alert", args=[entry.alert.uid]), _("The alert")),
            ),
            entry.recorded_by,
        )


def _calls(worker: Worker) -> Iterator[NamedLater]:
    for call in worker.calls.all():
        title = _("Call, answered") if call.answered else _("Call, not answered")
        yield (
            Event(call.called_at, title, _some(call.note), mark="done" if call.answered else "none"),
            (call.recorded_by),
        )


def _tasks(worker: Worker) -> Iterator[NamedLater]:
    done = Task.objects.filter(exposure__follow_up__worker=worker, completed_at__isnull=False)
    for task in done.select_related("completed_by"):
        title = _("Done: %(task)s") % {"task": task.title}
        actor = task.completed_by.actor if task.completed_by else ""
        yield Event(task.completed_at, title, _some(task.note)), actor


def _ends(worker: Worker) -> Iterator[NamedLater]:
    """States and clearances."""
    for state in FollowUpState.objects.filter(follow_up__worker=worker).select_related("follow_up"):
        said = {"pathogen": state.follow_up.pathogen, "state": state.get_kind_display()}
        title = _("Follow-up for %(pathogen)s: %(state)s") % said
        yield Event(state.from_at, title, _some(state.reason, state.basis)), state.by
    clearances = {f"clearance:{one.uid}": one for one in Clearance.objects.filter(follow_up__worker=worker)}
    for signature in Signature.objects.filter(subject__in=list(clearances)):
        kind = clearances[signature.subject].get_kind_display()
        yield Event(signature.recorded_at, _("Clearance signed"), (kind,)), signature.recorded_by
    for clearance in clearances.values():
        if clearance.void_at is not None:
            because = _some(clearance.void_because)
            yield Event(clearance.void_at, _("Clearance void"), because, mark="alert"), ""
