"""The readings in a person's story: taken, replaced, not accepted, missing and explained."""

from collections.abc import Collection, Iterable, Iterator, Mapping
from datetime import timedelta

from django.urls import reverse
from django.utils.formats import localize
from django.utils.translation import gettext as _

from exposure.followup.models import Check, Fill, Reading, ReadingFields, UnplacedReading
from exposure.people.models import Worker
from exposure.web.bidi import isolated
from exposure.web.nurse.happenings import Happening, NamedLater, Seen, some
from exposure.web.nurse.rows import Row
from exposure.web.times import window_name

WORTH_SAYING = timedelta(minutes=30)  # between a reading and its entry


def readings(worker: Worker, known: Collection[int], rows: Iterable[Row], seen: Seen) -> Iterator[NamedLater]:
    """`known` are the worker's record and those that proved to be the same person's."""
    symptoms = {code: code.replace("_", " ") for row in rows if row.profile for code in row.profile.symptoms}
    taken = list(seen(Reading.objects.filter(worker__in=known)).select_related("worker"))
    replaced = {reading.replaces_id for reading in taken}
    for reading in taken:
        yield _reading(reading, worker, symptoms, reading.pk in replaced), reading.recorded_by
    for unplaced in seen(UnplacedReading.objects.filter(worker__in=known)).select_related("worker"):
        yield _unplaced(unplaced, worker, symptoms), unplaced.recorded_by
    checks = seen(Check.objects.filter(follow_up__worker=worker)).values("pk")
    excused = Fill.objects.filter(check_row__in=checks, state="excused")
    for fill in excused.select_related("check_row"):
        which = {"day": fill.check_row.day, "window": window_name(fill.check_row.window)}
        title = _("Missing reading explained: day %(day)s, %(window)s") % which
        yield Happening(fill.recorded_at, title, (fill.reason,)), fill.recorded_by


def missing(rows: Iterable[Row]) -> Iterator[NamedLater]:
    """The readings that nobody took or explained."""
    for row in rows:
        for line in row.overview.lines:
            if line.state == "no_reading":
                which = {"day": line.check.day, "window": window_name(line.check.window)}
                title = _("No reading: day %(day)s, %(window)s") % which
                link = (reverse("excuse", args=[line.check.uid]), _("Explain it"))
                yield Happening(line.check.closes_at, title, mark="none", link=link), ""


def _reading(reading: Reading, worker: Worker, symptoms: Mapping[str, str], replaced: bool) -> Happening:
    title = _("Reading")
    if reading.could_not:
        title = _("Could not take a reading")
    elif reading.value is not None:
        title = f"{localize(reading.value.normalize() + 0)} °{reading.unit} {reading.get_method_display()}"
    alarming = any(code in ("fever", "symptom") for code in reading.triggers)
    lines = some(
        _("Replaced by a later one.") if replaced else "",
        *_entered(reading, worker, symptoms),
        _("Seen by %(name)s.") % {"name": reading.observed_by} if reading.observed_by else "",
        _("Entered later.") if reading.recorded_at - reading.taken_at >= WORTH_SAYING else "",
        _("Replaces an earlier one: %(reason)s") % {"reason": reading.reason} if reading.replaces_id else "",
        reading.note,
    )
    mark = "none" if replaced or reading.could_not else "alert" if alarming else "done"
    link = None if replaced else (reverse("reading_amend", args=[reading.uid]), _("Correct it"))
    return Happening(reading.taken_at, title, lines, mark=mark, link=link)


def _unplaced(refused: UnplacedReading, worker: Worker, symptoms: Mapping[str, str]) -> Happening:
    unit = f" °{refused.unit}" if refused.unit else ""
    typed = f"{refused.typed}{unit}" if refused.typed else _("no temperature")
    title = _("Not accepted: “%(typed)s”") % {"typed": typed}
    lines = some(refused.refused_because, *_entered(refused, worker, symptoms), refused.note)
    return Happening(refused.taken_at or refused.recorded_at, title, lines, mark="alert")


def _entered(entry: ReadingFields, worker: Worker, symptoms: Mapping[str, str]) -> tuple[str, ...]:
    """What both kinds of entry hold beside the temperature."""
    named = ", ".join(symptoms.get(code, code) for code in entry.symptoms)
    return some(
        entry.could_not,
        _("Felt feverish.") if entry.felt_feverish else "",
        _("Symptoms: %(named)s.") % {"named": named} if named else "",
        _reducer(entry),
        _("Entered for %(name)s.") % {"name": isolated(entry.worker.name)}
        if entry.worker_id != worker.pk
        else "",
    )


def _reducer(entry: ReadingFields) -> str:
    hours = entry.fever_reducer_hours
    if not entry.fever_reducer and hours is None:
        return ""
    words = {
        "named": entry.fever_reducer or _("taken"),
        "hours": localize(hours.normalize() + 0) if hours else "",
    }
    if hours:
        return _("Fever reducer: %(named)s, %(hours)s h before.") % words
    return _("Fever reducer: %(named)s.") % words
