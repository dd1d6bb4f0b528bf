"""What a clinician enters about somebody: calls, why a reading is missing, notes, what was given.

The same again changes nothing; another entry, where one stands, is kept, and Conflict raised with what stands.
"""

from datetime import datetime, timedelta

from django.utils.translation import gettext as _

from exposure.attend import duties, promises
from exposure.attend.models import Call, Promise
from exposure.followup.fills import standing_fill
from exposure.followup.models import Check, Fill, PrivateNote, Protection
from exposure.people.access import require_on
from exposure.people.models import User, Worker
from exposure.people.policy import Deed
from exposure.pipeline import turn
from exposure.refusal import BadSubmission, NotYet, Problem, require_text
from exposure.report.moments import slip_in

OLDEST_BIRTH_YEAR = 1900
DOUBLE_TAP = timedelta(minutes=1)  # the same note of a call within this is the same call; local choice


def note_call(
    *,
    worker: Worker,
    answered: bool,
    note: str,
    try_again_at: datetime | None = None,
    by: User,
    at: datetime,
) -> tuple[Call, bool]:
    """A call to or from the worker; an answered one is contact made. One that was not may name its next try.

    It belongs to the site for which the caller may ring: the worker's own, else one that follows them up. Returns the
    call and whether it is new: the same note again within a minute is a double tap.
    """
    worker = worker.same_as or worker
    site_id = require_on(by, Deed.CALL, worker, at=at)
    if try_again_at is not None and not answered and try_again_at <= at:
        raise BadSubmission(Problem("/try_again_at", _("Give a time that is still to come.")))
    with turn.of(worker, at=at) as own:
        worker = own.person(worker)
        content = {"site_id": site_id, "answered": answered, "note": note, "by_user": by}
        call = worker.calls.filter(**content, called_at__gt=at - DOUBLE_TAP, called_at__lte=at).last()
        is_new = call is None
        if call is None:
            call = Call.objects.create(worker=worker, called_at=at, **content)
        if answered:
            note_contact(worker, by=by, at=at)
            for asked in (duties.TRY, duties.NO_ADDRESS):
                duties.keep(worker, [Promise.Kind.CALL], by=by, at=at, key__startswith=asked)
        elif try_again_at is not None:
            _ask_again(call, try_again_at, at)
        return call, is_new


def _ask_again(call: Call, due_at: datetime, at: datetime) -> None:
    """The newest wish counts: one try is open at a time. Each has a key of its own, for what was kept stays kept."""
    worker, key = call.worker, f"{duties.TRY} {call.uid}"
    tries = worker.promises.open().filter(kind=Promise.Kind.CALL, key__startswith=duties.TRY)
    earlier = tries.exclude(key=key).select_for_update(of=("self",))
    promises.drop(earlier, because="another time was set", at=at)
    again = Promise(
        site_id=call.site_id, worker=worker, kind=Promise.Kind.CALL, key=key, title=_("Ring again."),
        due_at=due_at, basis="unanswered call",
    )  # fmt: skip
    promises.ask(again, at=at)


def note_contact(worker: Worker, *, by: User | None, at: datetime) -> None:
    """The worker was heard from: nobody has to ring because of the silence before."""
    duties.keep(worker, [Promise.Kind.CALL], by=by, at=at, key__startswith=duties.SILENT)


def excuse_check(*, check: Check, reason: str, by: User, at: datetime) -> Fill:
    """A missing reading is explained by a clinician. Raises NotYet where it was answered in the meantime, and
    BadSubmission while it can still be taken."""
    follow_up = check.follow_up
    require_on(by, Deed.EXCUSE, follow_up, at=at)
    require_text(reason, "/reason", _("Say why the reading is missing."))
    with turn.of(follow_up.worker, at=at) as own:
        newest = check.fills.filter(standing_fill()).last()
        if newest is not None and newest.state == "excused":
            if newest.reason.strip() != reason.strip():
                own.clash(newest, "excuse", follow_up.worker, follow_up.site, reason=reason)
            return newest
        if newest is not None and newest.state != "repeat_due":
            raise NotYet("answered")
        if check.closes_at > at:
            raise BadSubmission(Problem("/reason", _("This reading can still be taken.")))
        return Fill.objects.create(check_row=check, state="excused", reason=reason)


def note_privately(
    *, worker: Worker, fever_unreliable: bool, text: str, by: User, at: datetime
) -> PrivateNote:
    """What only clinicians see. With `fever_unreliable`, feeling unwell is a symptom from the next reading on."""
    worker = worker.same_as or worker
    require_on(by, Deed.NOTE_PRIVATELY, worker, at=at)
    with turn.of(worker, at=at) as own:
        worker = own.person(worker)
        note, _fresh = PrivateNote.objects.select_for_update(of=("self",)).get_or_create(worker=worker)
        if (note.fever_unreliable, note.text) != (fever_unreliable, text):
            note.fever_unreliable, note.text = fever_unreliable, text
            note.save()
        return note


def note_birth_year(
    *, worker: Worker, birth_year: int | None, seen: int | None, by: User, at: datetime
) -> Worker:
    """By what a worker shows who they are, where their site asks it of who is invited; None: it is not known. `seen`
    is what stood when the writer looked: what another clinician has entered since is not overwritten unseen.

    Raises Conflict with the worker where another year stands by now, and BadSubmission at /birth_year.
    """
    worker = worker.same_as or worker
    require_on(by, Deed.INVITE, worker, at=at)
    if birth_year is not None and not OLDEST_BIRTH_YEAR <= birth_year <= at.year:
        raise BadSubmission(Problem("/birth_year", _("A year with four digits, such as 1984.")))
    with turn.of(worker, at=at) as own:
        worker = own.person(worker)
        if worker.birth_year not in (birth_year, seen):
            own.clash(worker, "birth_year", worker, worker.site, birth_year=birth_year)
        elif worker.birth_year != birth_year:
            worker.birth_year = birth_year
            worker.save()
        return worker


def note_unlisted(*, worker: Worker, note: str = "", by: User, at: datetime) -> Promise:
    """Somebody who was typed in by name is on no list: nobody has to ask any more who it is. Again by anybody changes
    nothing. Raises NotYet where nothing is asked, and where they were linked in the meantime."""
    require_on(by, Deed.LINK, worker, at=at)
    with turn.of(worker, at=at) as own:
        asked = Promise.objects.select_for_update(of=("self",)).filter(
            worker=worker, kind=Promise.Kind.IDENTIFY, key=str(worker.uid), void_at=None
        )
        standing = asked.first()
        if standing is None:
            raise NotYet("no_longer_asked")
        if standing.kept_at is not None and note.strip() not in ("", standing.note.strip()):
            own.clash(standing, "not_listed", worker, worker.site, note=note)
        promises.keep([standing], by=by, at=at, note=note)
        return standing


def record_protection(
    *, worker: Worker, kind: str, what: str, given_at: datetime, batch: str = "", by: User, at: datetime
) -> Protection:
    """Vaccine or prophylaxis given: shown beside every alert; no threshold moves. The same entry once."""
    worker = worker.same_as or worker
    require_on(by, Deed.RECORD_PROTECTION, worker, at=at)
    if kind not in Protection.Kind.values:
        raise BadSubmission(Problem("/kind", _("Say whether it was a vaccine or prophylaxis.")))
    require_text(what, "/what", _("Name what was given."))
    if slip := slip_in(given_at, "/given_at", at=at):
        raise BadSubmission(slip)
    with turn.of(worker, at=at) as own:
        given = {
            "worker": own.person(worker),
            "kind": kind,
            "what": what,
            "given_at": given_at,
            "batch": batch,
        }
        return Protection.objects.filter(**given).first() or Protection.objects.create(**given)
