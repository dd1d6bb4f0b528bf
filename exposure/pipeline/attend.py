"""What waits for a person: told, seen, done, called, explained, noted.

The same decision again changes nothing. Another one, where a decision stands, is kept, and Conflict is raised with what
stands; so is one on an alert to which something has come that its maker had not seen.
"""

from collections.abc import Iterable
from datetime import datetime, timedelta

from django.db import transaction
from django.utils.translation import gettext as _

from exposure.attend import alerts, closing, duties, promises
from exposure.attend.alerts import worker_of
from exposure.attend.models import Alert, AlertEntry, Call, Handover, Promise
from exposure.attend.still import OF_TASKS, still
from exposure.followup import plans, states
from exposure.followup.fills import standing_fill
from exposure.followup.models import Check, Exposure, Fill, FollowUpState, PrivateNote, Protection
from exposure.people.access import may_on, require, require_on
from exposure.people.models import User, Worker
from exposure.people.policy import Deed
from exposure.pipeline import turn
from exposure.places.models import Site
from exposure.record import because as because_of
from exposure.refusal import BadSubmission, Conflict, NotYet, Problem, require_text
from exposure.report.models import Breach, Told
from exposure.report.moments import slip_in

Cause = Alert.Cause
LOOKS = (AlertEntry.Kind.WATCH, AlertEntry.Kind.REPEAT)
NEXT_LOOK = timedelta(hours=4)  # where no criteria name one
OLDEST_BIRTH_YEAR = 1900
CLOCK_GRACE = timedelta(minutes=10)  # for clocks that go wrong
DOUBLE_TAP = timedelta(minutes=1)  # the same note of a call within this is the same call; local choice


def tell_worker(*, breach: Breach, how: str, told_at: datetime, by: User, at: datetime) -> Told:
    """Record that the worker was told, in person or by telephone: messages may start."""
    require_on(by, Deed.TELL, breach, at=at)
    _require_how(how, "/by")
    if slip := slip_in(told_at, "/at", at=at + CLOCK_GRACE):
        raise BadSubmission(slip)
    with turn.of(breach.worker, at=at) as own:
        breach = turn.locked_breach(breach)
        standing = breach.tellings.first()
        if standing is not None:
            if standing.by != how:
                sent = {"by": how, "at": told_at.isoformat()}
                own.clash(standing, "tell", breach.worker, breach.site, **sent)
            return standing
        told = Told.objects.create(breach=breach, by=how, told_at=told_at)
        duties.keep(breach.worker, [Promise.Kind.TELL], by=by, at=at, breach=breach)
        alerts.close_all(breach, (Cause.UNTOLD,), by, at)
        return told


def tell_of_exposure(*, exposure: Exposure, how: str, by: User, at: datetime) -> Exposure:
    """Record that the worker was told of it, in person or by telephone: messages may start. Once."""
    worker = exposure.follow_up.worker
    require_on(by, Deed.TELL, worker, at=at)
    _require_how(how, "/how")
    with turn.of(worker, at=at) as own:
        exposure = Exposure.objects.select_related("follow_up__worker", "follow_up__site").get(pk=exposure.pk)
        follow_up = exposure.follow_up
        if exposure.told_at is not None:
            if exposure.told_by != how:
                own.clash(exposure, "tell", follow_up.worker, follow_up.site, how=how)
            return exposure
        exposure.told_at, exposure.told_by = at, how
        exposure.save()
        duties.keep(follow_up.worker, [Promise.Kind.TELL], by=by, at=at, exposure=exposure)
        if not follow_up.exposures.filter(withdrawn_at=None, breach=None, told_at=None).exists():
            alerts.close_all(follow_up, (Cause.UNTOLD,), by, at)
        return exposure


def tell_of_change(*, telling: Promise, how: str, by: User, at: datetime) -> Promise:
    """Record that the worker was told what has changed for them, in person or by telephone. Once; NotYet where a later
    change has taken its place."""
    worker = telling.worker
    assert worker is not None  # a change is always somebody's
    require_on(by, Deed.TELL, telling, at=at)
    _require_how(how, "/how")
    with turn.of(worker, at=at) as own:
        telling = Promise.objects.select_for_update(of=("self",)).select_related("site", "worker").get(
            pk=telling.pk
        )  # fmt: skip
        if telling.void_at is not None:
            raise NotYet("no_longer_asked")
        if telling.kept_at is not None:
            if telling.note != how:
                own.clash(telling, "tell", worker, telling.site, how=how)
            return telling
        promises.keep([telling], by=by, at=at, note=how)
        return telling


def _require_how(how: str, pointer: str) -> None:
    if how not in dict(Told.HOW):
        raise BadSubmission(Problem(pointer, _("Say whether in person or by telephone.")))


def acknowledge_alert(*, alert: Alert, times: int | None = None, by: User, at: datetime) -> Alert:
    """Seen, and held from now on; the next look is due within the hours that the criteria name. `times` is how often it
    had happened as it was read. Raises Conflict where it has happened again since, or somebody else holds it."""
    require_on(by, Deed.ACKNOWLEDGE, alert, at=at)
    with turn.of(at=at) as own:
        alert = _locked_alert(alert)
        if alert.closed_at is not None:
            return alert
        if alert.held_by_id not in (None, by.pk):
            own.clash(alert, "acknowledge", worker_of(alert), alert.site)
            return alert
        if newest := alerts.came_since(alert, times):
            own.clash(newest, "acknowledge", worker_of(alert), alert.site)
            return alert
        return alerts.acknowledge(alert, by=by, at=at, look_within=longest_look(alert))


def take_alert(*, alert: Alert, holder: User, times: int | None = None, by: User, at: datetime) -> Alert:
    """Take over an alert from the person who holds it; where it has come anew and nobody does, as acknowledging it.
    Raises Conflict where it has happened again since it was read, or another holds it by now."""
    require_on(by, Deed.ACKNOWLEDGE, alert, at=at)
    with turn.of(at=at) as own:
        alert = _locked_alert(alert)
        if alert.closed_at is not None or alert.held_by_id == by.pk:
            return alert
        if newest := alerts.came_since(alert, times):
            own.clash(newest, "take", worker_of(alert), alert.site, holder=holder.name)
            return alert
        if alert.held_by_id is None:
            return alerts.acknowledge(alert, by=by, at=at, look_within=longest_look(alert))
        if alert.held_by_id != holder.pk:
            own.clash(alert, "take", worker_of(alert), alert.site, holder=holder.name)
            return alert
        return alerts.take_over(alert, by=by)


def look_again(
    *,
    alert: Alert,
    kind: str,
    note: str,
    hours: int | None = None,
    times: int | None = None,
    by: User,
    at: datetime,
) -> Alert:
    """Whoever has the alert watches it (`kind` watch) or has it measured again (repeat), and it asks anew in so many
    hours: at most, and where none are named, those of the criteria. Again and again, as long as it is open.

    Raises BadSubmission at /kind, /hours or /note, NotYet where nobody has it, and Conflict where somebody else has it,
    has closed it, or it has happened again since it was read `times` times.
    """
    require_on(by, Deed.ACKNOWLEDGE, alert, at=at)
    most = longest_look(alert) // timedelta(hours=1)
    if kind not in LOOKS:
        raise BadSubmission(Problem("/kind", _("Say whether it is watched or measured again.")))
    if hours is not None and not 1 <= hours <= most:
        raise BadSubmission(Problem("/hours", _("Look again within 1 to %(most)s hours.") % {"most": most}))
    require_text(note, "/note", _("Say what you wait for."))
    with turn.of(at=at) as own, because_of(note):
        alert = _locked_alert(alert)
        newest = None if alert.closed_at else alerts.came_since(alert, times)
        if alert.closed_at is None and newest is None and alert.held_by_id is None:
            raise NotYet("nobody_has_it")
        if alert.closed_at is not None or newest or alert.held_by_id != by.pk:
            said = {"kind": kind, "hours": hours, "note": note}
            own.clash(newest or alert, "look", worker_of(alert), alert.site, **said)
            return alert
        tapped = alert.entries.filter(recorded_at__gt=at - DOUBLE_TAP).last()
        if tapped is not None and (tapped.kind, tapped.because) == (kind, note):
            return alert
        due_at = at + timedelta(hours=hours or most)
        return alerts.look_again(alert, kind, note=note, due_at=due_at, at=at)


def take_list(*, site: Site, seen: str, read_at: datetime | None = None, by: User, at: datetime) -> Handover:
    """Take over the list of a site as it was read at `read_at` (now, where nobody says): `seen` is the uid of the
    hand-over that stood then, "" where none did. Taken again by the same person, what stands is returned; Conflict with
    it where somebody else was faster."""
    require(by, Deed.TAKE_LIST, site.pk, at=at)
    with transaction.atomic():
        Site.objects.select_for_update(no_key=True).get(pk=site.pk)  # one at a time; holds up nothing else
        last = Handover.objects.filter(site=site).last()
        if seen == (str(last.uid) if last else ""):
            return Handover.objects.create(site=site, taken_by=by, read_at=min(read_at or at, at))
    if last is not None and last.taken_by_id == by.pk:
        return last
    raise Conflict(last)


def close_alert(
    *, alert: Alert, outcome: str, note: str, times: int | None = None, by: User, at: datetime
) -> Alert:
    """Close with an outcome that fits its cause; whoever fell ill is being evaluated from then on. `times` is how often
    it had happened as it was read: what has come since may be worse, so that it stays open, and Conflict is raised with
    what came. Raises PermissionDenied, and BadSubmission at /outcome or /note."""
    require_on(by, closing.deed_of(alert), alert, at=at)
    closing.require_fitting(alert, outcome, note)
    fell_ill = outcome == Alert.Outcome.FELL_ILL
    with turn.of(*([worker_of(alert)] if fell_ill else []), at=at) as own, because_of(note):
        alert = _locked_alert(alert)
        if alert.closed_at is not None:
            if (alert.outcome, alert.note.strip()) != (outcome, note.strip()):
                own.clash(alert, "close", worker_of(alert), alert.site, outcome=outcome, note=note)
            return alert
        if newest := alerts.came_since(alert, times):
            own.clash(newest, "close", worker_of(alert), alert.site, outcome=outcome, note=note)
            return alert
        closing.require_true(alert, outcome, at=at)
        if fell_ill:
            _begin_evaluations(alert, note, by, at)
        closed = alerts.close(alert, outcome=outcome, note=note, by=by, at=at)
        if alert.cause == Cause.LATE_TASK:
            for warning in _lost_their_cause(alert.follow_up, (Cause.TASK_SOON,), at):
                alerts.close(warning, outcome=outcome, note=note, by=by, at=at)
        return closed


def _begin_evaluations(alert: Alert, reason: str, by: User, at: datetime) -> None:
    """Of every follow-up that the alert is about and that asks for readings now, as far as its site is the decider's.
    Where all are another site's, that site is asked instead, so that nobody is left at home with it."""
    asking = []
    for follow_up in closing.running_of(alert, at=at):
        state = states.state_of(follow_up)
        if state is None or state.kind not in states.PAUSED:
            asking.append(turn.locked_follow_up(follow_up))
    own = [follow_up for follow_up in asking if may_on(by, Deed.DECIDE_STATE, follow_up, at=at)]
    if asking and not own:
        site = asking[0].site
        words = _("%(site)s follows this worker up: ask them to begin the evaluation (%(phone)s).")
        raise BadSubmission(Problem("/outcome", words % {"site": site.name, "phone": site.phone}))
    for follow_up in own:
        turn.go_on(follow_up, reason, at, by.actor)
        if follow_up.ended_at is not None:
            continue
        turn.drop_calls([follow_up], because="paused", at=at)
        states.enter_state(follow_up, FollowUpState.Kind.EVALUATED, at=at, by=by.actor, reason=reason)


def _locked_alert(alert: Alert) -> Alert:
    return Alert.objects.select_for_update(of=("self",)).select_related("site", "held_by").get(pk=alert.pk)


def longest_look(alert: Alert) -> timedelta:
    """Within what time somebody who has the alert looks at it again: the shortest that criteria in force name."""
    follow_ups = (
        [alert.follow_up] if alert.follow_up else list(worker_of(alert).follow_ups.filter(ended_at=None))
    )
    hours = [profile.next_look_hours for one in follow_ups if (profile := plans.profile_of(one))]
    return min((timedelta(hours=hour) for hour in hours if hour), default=NEXT_LOOK)


def complete_task(*, task: Promise, note: str, by: User, at: datetime) -> Promise:
    """Done; tasks that count from this one get their time."""
    assert task.worker is not None  # only what criteria wait for is about nobody
    require_on(by, Deed.COMPLETE_TASK, task, at=at)
    with turn.of(task.worker, at=at) as own, because_of(note):
        task = Promise.objects.select_for_update(of=("self",)).select_related(
            "site", "worker", "exposure__follow_up", "breach"
        ).get(pk=task.pk)  # fmt: skip
        if task.void_at is not None:
            raise NotYet("no_longer_asked")
        if task.kept_at is not None:
            if task.note.strip() != note.strip():
                own.clash(task, "complete", task.worker, task.site, note=note)
            return task
        promises.keep([task], by=by, at=at, note=note)
        _answer_late(task, by, at)
        return task


def _answer_late(task: Promise, by: User, at: datetime) -> None:
    """The alert that says it is late, or soon due, is answered, or says what is still so."""
    subject = task.exposure.follow_up if task.exposure is not None else task.breach
    for alert in _lost_their_cause(subject, OF_TASKS, at):
        alerts.close(alert, outcome=Alert.Outcome.EVALUATED, note="", by=by, at=at)


def _lost_their_cause(subject: alerts.Subject | None, causes: Iterable[str], at: datetime) -> list[Alert]:
    """The open alerts of these causes of which nothing is so any more; the others say what still is."""
    if subject is None:
        return []
    rows = subject.alerts.select_for_update(of=("self",)).filter(cause__in=causes, closed_at=None)
    found = list(rows.select_related("follow_up__worker", "breach__worker", "worker").order_by("pk"))
    waiting = still(found, at=at)
    for alert in found:
        if waiting[alert.pk]:
            alerts.reword(alert, promises.titles(waiting[alert.pk]))
    return [alert for alert in found if not waiting[alert.pk]]


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
