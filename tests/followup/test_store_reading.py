"""Readings as they arrive: placed, judged, stored; what cannot be taken says why, and no trigger is lost."""

import re
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from uuid import uuid4

import pytest
from django.core.exceptions import PermissionDenied

from exposure.attend.models import Alert
from exposure.attend.overview import overview
from exposure.classify.assess import propose_text
from exposure.classify.models import Adoption
from exposure.followup import listed
from exposure.followup.models import Fill, Reading, UnplacedReading
from exposure.followup.store_reading import readings_of
from exposure.pipeline import clear, enter, expose
from exposure.refusal import BadSubmission, Conflict, NotYet
from tests.cast import FIXTURES, MONDAY, doing
from tests.servers import ON_SQLITE
from tests.walk import follow_up_told_and_confirmed, hours, log, log_to_the_end

pytestmark = pytest.mark.database

EVENING = datetime(2026, 3, 2, 20, 0, tzinfo=UTC)  # 18:00 to 22:00, Lisbon keeps UTC until 29 March
MORNING = datetime(2026, 3, 3, 8, 0, tzinfo=UTC)  # 06:00 to 10:00


@pytest.fixture
def follow_up(cast):
    return follow_up_told_and_confirmed(cast)


def pointers(logged):
    return [problem.pointer for problem in logged.problems]


def state_of(follow_up, check, at):
    return next(line.state for line in overview(follow_up, at=at).lines if line.check == check)


def test_a_normal_reading_in_its_window_fills_the_check(cast, follow_up):
    logged = log(cast, at=EVENING)
    [check] = logged.fills
    assert (logged.state, logged.triggers, check.opens_at) == ("recorded", (), EVENING - hours(2))
    assert state_of(follow_up, check, EVENING) == "recorded"


@pytest.mark.parametrize(
    ("typed", "unit", "pointer", "because"),
    [
        ("380", "C", "/temperature", "fits neither unit"),
        ("98.6", "C", "/unit", "fits the other unit; judged as F it is no fever"),
        ("", "C", "/temperature", "nothing was entered"),
        ("NaN", "C", "/temperature", "is no number"),
        ("29.9", "C", "/temperature", "is below what a body has"),
        ("45.1", "C", "/temperature", "is above what a body has"),
        ("36.875", "C", "/temperature", "three decimals"),
        ("36.8", "", "/unit", "no unit"),
        ("-37", "C", "/temperature", "is no body temperature"),
    ],
)
def test_an_impossible_temperature_is_refused_at_its_field_and_nothing_is_stored(
    cast, follow_up, typed, unit, pointer, because
):
    logged = log(cast, at=EVENING, temperature=typed, unit=unit)
    assert pointers(logged) == [pointer], because
    assert logged.row is None
    assert not Reading.objects.exists()
    assert not UnplacedReading.objects.exists()
    assert not Alert.objects.exists()


@pytest.mark.parametrize(
    ("typed", "value"), [("30.0", "30.0"), ("36,8", "36.8"), ("37.9", "37.9"), ("37", "37")]
)
def test_a_decimal_comma_and_the_lowest_body_temperature_are_taken_as_entered(cast, follow_up, typed, value):
    assert log(cast, at=EVENING, temperature=typed).row.value == Decimal(value)


def test_the_message_for_the_other_unit_names_it(cast, follow_up):
    [problem] = log(cast, at=EVENING, temperature="98.6", unit="C").problems
    assert "°F" in problem.message


def test_a_fever_under_the_wrong_unit_is_refused_kept_unplaced_and_alerts(cast, follow_up):
    logged = log(cast, at=EVENING, temperature="101.5", unit="C")
    assert pointers(logged) == ["/unit"]
    kept = UnplacedReading.objects.get()
    assert (kept.typed, kept.unit, kept.triggers, logged.state) == ("101.5", "C", ["fever"], "unplaced")
    assert Alert.objects.get().cause == "fever"
    assert Alert.objects.get().entries.get().unplaced == kept
    assert not Reading.objects.exists()


def test_an_impossible_number_with_a_symptom_is_kept_unplaced_and_alerts(cast, follow_up):
    log(cast, at=EVENING, temperature="380", symptoms=["headache"])
    assert UnplacedReading.objects.get().typed == "380"
    assert Alert.objects.get().cause == "symptom"


@pytest.mark.parametrize(
    ("typed", "unit", "fever", "because"),
    [
        ("38.0", "C", True, "at least 38.0 C: CDC interim guidance on monitoring, 2014"),
        ("37.99", "C", False, "below 38.0 C"),
        ("100.4", "F", True, "100.4 F is exactly 38.0 C"),
        ("100.3", "F", False, "below 100.4 F"),
    ],
)
def test_the_limit_itself_is_a_fever_in_both_units(cast, follow_up, typed, unit, fever, because):
    assert ("fever" in log(cast, at=EVENING, temperature=typed, unit=unit).triggers) is fever, because


def test_feeling_feverish_counts_without_a_thermometer(cast, follow_up):
    nothing = {"temperature": None, "unit": None, "method": None}
    logged = log(cast, at=EVENING, **nothing, felt_feverish=True)
    assert logged.triggers == ("fever",)
    assert logged.stop


def test_could_not_is_kept_fills_nothing_and_asks_for_a_call(cast, follow_up):
    nothing = {"temperature": None, "unit": None, "method": None}
    logged = log(cast, at=EVENING, **nothing, could_not="The battery is empty.")
    assert (logged.state, logged.fills) == ("extra", ())
    assert Alert.objects.get().cause == "could_not"


@pytest.mark.parametrize(("minutes", "refused"), [(10, []), (11, ["/taken_at"])])
def test_a_reading_of_the_future_is_refused_but_for_ten_minutes_of_a_wrong_clock(
    cast, follow_up, minutes, refused
):
    taken_at = (EVENING + timedelta(minutes=minutes)).isoformat()
    assert pointers(log(cast, at=EVENING, taken_at=taken_at)) == refused


def test_a_fever_of_the_future_is_refused_kept_and_alerts(cast, follow_up):
    log(cast, at=EVENING, taken_at=(EVENING + hours(3)).isoformat(), temperature="39")
    assert UnplacedReading.objects.get().triggers == ["fever"]
    assert Alert.objects.get().cause == "fever"


@pytest.mark.parametrize("taken_at", ["yesterday", "2026-03-02T20:00:00", 5])
def test_a_moment_that_is_none_is_refused_at_its_field(cast, follow_up, taken_at):
    assert pointers(log(cast, at=EVENING, taken_at=taken_at)) == ["/taken_at"]


@pytest.mark.parametrize(("hours_ago", "refused"), [(48, []), (48.01, ["/taken_at"])])
def test_a_worker_enters_what_is_at_most_48_hours_old(cast, follow_up, hours_ago, refused):
    at = EVENING + timedelta(days=5)
    assert pointers(log(cast, at=at, taken_at=(at - hours(hours_ago)).isoformat())) == refused


def test_a_nurse_enters_what_is_older(cast, follow_up):
    at = EVENING + timedelta(days=5)
    logged = log(cast, by=cast.nurse, at=at, taken_at=EVENING.isoformat())
    assert logged.state == "recorded"
    assert logged.row.entered_by == cast.nurse


@pytest.mark.parametrize("who", ["observer", "outsider", "lead", "auditor", "administrator"])
def test_nobody_else_enters_readings_for_the_worker(cast, follow_up, who):
    with pytest.raises(PermissionDenied):
        log(cast, by=getattr(cast, who), at=EVENING)
    assert not Reading.objects.exists()


def test_a_worker_without_follow_up_is_asked_for_no_readings(cast):
    with pytest.raises(BadSubmission, match="No readings"):
        log(cast, at=EVENING)


def test_the_same_reading_twice_is_stored_once(cast, follow_up):
    sent = cast.reading(temperature="38.2")
    first, again = (log(cast, at=EVENING, **sent) for _time in range(2))
    assert first.row == again.row
    assert (first.fills, first.state, first.triggers) == (again.fills, again.state, again.triggers)
    assert Alert.objects.get().entries.count() == 1


def test_other_content_under_a_readings_id_is_a_conflict(cast, follow_up):
    sent = cast.reading()
    log(cast, at=EVENING, **sent)
    with pytest.raises(Conflict):
        log(cast, at=EVENING, **{**sent, "temperature": "37.0"})


def test_a_refused_fever_sent_again_stays_one_unplaced_reading(cast, follow_up):
    sent = cast.reading(temperature="101.5", unit="C")
    first, again = (log(cast, at=EVENING, **sent) for _time in range(2))
    assert first.row == again.row == UnplacedReading.objects.get()
    assert again.problems
    assert Alert.objects.get().entries.count() == 1


@pytest.mark.parametrize(
    ("wrong", "pointer"),
    [
        ({"temperature": 36.8}, "/temperature"),
        ({"symptoms": "headache"}, "/symptoms"),
        ({"symptoms": 0}, "/symptoms"),
        ({"felt_feverish": "no"}, "/felt_feverish"),
        ({"submission_id": None}, "/submission_id"),
        ({"note": 5}, "/note"),
    ],
)
def test_a_wrong_json_type_is_named(cast, follow_up, wrong, pointer):
    with pytest.raises(BadSubmission) as refusal:
        log(cast, at=EVENING, **wrong)
    assert [problem.pointer for problem in refusal.value.problems] == [pointer]


def test_after_closing_a_reading_fills_the_earlier_check_late_until_the_next_opens(cast, follow_up):
    evening, morning = follow_up.checks.all()[:2]
    logged = log(cast, at=morning.opens_at - timedelta(seconds=1))
    assert (logged.fills, logged.state) == ((evening,), "recorded_late")


def test_once_the_next_has_opened_a_reading_belongs_to_it(cast, follow_up):
    _evening, morning = follow_up.checks.all()[:2]
    assert log(cast, at=morning.opens_at).fills == (morning,)


def test_a_second_normal_reading_in_one_window_is_extra(cast, follow_up):
    log(cast, at=EVENING)
    assert log(cast, at=EVENING + hours(1)).state == "extra"


def test_a_reading_entered_afterwards_for_an_earlier_moment_of_an_answered_window_is_extra(cast, follow_up):
    log(cast, at=EVENING)
    again = log(cast, at=EVENING + hours(1), taken_at=(EVENING - hours(1)).isoformat())
    assert (again.state, again.fills) == ("extra", ())


def test_a_masked_normal_reading_leaves_the_check_to_be_repeated_and_pages_nobody(cast, follow_up):
    logged = log(cast, at=EVENING, fever_reducer="paracetamol", fever_reducer_hours="6")
    check = follow_up.checks.first()
    assert (logged.state, logged.fills, logged.triggers) == ("repeat_due", (), ("masked",))
    assert state_of(follow_up, check, EVENING) == "repeat_due"
    assert not Alert.objects.exists()


def test_a_fever_reducer_longer_ago_masks_nothing(cast, follow_up):
    logged = log(cast, at=EVENING, fever_reducer="paracetamol", fever_reducer_hours="6.01")
    assert (logged.state, logged.triggers) == ("recorded", ())


def test_a_fever_under_a_reducer_counts(cast, follow_up):
    assert "fever" in log(cast, at=EVENING, temperature="38.0", fever_reducer_hours="1").triggers


def test_the_repeat_fills_the_check_although_little_time_has_passed(cast, follow_up):
    log(cast, at=EVENING - hours(1), fever_reducer="paracetamol")
    repeat = log(cast, at=EVENING + hours(1))
    assert repeat.fills == (follow_up.checks.first(),)
    assert state_of(follow_up, follow_up.checks.first(), EVENING + hours(1)) == "recorded"


def test_an_amendment_is_a_new_row_that_is_judged_again_and_the_alert_stays(cast, follow_up):
    first = log(cast, at=EVENING, temperature="39.1")
    amended = log(
        cast, at=EVENING + hours(0.1), taken_at=EVENING.isoformat(), temperature="36.1",
        replaces=str(first.row.uid), reason="Misread.",
    )  # fmt: skip
    assert (amended.triggers, amended.state) == ((), "recorded")
    assert first.row.replaced_by == amended.row
    assert Alert.objects.get(cause="fever").closed_at is None
    now = overview(follow_up, at=EVENING + hours(1))
    assert now.last_reading == amended.row
    assert now.lines[0].reading == amended.row


def test_an_amendment_that_moves_a_reading_leaves_its_old_check_unanswered(cast, follow_up):
    evening, morning = follow_up.checks.all()[:2]
    first = log(cast, at=MORNING)
    amended = log(
        cast,
        at=MORNING + hours(1),
        taken_at=EVENING.isoformat(),
        replaces=str(first.row.uid),
        reason="Evening.",
    )
    assert amended.fills == (evening,)
    assert state_of(follow_up, morning, MORNING + hours(1)) == "open"
    assert state_of(follow_up, evening, MORNING + hours(1)) == "recorded"


def test_a_check_that_an_amended_reading_leaves_goes_to_the_other_reading_of_its_window(cast, follow_up):
    evening = follow_up.checks.first()
    first = log(cast, at=EVENING)
    other = log(cast, at=EVENING + hours(1), temperature="36.9")
    assert other.state == "extra"
    log(cast, at=MORNING, replaces=str(first.row.uid), reason="It was this morning's.")
    [line, *_later] = overview(follow_up, at=MORNING).lines
    assert (line.check, line.state, line.reading) == (evening, "recorded", other.row)


@pytest.mark.parametrize(
    ("changes", "pointer"),
    [
        ({"replaces": str(uuid4()), "reason": "Misread."}, "/replaces"),
        ({"replaces": "the first one", "reason": "Misread."}, "/replaces"),
    ],
)
def test_an_amendment_of_nothing_is_refused(cast, follow_up, changes, pointer):
    assert pointers(log(cast, at=EVENING, **changes)) == [pointer]


def test_an_amendment_needs_a_reason_and_a_reading_not_replaced_before(cast, follow_up):
    first = log(cast, at=EVENING)
    own = {"taken_at": EVENING.isoformat(), "replaces": str(first.row.uid)}
    assert pointers(log(cast, at=EVENING, **own)) == ["/reason"]
    assert log(cast, at=EVENING, **own, reason="Misread.").problems == ()
    assert pointers(log(cast, at=EVENING, **own, reason="Misread again.")) == ["/replaces"]


def test_a_nurse_explains_a_missing_reading_once(cast, follow_up):
    check, at = follow_up.checks.first(), MORNING
    with doing(cast.nurse, at=at):
        for _time in range(2):
            enter.excuse_check(check=check, reason="Slept after nights.", by=cast.nurse, at=at)
    assert state_of(follow_up, check, at) == "excused"
    assert Fill.objects.count() == 1


def test_a_reading_that_was_taken_is_not_explained_away(cast, follow_up):
    log(cast, at=EVENING)
    with doing(cast.nurse, at=EVENING), pytest.raises(NotYet, match="answered"):
        enter.excuse_check(check=follow_up.checks.first(), reason="Lost.", by=cast.nurse, at=EVENING)


def test_a_trigger_before_the_last_day_has_ended_makes_the_clearance_void(cast, follow_up):
    signed_at = log_to_the_end(cast, follow_up)
    with doing(cast.physician, at=signed_at):
        clearance = clear.sign_clearance(follow_up=follow_up, by=cast.physician, at=signed_at)
    log(cast, at=signed_at + hours(1), temperature="38.0")
    clearance.refresh_from_db()
    follow_up.refresh_from_db()
    assert clearance.void_at == signed_at + hours(1)
    assert follow_up.ended_at is None
    assert overview(follow_up, at=signed_at + hours(1)).state.kind == "monitored"


@pytest.mark.parametrize(("days", "taken"), [(13.99, True), (14, False)])
def test_the_account_takes_readings_for_fourteen_days_after_the_clearance(cast, follow_up, days, taken):
    signed_at = log_to_the_end(cast, follow_up)
    with doing(cast.physician, at=signed_at):
        ended = clear.sign_clearance(follow_up=follow_up, by=cast.physician, at=signed_at).effective_at
    at = ended + timedelta(days=days)
    if not taken:
        with pytest.raises(BadSubmission):
            log(cast, at=at, temperature="39")
    else:
        assert log(cast, at=at, temperature="39").triggers == ("fever",)


def test_a_refused_entry_that_would_have_been_a_rise_is_kept_and_alerts(cast, follow_up):
    """Three decimals are refused; it is 1.2 above the worker's own usual reading."""
    for day in range(3):
        log(cast, at=EVENING + timedelta(days=day), temperature="36.4")
    logged = log(cast, at=EVENING + timedelta(days=3), temperature="37.625")
    assert pointers(logged) == ["/temperature"]
    assert UnplacedReading.objects.get().triggers == ["rise"]
    assert Alert.objects.get().cause == "rise"


def with_lassa(cast, **changes):
    """Wim is followed up for Lassa too, under a profile that differs in these numbers."""
    text = (FIXTURES / "criteria" / "lassa-2023.1.yaml").read_text()
    for key, value in changes.items():
        text, changed = re.subn(rf"^  {key}: .*$", f"  {key}: {value}", text, flags=re.M)
        assert changed == 1
    with doing(cast.nurse):
        version = propose_text(text, by=cast.nurse.actor, at=MONDAY, proposed=True)
        Adoption.objects.create(site=cast.site, pathogen="lassa", version=version, from_at=MONDAY)
        tier = listed.tiers_to_follow(cast.site, "lassa", at=MONDAY)[-1][0]
        said = {"pathogen": "lassa", "occurred_at": MONDAY - hours(20), "tier": tier}
        return expose.record_exposure(worker=cast.worker, **said, by=cast.nurse, at=MONDAY).follow_up


def test_one_reading_fills_a_check_of_each_follow_up(cast, follow_up):
    other = with_lassa(cast)
    assert {check.follow_up_id for check in log(cast, at=EVENING).fills} == {follow_up.pk, other.pk}


def test_a_fever_by_the_stricter_of_two_profiles_is_a_fever_and_pages_once(cast, follow_up):
    with_lassa(cast, fever='{default: {limit: "37.5", unit: C, at: at_least}}')
    assert log(cast, at=EVENING, temperature="37.6").triggers == ("fever",)
    assert Alert.objects.filter(cause="fever").count() == 1


def test_what_one_follow_up_wants_repeated_is_to_be_repeated_though_it_answers_the_other(cast, follow_up):
    """Five hours after a fever reducer: masked within six hours, and not within four."""
    other = with_lassa(cast, reducer_hours=4)
    logged = log(cast, at=EVENING, fever_reducer="ibuprofen", fever_reducer_hours="5")
    assert (logged.state, logged.row.state) == ("repeat_due", "repeat_due")
    [filled] = logged.fills
    assert filled.follow_up == other
    due = follow_up.checks.filter(opens_at__lte=EVENING).get()
    assert state_of(follow_up, due, EVENING) == "repeat_due"
    again = log(cast, at=EVENING + hours(1.5))
    assert due in again.fills
    assert state_of(follow_up, due, EVENING + hours(2)) == "recorded"


def test_a_fever_entered_late_for_a_window_that_has_closed_fills_it_and_alerts_now(cast, follow_up):
    logged = log(cast, at=MORNING, taken_at=EVENING.isoformat(), temperature="38.4")
    [check] = logged.fills
    assert (logged.state, check.window, check.local_date) == ("recorded", "evening", EVENING.date())
    alert = Alert.objects.get()
    assert (alert.cause, alert.raised_at) == ("fever", MORNING)


def test_an_amendment_that_is_itself_refused_but_a_fever_is_kept_and_alerts(cast, follow_up):
    first = log(cast, at=EVENING).row
    logged = log(cast, at=EVENING + hours(1), temperature="38.9", replaces=str(first.uid))
    assert pointers(logged) == ["/reason"]
    assert UnplacedReading.objects.get().typed == "38.9"
    assert Alert.objects.get().cause == "fever"
    assert not hasattr(Reading.objects.get(), "replaced_by")


@pytest.mark.parametrize("zone", ["Europe/Lisbon", "America/Halifax"])
def test_a_fever_of_a_year_that_nobody_meant_is_refused_kept_and_alerts(cast, follow_up, zone):
    with doing("command:tests"):
        cast.site.zone = zone
        cast.site.save()
    logged = log(cast, at=EVENING, by=cast.nurse, taken_at="0001-01-01T00:00:00Z", temperature="39")
    assert [problem.pointer for problem in logged.problems] == ["/taken_at"]
    assert isinstance(logged.row, UnplacedReading)
    assert logged.triggers == ("fever",)


@pytest.mark.skipif(not ON_SQLITE, reason="on PostgreSQL: tests/remind/test_plans.py")
def test_a_workers_readings_are_found_by_index_and_not_by_reading_all(cast):
    assert "SEARCH exposure_reading USING INDEX" in readings_of(cast.worker).order_by().explain()
