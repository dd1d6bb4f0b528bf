"""Everything that people do to reports, exposures and follow-ups, as rules that may come in any order."""

from datetime import timedelta

from django.db import transaction
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule

from exposure.attend.models import Alert, Promise
from exposure.classify.models import Assessment
from exposure.clear.models import Clearance
from exposure.followup.models import Check, Exposure, FollowUp, Reading, UnplacedReading
from exposure.followup.states import pause_of
from exposure.people.models import User, Worker
from exposure.pipeline import (
    attend,
    classify,
    clear,
    complete,
    enter,
    evaluate,
    expose,
    follow,
    hand_over,
    link,
    remind,
    report,
    tell,
    turn,
)
from exposure.refusal import BadSubmission, Conflict, NotYet
from exposure.report.models import Breach
from tests.cast import MONDAY, Cast, doing
from tests.walk import sweep_at

ADOPTED = {
    "ebola": ("none", "high"),
    "mpox": ("none", "low", "intermediate", "high"),
}  # pathogen -> its tiers
PATHOGENS = st.sampled_from([*ADOPTED, "nipah"])  # no criteria are adopted for nipah
FACTS = st.sampled_from([{"contact": "splash", "skin": "intact"}, {"contact": "none"}, {}])
ZONES = st.sampled_from(["", "Pacific/Auckland", "America/Halifax", "Europe/Lisbon"])
# 101.5 with unit C fits no person: refused and, being a fever in F, kept unplaced.
TEMPERATURES = st.sampled_from(["36.6", "36.6", "37.9", "38.4", "101.5"])
NO_LIST = {"worker": None, "person": {"name": "W. Alder", "phone": ""}}
WAYS_ON = (evaluate.begin_evaluation, evaluate.admit)


class Deeds(RuleBasedStateMachine):
    """One person on the list, and whoever is typed in by name, whose story goes on in any order while hours pass."""

    def __init__(self, cast: Cast) -> None:
        super().__init__()
        self.cast = cast
        self.at = MONDAY
        self.entered: dict[str, str] = {}  # submission -> temperature as typed, of readings that were taken
        self.refused: dict[str, str] = {}  # the same of refused ones that had to be kept

    @initialize(facts=FACTS, two=st.booleans())
    def begin(self, facts, two):
        """Somebody was touched an hour ago, and perhaps somebody else, who may be the same person."""
        self.savepoint = transaction.atomic()
        self.savepoint.__enter__()
        self.report(facts, 1, "ebola")
        if two:
            self.report(facts, 1, "ebola", **NO_LIST)

    def teardown(self):
        transaction.set_rollback(True)
        self.savepoint.__exit__(None, None, None)

    # Who there is

    @property
    def worker(self) -> Worker:
        return Worker.objects.get(pk=self.cast.worker.pk)

    def choose(self, data: st.DataObject, model, **which):
        """One of the rows, or None."""
        rows = list(model.objects.filter(**which).order_by("pk"))
        return data.draw(st.sampled_from(rows)) if rows else None

    def done(self, deed, by: User | None = None, *, never: tuple[str, ...] = (), **said):
        """Somebody, the nurse unless named, does it; what is not possible yet changes nothing, for one of the
        reasons named."""
        by = by or self.cast.nurse
        with doing(by, at=self.at):
            try:
                return deed(by=by, at=self.at, **said)
            except NotYet as not_yet:
                if not set(not_yet.reasons) <= set(never):
                    raise
                return None
            except Conflict:  # another decision stands: what was sent is kept beside it
                return None

    def close(self, alert):
        """By a physician: what became of people whose case changed is theirs to decide."""
        said = {"outcome": Alert.Outcome.EVALUATED, "note": "Seen."}
        self.done(attend.close_alert, self.cast.physician, alert=alert, **said)

    # Time

    @rule(hours=st.sampled_from([1, 7, 13, 30, 60, 300]), swept=st.booleans())
    def time_passes(self, hours, swept):
        self.at += timedelta(hours=hours)
        if swept:
            sweep_at(self.at)

    # Reports

    def report(self, facts, ago, pathogen, **who):
        moment = (self.at - timedelta(hours=ago)).isoformat()
        body = self.cast.body(occurred_at=moment, facts=facts, pathogen=pathogen, **who)
        with doing(self.cast.observer, at=self.at):
            report.report_breach(body=body, reporter=self.cast.observer, at=self.at)

    @rule(facts=FACTS, ago=st.integers(0, 72), pathogen=PATHOGENS)
    def report_about_the_worker(self, facts, ago, pathogen):
        self.report(facts, ago, pathogen)

    @precondition(lambda self: Worker.objects.count() < 4)
    @rule(facts=FACTS, ago=st.integers(0, 72), pathogen=PATHOGENS)
    def report_about_somebody_on_no_list(self, facts, ago, pathogen):
        self.report(facts, ago, pathogen, **NO_LIST)

    @rule(data=st.data())
    def link(self, data):
        typed = self.choose(data, Worker, number=None, same_as=None)
        if typed is not None:
            self.done(link.link_worker, worker=typed, same_as=self.worker)

    @rule(data=st.data(), facts=FACTS)
    def confirm(self, data, facts):
        breach = self.choose(data, Breach)
        if breach is not None:
            self.done(classify.confirm_breach, breach=breach, facts=facts)

    @rule(data=st.data(), facts=FACTS)
    def answer(self, data, facts):
        breach = self.choose(data, Breach)
        if breach is not None:
            self.done(classify.answer_facts, breach=breach, facts=facts)

    @rule(data=st.data(), second=st.booleans())
    def override(self, data, second):
        found = self.choose(data, Assessment, pathogen__in=ADOPTED)
        if found is None:
            return
        tier = data.draw(st.sampled_from(ADOPTED[found.pathogen]))
        said = {"breach": found.breach, "pathogen": found.pathogen, "tier": tier, "reason": "Spoken."}
        made = self.done(classify.override_tier, self.cast.physician, **said)
        if second:
            self.done(classify.countersign, self.cast.physician2, assessment=made)

    @rule(data=st.data(), accepted=st.booleans())
    def withdraw(self, data, accepted):
        breach = self.choose(data, Breach)
        if breach is not None:
            asked = self.done(report.ask_withdrawal, self.cast.observer, breach=breach, reason="A slip.")
            self.done(classify.decide_withdrawal, request=asked, accepted=accepted, reason="Spoken.")

    # Exposures

    @rule(data=st.data(), ago=st.integers(0, 240), pathogen=st.sampled_from(list(ADOPTED)))
    def record_exposure(self, data, ago, pathogen):
        worker = self.choose(data, Worker, same_as=None)
        tier = data.draw(st.sampled_from(ADOPTED[pathogen][1:]))
        said = {"pathogen": pathogen, "tier": tier, "occurred_at": self.at - timedelta(hours=ago)}
        self.done(expose.record_exposure, worker=worker, note="Elsewhere.", **said)

    @rule(data=st.data())
    def tell_of_exposure(self, data):
        exposure = self.choose(data, Exposure)
        if exposure is not None:
            self.done(tell.tell_of_exposure, exposure=exposure, how="phone")

    @rule(data=st.data(), ago=st.integers(0, 96))
    def correct(self, data, ago):
        exposure = self.choose(data, Exposure)
        if exposure is not None:
            occurred_at = self.at - timedelta(hours=ago)
            said = {"occurred_at": occurred_at, "reason": "Ward book."}
            self.done(expose.correct_exposure, exposure=exposure, never=("no_longer_asked",), **said)

    # Readings

    @rule(
        data=st.data(),
        temperature=TEMPERATURES,
        ago=st.sampled_from([0, 0, 3, 12, 60]),
        reducer=st.booleans(),
        amends=st.booleans(),
    )
    def read(self, data, temperature, ago, reducer, amends):
        worker = self.choose(data, Worker)
        taken_at = self.at - timedelta(hours=ago)
        body = self.cast.reading(temperature=temperature, taken_at=taken_at.isoformat())
        body |= {"fever_reducer": "paracetamol"} if reducer else {}
        amended = self.choose(data, Reading, replaced_by=None) if amends else None
        body |= {"replaces": str(amended.uid), "reason": "Mistyped."} if amended is not None else {}
        with doing(self.cast.nurse, at=self.at):
            try:
                logged = follow.log_reading(body=body, worker=worker, entered_by=self.cast.nurse, at=self.at)
            except BadSubmission:  # no reading is asked of this person, or no longer
                return
        kept = {Reading: self.entered, UnplacedReading: self.refused}.get(type(logged.row))
        if kept is not None:
            kept[body["submission_id"]] = temperature
        about = worker.same_as or worker
        if "fever" in logged.triggers:  # whatever was seen before, this one has not been
            assert about.alerts.get(cause=Alert.Cause.FEVER, closed_at=None).acknowledged_at is None
            assert not Clearance.objects.filter(
                follow_up__worker=about, void_at=None, effective_at__gt=self.at
            ).exists()

    @rule(data=st.data())
    def excuse(self, data):
        check = self.choose(data, Check, withdrawn_at=None, closes_at__lte=self.at)
        if check is not None:
            self.done(enter.excuse_check, check=check, reason="Theatre.", never=("answered",))

    @rule(zone=ZONES)
    def move_to_another_zone(self, zone):
        self.done(remind.change_settings, self.worker.user, worker=self.worker, own_zone=zone)

    @rule(data=st.data())
    def replan(self, data):
        follow_up = self.choose(data, FollowUp)
        if follow_up is not None:
            with doing("task:replan", at=self.at):
                turn.replan_follow_up(follow_up_id=follow_up.pk, at=self.at)

    # Alerts and tasks

    @rule(data=st.data(), what=st.sampled_from(["acknowledge", "close", "complete", "hand over"]))
    def work_off(self, data, what):
        if what == "complete":
            task = self.choose(data, Promise, kind="task", kept_at=None, void_at=None)
            if task is not None:
                self.work_off_task(task)
            return
        alert = self.choose(data, Alert, closed_at=None)
        if alert is not None and what == "acknowledge":
            self.done(attend.acknowledge_alert, alert=alert)
        elif alert is not None and what == "hand over":
            holder = alert.held_by.name if alert.held_by is not None else ""
            self.done(hand_over.hand_over_alert, alert=alert, to="nurse2", holder=holder)
        elif alert is not None:
            self.close(alert)

    # States and ends

    @rule(data=st.data(), deed=st.sampled_from([*WAYS_ON, evaluate.return_to_monitoring]))
    def enter_another_state(self, data, deed):
        follow_up = self.choose(data, FollowUp)
        if follow_up is not None:
            said = {"reason": "Unwell."} if deed in WAYS_ON else {"finding": "Malaria."}
            never = ("ended",) if deed in WAYS_ON else ("ended", "not_paused")
            self.done(deed, self.cast.physician, follow_up=follow_up, **said, never=never)

    @rule(data=st.data(), kind=st.sampled_from(clear.OTHER_ENDS))
    def end(self, data, kind):
        follow_up = self.choose(data, FollowUp)
        if follow_up is not None:
            said = {"kind": kind, "reason": "As agreed.", "basis": "agreed", "accepted_by": "Dr. Ossory"}
            self.done(clear.end_follow_up, follow_up=follow_up, **said, never=("ended",))

    @rule(data=st.data())
    def reopen(self, data):
        follow_up = self.choose(data, FollowUp)
        if follow_up is not None:
            standing = list(follow_up.exposures.filter(withdrawn_at=None))
            said = {"reason": "Came back.", "never": ("no_exposure",)}
            runs = self.done(clear.reopen, follow_up=follow_up, **said)
            if runs is not None:  # what had joined another one before reopens nothing: that may be signed off
                assert runs.ended_at is None or (not standing and runs.ended_at > self.at)
                assert set(standing) <= set(runs.exposures.all())

    @rule(data=st.data(), ready=st.sampled_from([True, True, False]), near=st.booleans())
    def clear(self, data, ready, near):
        """Sign a follow-up off, perhaps near its end; where `ready`, after all that stands in the way was done."""
        follow_up = self.choose(data, FollowUp, ended_at=None)
        if follow_up is None:
            return
        last = follow_up.checks.filter(withdrawn_at=None).last()
        if near and last is not None:
            self.at = max(self.at, last.closes_at)
        if ready:
            self.put_in_order(follow_up)
        follow_up.refresh_from_db()
        allowed = self.obstacles(follow_up, ready)
        for physician in (self.cast.physician, self.cast.physician2):
            self.done(clear.sign_clearance, physician, follow_up=follow_up, never=allowed)

    def obstacles(self, follow_up, ready) -> tuple[str, ...]:
        """What may stand in the way of the sign-off."""
        if follow_up.ended_at is not None:  # what was put in order left no exposure that counts
            return ("ended",)
        found = ("being_evaluated",) if pause_of(follow_up) else ()
        if not ready:
            return (*found, "not_confirmed", "last_reading_missing", "open_alerts", "open_tasks")
        last = follow_up.checks.filter(withdrawn_at=None).last()
        if last is not None and last.closes_at > self.at:
            found += ("last_reading_missing",)
        return found

    def work_off_task(self, task):
        """Done, or, where it is too early for that, not to be done."""
        if task.not_before is not None and task.not_before > self.at:
            self.done(complete.mark_not_applicable, task=task, reason="Tested elsewhere.")
        else:
            self.done(complete.complete_task, task=task, note="Done.")

    def put_in_order(self, follow_up):
        for breach in Breach.objects.filter(exposures__follow_up=follow_up, exposures__withdrawn_at=None):
            self.done(classify.confirm_breach, breach=breach)
        for task in Promise.objects.filter(
            kind="task", exposure__follow_up=follow_up, kept_at=None, void_at=None
        ):
            self.work_off_task(task)
        last = follow_up.checks.filter(withdrawn_at=None).last()
        if last is not None and last.closes_at <= self.at:
            self.done(enter.excuse_check, check=last, reason="On leave.", never=("answered",))
        for alert in Alert.objects.filter(closed_at=None):
            self.close(alert)
