"""Whatever is done to a follow-up, and in whatever order, nothing is lost and no day is miscounted.

The long search: HYPOTHESIS_PROFILE=long. Only there a failing story is shortened, because that takes minutes.
"""

import os
from collections import Counter
from datetime import timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from django.db.models import Count
from hypothesis import HealthCheck, Phase, settings
from hypothesis.stateful import invariant, run_state_machine_as_test

from exposure.api.alerts import with_cause
from exposure.attend.models import Alert, Promise
from exposure.attend.outcomes import FITTING
from exposure.attend.overview import overviews
from exposure.clear.models import Clearance
from exposure.followup.models import (
    Check,
    Exposure,
    Fill,
    FollowUp,
    FollowUpState,
    Reading,
    Restriction,
    UnplacedReading,
)
from exposure.followup.schedule import day_zero
from exposure.people.models import Worker
from exposure.report.models import Breach
from exposure.web.nurse import queue
from tests.cast import MONDAY, adopt, doing
from tests.stateful.deeds import Deeds

pytestmark = pytest.mark.django_db  # on PostgreSQL only: it is long, and SQLite has the stories one by one
LONG = os.environ.get("HYPOTHESIS_PROFILE") == "long"
Kind = FollowUpState.Kind
RUNNING = {Kind.PROVISIONAL, Kind.MONITORED, Kind.EVALUATED, Kind.ADMITTED}
WITH_VERSIONS = (Alert, Breach, Clearance, Exposure, FollowUp, FollowUpState, Promise, Restriction, Worker)


class Story(Deeds):
    """What must hold after every step."""

    def __init__(self, cast):
        super().__init__(cast)
        self.exposures: set[int] = set()
        self.answers: dict[int, int] = {}  # check -> the reading that fills it
        self.alerts: set[int] = set()
        self.signed: set[tuple[int, int]] = set()  # clearance and follow-up

    @invariant()
    def all_holds(self):
        self.views = overviews(FollowUp.objects.select_related("worker", "site"), at=self.at)
        for must_hold in MUST_HOLD:
            must_hold(self)

    def no_reading_is_lost(self):
        stored = {str(one.uid): str(one.value) for one in Reading.objects.all()}
        assert stored == {uid: f"{typed}0" for uid, typed in self.entered.items()}
        unplaced = {str(one.uid): one.typed for one in UnplacedReading.objects.all()}
        assert unplaced.keys() == self.refused.keys()
        assert all(self.refused[uid] in typed for uid, typed in unplaced.items())

    def a_reading_fills_its_check_until_it_is_replaced(self):
        replaced = set(Reading.objects.exclude(replaces=None).values_list("replaces", flat=True))
        now = {
            line.check.pk: line.reading.pk
            for view in self.views
            for line in view.lines
            if line.reading is not None and line.state in ("recorded", "recorded_late")
        }
        withdrawn = set(Check.objects.exclude(withdrawn_at=None).values_list("pk", flat=True))
        for check, reading in self.answers.items():
            assert now.get(check) == reading or reading in replaced
            assert check not in withdrawn
        self.answers = now

    def one_follow_up_per_person_and_pathogen_has_not_ended(self):
        running = FollowUp.objects.running(at=self.at).select_related("worker")
        people = Counter((one.worker_id, one.pathogen) for one in running)
        assert set(people.values()) <= {1}
        assert all(one.worker.same_as_id is None for one in running)

    def every_exposure_ever_made_stands_in_a_follow_up_of_its_own_pathogen(self):
        rows = list(Exposure.objects.select_related("follow_up", "assessment", "version", "breach"))
        assert self.exposures <= {one.pk for one in rows}
        self.exposures = {one.pk for one in rows}
        for one in rows:
            about = one.assessment or one.version
            assert about.pathogen == one.follow_up.pathogen
            if one.breach is not None:
                assert one.breach.worker_id == one.follow_up.worker_id
            else:
                assert one.follow_up.worker.same_as_id is None

    def the_last_day_is_the_latest_among_standing_exposures(self):
        for now in self.views:
            if now.follow_up.ended_at is not None:
                continue
            assert now.exposures, "a follow-up without any exposure that counts has ended"
            ends = [one.last_day for one in now.exposures if one.last_day is not None]
            assert now.last_day == max(ends, default=None)
            if now.last is None:
                continue
            zone = ZoneInfo(now.last.zone)
            coming = [
                line.check.opens_at.astimezone(zone).date()
                for line in now.lines
                if line.check.opens_at > self.at
            ]
            assert all(on <= now.last_day for on in coming)
            if self.at < now.ends_at - timedelta(hours=48):
                assert coming, "readings are asked for up to the last day"
                assert coming[-1] == now.last_day

    def the_tier_in_force_is_the_highest_inside_its_days(self):
        for now in self.views:
            inside = [
                one
                for one in now.exposures
                if one.last_day is None or self.at.astimezone(ZoneInfo(one.zone)).date() <= one.last_day
            ]
            assert (now.in_force in inside) if inside else now.in_force is None
            same = [one for one in inside if one.criteria_version == now.in_force.criteria_version]
            assert all(one.plan["rank"] <= now.in_force.plan["rank"] for one in same)

    def each_exposure_has_its_own_day_0_and_its_restrictions_end_with_it(self):
        corrected = set(Exposure.objects.exclude(corrects=None).values_list("corrects", flat=True))
        for one in Exposure.objects.prefetch_related("restrictions").select_related("breach"):
            assert one.day_zero == day_zero(one.occurred_at, ZoneInfo(one.zone))
            assert one.pk not in corrected or one.withdrawn_at is not None
            assert one.breach is None or one.breach.withdrawn_at is None or one.withdrawn_at is not None
            standing = [each for each in one.restrictions.all() if each.lifted_at is None]
            if one.withdrawn_at is not None:
                assert not standing
                assert all(task.kept_at or task.void_at for task in one.promises.filter(kind="task"))
            assert all(each.from_date == one.day_zero for each in standing)
            assert all(each.to_date == one.last_day for each in standing)
            assert len({each.code for each in standing}) == len(standing)

    def standing_checks_neither_overlap_nor_outlive_their_follow_up(self):
        excused = set(Fill.objects.filter(state="excused").values_list("check_row", flat=True))
        for now in self.views:
            checks = [line.check for line in now.lines]
            assert all(one.closes_at <= later.opens_at for one, later in pairwise(checks))
            ended_at = now.follow_up.ended_at
            if (
                ended_at is not None
            ):  # an excuse given beforehand is kept: it is evidence, and asks for nothing
                assert all(one.opens_at <= ended_at for one in checks if one.pk not in excused)

    def one_state_holds_and_it_fits_the_end(self):
        for one in FollowUp.objects.prefetch_related("states"):
            standing = [state.kind for state in one.states.all() if state.until_at is None]
            assert len(standing) == 1
            assert (standing[0] in RUNNING) == (one.ended_at is None)
            assert standing[0] != Kind.JOINED or not one.exposures.exists()
            signed = [clearance for clearance in one.clearances.all() if clearance.void_at is None]
            if standing[0] == Kind.CLEARED:
                assert [clearance.effective_at for clearance in signed] == [one.ended_at]

    def a_signed_follow_up_ends_with_its_last_day(self):
        for now in self.views:
            if now.follow_up.ended_at is not None and now.follow_up.ended_at > self.at:
                assert now.ends_at is None or now.follow_up.ended_at == now.ends_at

    def one_open_alert_per_subject_and_cause(self):
        of = ("breach", "follow_up", "worker", "cause")
        assert not Alert.objects.filter(closed_at=None).values(*of).annotate(n=Count("pk")).filter(n__gt=1)

    def no_alert_goes_without_an_outcome_that_fits(self):
        rows = {one.pk: one for one in Alert.objects.select_related("closed_by")}
        assert self.alerts <= rows.keys()
        self.alerts = set(rows)
        for one in rows.values():
            assert one.closed_at is None or (one.closed_by and one.outcome in FITTING[one.cause])

    def nothing_was_open_when_a_clearance_was_signed(self):
        signed = set(Clearance.objects.filter(void_at=None).values_list("pk", "follow_up"))
        for _clearance, follow_up in signed - self.signed:
            [view] = [view for view in self.views if view.follow_up.pk == follow_up]
            assert not view.alerts
            assert all(task.kept_at is not None for task in view.tasks)
            assert not view.paused
        self.signed |= signed

    def the_queue_holds_what_is_open_and_the_lists_say_the_same_of_it(self):
        """Of each site its nurse; a warning whose time has come stands as late, in the queue once."""
        for nurse in (self.cast.nurse, self.cast.outsider):
            here = Alert.objects.filter(closed_at=None, site__in=[role.site_id for role in nurse.roles.all()])
            shown = {one.alert.pk: one.gone for one in queue.lines(nurse, at=self.at) if one.alert}
            gone = {one.pk: one.cause_gone for one in with_cause(here, at=self.at)}
            told_as_late = {one.pk for one in here if one.cause == Alert.Cause.TASK_SOON and gone[one.pk]}
            assert shown.keys() | told_as_late == gone.keys()
            assert shown == {key: gone[key] for key in shown}

    def teardown(self):
        try:
            for model in WITH_VERSIONS:
                self.every_row_is_its_newest_version(model)
        finally:
            super().teardown()

    def every_row_is_its_newest_version(self, model):
        columns = [field.attname for field in model.history.model.tracked_fields]
        versions = model.history.order_by("history_id").values(*columns)
        assert {one["id"]: one for one in versions} == {
            one["id"]: one for one in model.objects.values(*columns)
        }


MUST_HOLD = (
    Story.no_reading_is_lost,
    Story.a_reading_fills_its_check_until_it_is_replaced,
    Story.one_follow_up_per_person_and_pathogen_has_not_ended,
    Story.every_exposure_ever_made_stands_in_a_follow_up_of_its_own_pathogen,
    Story.the_last_day_is_the_latest_among_standing_exposures,
    Story.the_tier_in_force_is_the_highest_inside_its_days,
    Story.each_exposure_has_its_own_day_0_and_its_restrictions_end_with_it,
    Story.standing_checks_neither_overlap_nor_outlive_their_follow_up,
    Story.one_state_holds_and_it_fits_the_end,
    Story.a_signed_follow_up_ends_with_its_last_day,
    Story.one_open_alert_per_subject_and_cause,
    Story.no_alert_goes_without_an_outcome_that_fits,
    Story.nothing_was_open_when_a_clearance_was_signed,
    Story.the_queue_holds_what_is_open_and_the_lists_say_the_same_of_it,
)


def test_any_order_of_what_people_do_keeps_readings_days_and_restrictions(cast):
    """What must hold is said by the invariants above."""
    with doing("command:tests"):
        adopt(cast.site, "mpox-2024.1", MONDAY)
    run_state_machine_as_test(
        lambda: Story(cast),
        settings=settings(
            settings(),
            max_examples=300 if LONG else 14,
            stateful_step_count=50,
            phases=tuple(Phase) if LONG else (Phase.explicit, Phase.generate),
            suppress_health_check=list(HealthCheck),
        ),
    )
