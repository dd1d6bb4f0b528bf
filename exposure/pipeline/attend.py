"""An alert is seen, taken over, looked at again and closed; the list of a site is taken over.

The same decision again changes nothing. Another one, where a decision stands, is kept, and Conflict is raised with what
stands; so is one on an alert to which something has come that its maker had not seen.
"""

from contextlib import suppress
from datetime import datetime, timedelta

from django.db import transaction
from django.utils.translation import gettext as _

from exposure.attend import alerts, closing
from exposure.attend.alerts import worker_of
from exposure.attend.models import Alert, AlertEntry, Handover
from exposure.followup import plans, states
from exposure.followup.models import FollowUpState
from exposure.people.access import may_on, require, require_on
from exposure.people.models import User
from exposure.people.policy import Deed
from exposure.pipeline import complete, turn
from exposure.pipeline.enter import DOUBLE_TAP
from exposure.places.models import Site
from exposure.record import because as because_of
from exposure.refusal import BadSubmission, Conflict, NotYet, Problem, require_text

Cause = Alert.Cause
LOOKS = (AlertEntry.Kind.WATCH, AlertEntry.Kind.REPEAT)
NEXT_LOOK = timedelta(hours=4)  # where no criteria name one


def acknowledge_alert(*, alert: Alert, times: int | None = None, by: User, at: datetime) -> Alert:
    """Seen, and held from now on; the next look is due within the hours that the criteria name. `times` is how often it
    had happened as it was read. Raises Conflict where it has happened again since, or somebody else holds it."""
    require_on(by, Deed.ACKNOWLEDGE, alert, at=at)
    with turn.of(at=at) as own:
        alert = locked_alert(alert)
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
        alert = locked_alert(alert)
        if alert.closed_at is not None:
            return alert
        if alert.held_by_id == by.pk and alert.acknowledged_at is not None:
            return alert
        if newest := alerts.came_since(alert, times):
            own.clash(newest, "take", worker_of(alert), alert.site, holder=holder.name)
            return alert
        if alert.held_by_id not in (None, holder.pk):
            own.clash(alert, "take", worker_of(alert), alert.site, holder=holder.name)
            return alert
        return alerts.hold(alert, by=by, at=at, look_within=longest_look(alert))


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
        alert = locked_alert(alert)
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
        alerts.acknowledge(alert, by=by, at=at, look_within=longest_look(alert))  # where it was given to them
        due_at = at + timedelta(hours=hours or most)
        return alerts.look_again(alert, kind, note=note, due_at=due_at, at=at)


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
        alert = locked_alert(alert)
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
            for warning in complete.lost_their_cause(alert.follow_up, (Cause.TASK_SOON,), at):
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
        with suppress(NotYet):  # one that has ended by now
            turn.pause(follow_up, FollowUpState.Kind.EVALUATED, reason, at, by.actor)


def locked_alert(alert: Alert) -> Alert:
    """As it stands now. Locked first and read then: a statement that had to wait joins what stood before."""
    Alert.objects.select_for_update().only("pk").get(pk=alert.pk)
    return Alert.objects.select_related("site", "held_by").get(pk=alert.pk)


def longest_look(alert: Alert) -> timedelta:
    """Within what time somebody who has the alert looks at it again: the shortest that criteria in force name."""
    follow_ups = (
        [alert.follow_up] if alert.follow_up else list(worker_of(alert).follow_ups.filter(ended_at=None))
    )
    hours = [profile.next_look_hours for one in follow_ups if (profile := plans.profile_of(one))]
    return min((timedelta(hours=hour) for hour in hours if hour), default=NEXT_LOOK)


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
