"""A reading from a worker's form into the record: what is to stop them is stored at once, only then is anything
asked."""

import uuid
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo, available_timezones

from django.http import HttpRequest, QueryDict
from django.utils import timezone

from exposure.followup.entry import ReadingEntry, read_entry
from exposure.followup.models import Reading
from exposure.followup.readings import must_keep
from exposure.followup.store_reading import Judged, Logged, follow_ups_taking_readings, judge_entry
from exposure.people.models import Worker
from exposure.pipeline import follow
from exposure.refusal import BadSubmission, Conflict
from exposure.web.worker.forms import ReadingForm, other_id
from exposure.web.worker.situation import Situation


@dataclass(frozen=True)
class Taken:
    """What became of a form. Without a `reading` what is wrong stands at its fields; `stop`: it was kept all the same,
    and stops the worker."""

    reading: Reading | None = None
    stop: bool = False


def take(form: ReadingForm, request: HttpRequest, situation: Situation) -> Taken:
    """Store the reading that the form carries, or say at its fields what is wrong or to be asked once more."""
    try:
        body = form.body()
        entry = read_entry(body, at=request.at)
        asked = form.asks_again(entry)
        if asked and not _is_urgent(entry, situation):
            form.remember(asked)
            form.show((*entry.refused, *asked))
            return Taken()
        logged = _log_once(body, request, situation.worker)
    except BadSubmission as bad:
        form.show(bad.problems)
        return Taken()
    if not logged.problems:
        assert isinstance(logged.row, Reading)
        return Taken(logged.row)
    form.show(logged.problems)
    if logged.row is not None:
        form.renew()
    return Taken(stop=logged.stop)


def take_kept(form: ReadingForm, request: HttpRequest, worker: Worker) -> Logged:
    """Store a reading that a phone kept while it had no connection, once: `noted_at` is when it was sent there, and
    `zone` where its clock hung. Nothing is asked once more: nobody may be there to answer. Raises BadSubmission."""
    with timezone.override(_zone(request.POST.get("zone", "")) or worker.zone):
        body = form.body()
    late = {**body, "taken_at": body["taken_at"] or request.POST.get("noted_at") or None}
    try:
        return follow.log_reading(body=late, worker=worker, entered_by=request.user, at=request.at)
    except Conflict:
        # The page had sent it before the connection went, as taken just then, and has not heard that it arrived.
        try:
            return follow.log_reading(body=body, worker=worker, entered_by=request.user, at=request.at)
        except Conflict:
            return _log_once(late, request, worker)


def _zone(name: str) -> ZoneInfo | None:
    return ZoneInfo(name) if name in available_timezones() else None


def would_stop(form: ReadingForm, situation: Situation) -> bool:
    """Whether what stands in the form, not sent, would be a Stop."""
    try:
        return _judged(read_entry(form.body(), at=situation.at), situation).stop
    except BadSubmission:
        return False


def with_id(posted: QueryDict) -> QueryDict:
    """A page without a proper id still carries a reading."""
    try:
        uuid.UUID(posted.get("submission_id", ""))
    except ValueError:
        posted = posted.copy()
        posted["submission_id"] = str(uuid.uuid4())
    return posted


def usual(situation: Situation) -> dict[str, str]:
    """The unit and the place of the last measured reading; the unit that was set since, where it was."""
    worker = situation.worker
    measured = worker.readings.exclude(method="").order_by("taken_at").last()
    if measured is None:
        return {"unit": worker.unit, "method": ""}
    versions = worker.history.order_by("history_date", "history_id")
    then = versions.filter(history_date__lte=measured.recorded_at).last()
    later = versions.filter(history_date__gt=measured.recorded_at)
    set_since = then is None or later.exclude(unit=then.unit).exists()
    return {"unit": worker.unit if set_since else measured.unit, "method": measured.method}


def _judged(entry: ReadingEntry, situation: Situation) -> Judged:
    """The entry as the pipeline would judge it, nothing stored."""
    follow_ups = follow_ups_taking_readings(situation.worker, at=situation.at)
    return judge_entry(entry, situation.worker, follow_ups)


def _is_urgent(entry: ReadingEntry, situation: Situation) -> bool:
    """Whether it must be stored before anything is asked."""
    judged = _judged(entry, situation)
    return judged.stop or (bool(entry.refused) and must_keep(judged.triggers))


def _log_once(body: dict[str, Any], request: HttpRequest, worker: Worker) -> Logged:
    """A page that was gone back to, changed and sent again is another reading: it must not be lost."""
    try:
        return follow.log_reading(body=body, worker=worker, entered_by=request.user, at=request.at)
    except Conflict:
        body = {**body, "submission_id": other_id(body)}
        return follow.log_reading(body=body, worker=worker, entered_by=request.user, at=request.at)
