"""Reading times of one worker: who sets them, what cannot be, and what becomes of readings already planned.

Days are counted here anew from the opening instants (the local date less the date of the exposure); six hours between
two readings is the local choice of the criteria file in use.
"""

from datetime import UTC, datetime, time, timedelta
from itertools import pairwise
from random import Random
from zoneinfo import ZoneInfo

import pytest
from django.core.exceptions import PermissionDenied

from exposure.classify.assess import propose_text
from exposure.classify.models import Adoption
from exposure.followup import own_times
from exposure.followup.expected import windows_of
from exposure.followup.schedule import DEFAULT_WINDOWS, Window
from exposure.people.models import Worker, WorkerWindow
from exposure.pipeline import follow, report
from exposure.places.models import SiteWindow
from exposure.refusal import BadSubmission
from exposure.remind.models import Reminder, Rung
from tests.cast import FIXTURES, MONDAY, doing
from tests.walk import follow_up_told_and_confirmed, hours, log, pass_time

pytestmark = pytest.mark.database

LISBON = ZoneInfo("Europe/Lisbon")
NIGHTS = (
    Window("first", time(14), time(15), time(18)),
    Window("second", time(22), time(23), time(2)),
)
EVENING = MONDAY.replace(hour=19)


@pytest.fixture
def follow_up(cast):
    return follow_up_told_and_confirmed(cast)


def set_times(cast, windows, at=MONDAY, by=None):
    by = by or cast.worker.user
    with doing(by, at=at):
        return follow.set_windows(worker=cast.worker, windows=windows, by=by, at=at)


def standing(follow_up):
    return list(follow_up.checks.filter(withdrawn_at=None))


def assert_sound(follow_up):
    """Counted by the day, nothing asked for twice, and reminders only of what is asked for."""
    checks = standing(follow_up)
    day_zero = follow_up.exposures.get().day_zero
    for check in checks:
        assert check.day == (check.opens_at.astimezone(LISBON).date() - day_zero).days
    for earlier, later in pairwise(checks):
        assert earlier.closes_at <= later.opens_at
        assert later.due_at - earlier.due_at >= hours(6)
    waiting = Rung.objects.filter(withdrawn_at=None, check_row__follow_up=follow_up)
    assert set(waiting.values_list("check_row", flat=True)) <= {check.pk for check in checks}


def opening_hours(checks):
    return {(check.opens_at.astimezone(LISBON).hour, check.window) for check in checks}


# Who, and what cannot be


def test_the_worker_sets_the_times_and_what_has_not_opened_moves(cast, follow_up):
    assert set_times(cast, NIGHTS) == NIGHTS
    assert opening_hours(standing(follow_up)) == {(14, "first"), (22, "second")}
    assert_sound(follow_up)


def test_a_nurse_sets_them_for_the_worker_and_her_name_stands_in_the_history(cast, follow_up):
    set_times(cast, NIGHTS, by=cast.nurse)
    assert {row.history.get().history_user_id for row in cast.worker.windows.all()} == {cast.nurse.actor}


@pytest.mark.parametrize("who", ["outsider", "observer", "lead", "administrator"])
def test_nobody_else_may(cast, follow_up, who):
    with pytest.raises(PermissionDenied):
        set_times(cast, NIGHTS, by=getattr(cast, who))
    assert not WorkerWindow.objects.exists()


def test_a_nurse_on_nights_sets_her_own_though_she_decides_nothing_else_about_herself(cast):
    with doing("command:tests"):
        nora = Worker.objects.create(site=cast.site, user=cast.nurse, name="Nora Teal")
    with doing(cast.nurse):
        assert follow.set_windows(worker=nora, windows=NIGHTS, by=cast.nurse, at=MONDAY) == NIGHTS


def test_without_times_of_their_own_the_sites_hold_again(cast, follow_up):
    before = standing(follow_up)
    set_times(cast, NIGHTS)
    assert set_times(cast, (), at=MONDAY + hours(1)) == DEFAULT_WINDOWS
    assert [check.opens_at for check in standing(follow_up)] == [check.opens_at for check in before]
    assert_sound(follow_up)
    assert {version.history_type for version in WorkerWindow.history.all()} == {"+", "-"}


def test_the_same_times_again_change_nothing_and_plan_nothing_anew(cast, follow_up):
    set_times(cast, NIGHTS)
    versions = WorkerWindow.history.count()
    checks = [check.pk for check in follow_up.checks.all()]
    set_times(cast, NIGHTS[::-1], at=MONDAY + hours(1))
    assert WorkerWindow.history.count() == versions
    assert [check.pk for check in follow_up.checks.all()] == checks


@pytest.mark.parametrize(
    ("second", "pointer", "words"),
    [
        ((time(22), time(23), time(22)), "/windows/1/closes", "It opens and closes at 22:00."),
        ((time(22), time(3), time(2)), "/windows/1/due", "Choose a time from 22:00 to 02:00"),
        ((time(17), time(21), time(22)), "/windows/0/closes", "Let it close by 17:00."),
        ((time(20), time(20, 59), time(22)), "/windows/0/due", "less than 6 hours later"),
    ],
)
def test_times_that_no_clock_can_hold_are_refused_at_the_field_with_a_remedy(cast, second, pointer, words):
    with pytest.raises(BadSubmission) as refused:
        set_times(cast, (NIGHTS[0], Window("second", *second)))
    [problem] = refused.value.problems
    assert problem.pointer == pointer
    assert words in problem.message
    assert not WorkerWindow.objects.exists()


def test_nobody_has_fewer_readings_a_day_than_the_site_asks(cast):
    with pytest.raises(BadSubmission, match="Give times for 2 readings a day"):
        set_times(cast, NIGHTS[:1])


def test_a_site_that_asks_for_three_readings_gets_three(cast):
    with doing("command:tests"):
        for name, opens in (("a", 6), ("b", 12), ("c", 18)):
            SiteWindow.objects.create(
                site=cast.site, name=name, opens=time(opens), due=time(opens + 1), closes=time(opens + 2)
            )
    later = own_times.moved(windows_of(cast.worker), 2)
    assert [window.opens.hour for window in set_times(cast, later)] == [8, 14, 20]
    with pytest.raises(BadSubmission):
        set_times(cast, NIGHTS)


def test_the_hours_between_readings_are_those_of_the_criteria_that_the_worker_is_under(cast):
    text = (FIXTURES / "criteria" / "ebola-2023.1.yaml").read_text()
    text = text.replace("min_hours: 6", "min_hours: 8").replace('version: "2023.1"', 'version: "2023.2"')
    with doing("command:tests"):
        longer = propose_text(text, by="command:tests", at=MONDAY, proposed=True)
        adoption = Adoption.objects.get(site=cast.site, pathogen="ebola")
        adoption.version = longer
        adoption.save()
    close = (Window("first", time(8), time(9), time(10)), Window("second", time(15), time(16), time(17)))
    assert set_times(cast, close) == close
    set_times(cast, ())
    follow_up_told_and_confirmed(cast)
    with pytest.raises(BadSubmission, match="less than 8 hours later"):
        set_times(cast, close)


def test_the_sites_times_moved_by_some_hours_go_over_midnight():
    moved = own_times.moved(DEFAULT_WINDOWS, 12)
    assert [(one.opens.hour, one.due.hour, one.closes.hour) for one in moved] == [(18, 20, 22), (6, 8, 10)]
    assert own_times.moved(DEFAULT_WINDOWS, 5)[1] == Window("evening", time(23), time(1), time(3))


# What is planned already


def test_a_reading_that_is_open_stays_and_takes_its_reading(cast, follow_up):
    set_times(cast, NIGHTS, at=EVENING)
    now = standing(follow_up)[0]
    assert (now.opens_at, now.window) == (MONDAY.replace(hour=18), "evening")
    # The night reading would open at 22:00, when the evening's closes, but is due three hours after it.
    assert standing(follow_up)[1].opens_at == datetime(2026, 3, 3, 14, tzinfo=UTC)
    assert log(cast, at=EVENING).state == "recorded"
    assert_sound(follow_up)


@pytest.mark.parametrize(
    "at",
    [
        datetime(2026, 3, 3, 7, tzinfo=UTC),  # the morning's is open
        datetime(2026, 3, 3, 10, tzinfo=UTC),  # it has just closed
        datetime(2026, 3, 3, 23, 59, tzinfo=UTC),
        datetime(2026, 3, 4, 0, 0, tzinfo=UTC),
        datetime(2026, 3, 4, 0, 1, tzinfo=UTC),
        datetime(2026, 3, 23, 21, tzinfo=UTC),  # the last evening's is open
    ],
)
def test_whenever_they_change_the_days_are_counted_right_and_nothing_is_asked_twice(cast, follow_up, at):
    before = [check for check in standing(follow_up) if check.opens_at <= at]
    set_times(cast, NIGHTS, at=at)
    assert [check for check in standing(follow_up) if check.opens_at <= at] == before
    assert_sound(follow_up)
    assert max(check.day for check in standing(follow_up)) == 21


def test_changed_twice_in_one_day_nothing_is_asked_for_twice(cast, follow_up):
    noon = MONDAY.replace(hour=12)
    set_times(cast, NIGHTS, at=noon)
    set_times(cast, (), at=MONDAY.replace(hour=14, minute=30))  # the first night reading has opened
    assert [check.opens_at.hour for check in standing(follow_up)[:3]] == [
        14,
        6,
        18,
    ]  # 20:00 is within 6 h of 15:00
    assert_sound(follow_up)


def test_changed_and_changed_back_before_anything_opened_each_reading_has_its_reminders_once(cast, follow_up):
    set_times(cast, NIGHTS, at=MONDAY)
    set_times(cast, (), at=MONDAY + hours(1))
    [first, *_later] = standing(follow_up)
    kinds = list(Rung.objects.filter(check_row=first, withdrawn_at=None).values_list("kind", flat=True))
    assert sorted(kinds) == ["closed", "due", "last_call", "opening"]


def test_nobody_is_reminded_of_a_reading_that_was_moved(cast, follow_up):
    set_times(cast, NIGHTS, at=MONDAY)
    pass_time(
        datetime(2026, 3, 3, 8, 30, tzinfo=UTC)
    )  # past the site's morning reading and both of Monday's own
    slots = set(Reminder.objects.values_list("slot_opens_at", flat=True))
    assert slots == {datetime(2026, 3, 2, 14, tzinfo=UTC), datetime(2026, 3, 2, 22, tzinfo=UTC)}


@pytest.mark.parametrize("seed", range(4))
def test_many_changes_at_any_hour_leave_a_sound_plan(cast, follow_up, seed):
    chance = Random(seed)
    at = MONDAY
    for _change in range(8):
        at += timedelta(minutes=chance.randrange(1, 2000))
        wanted = own_times.moved(DEFAULT_WINDOWS, chance.randrange(24)) if chance.random() < 0.8 else ()
        set_times(cast, wanted, at=at)
        assert_sound(follow_up)


def test_a_follow_up_that_is_signed_off_gets_no_further_reading(cast, follow_up):
    last = standing(follow_up)[-1]
    log(cast, at=last.due_at)
    signed = last.due_at + hours(1)
    with doing(cast.physician, at=signed):
        follow_up.ended_at = last.closes_at + hours(2)
        follow_up.save()
    set_times(
        cast,
        (Window("first", time(5), time(8), time(10)), Window("second", time(23), time(23), time(2))),
        at=signed,
    )
    assert standing(follow_up)[-1] == last


def test_a_report_is_never_refused_for_times_that_newer_criteria_forbid(cast):
    """The times were right when they were set; criteria with more hours between two readings come later."""
    with doing("command:tests"):
        WorkerWindow.objects.create(
            worker=cast.worker, name="first", opens=time(8), due=time(9), closes=time(10)
        )
        WorkerWindow.objects.create(
            worker=cast.worker, name="second", opens=time(13), due=time(14), closes=time(16)
        )
    with doing(cast.observer):
        reported = report.report_breach(body=cast.body(), reporter=cast.observer, at=MONDAY)
    assert standing(reported.follow_ups[0])
