"""By what a reading was judged stands beside it; a state that no rule knows is refused by the database itself."""

import pytest
from django.db import IntegrityError, transaction

from exposure.classify.models import CriteriaVersion
from exposure.followup import readings
from exposure.followup.models import FILL_STATES, READING_STATES, Fill, Reading
from tests.cast import MONDAY, doing
from tests.walk import follow_up_told_and_confirmed, hours, log, report, tell

pytestmark = pytest.mark.database

EVENING = MONDAY + hours(9)  # 18:00 in Lisbon, when the first reading opens


def test_a_reading_keeps_version_limit_and_profile_by_which_it_was_judged(cast):
    follow_up_told_and_confirmed(cast)
    [judged] = log(cast, at=EVENING).row.judged_by
    version = CriteriaVersion.objects.get()
    assert (judged["version"], judged["sha256"]) == (str(version), version.sha256)
    assert (judged["limit"], judged["unit"], judged["at"]) == (
        "38.0",
        "C",
        "at_least",
    )  # ebola 2023.1, profile
    assert judged["profile"]["urgent"] == ["bleeding"]


def test_it_stays_what_it_was_when_other_criteria_are_in_force(cast):
    follow_up = follow_up_told_and_confirmed(cast)
    first = log(cast, at=EVENING).row
    with doing("command:tests"):
        exposure = follow_up.exposures.get()
        exposure.assessment = None
        exposure.save()
    later = log(cast, at=EVENING + hours(12)).row
    first.refresh_from_db()
    assert first.judged_by[0]["version"] == str(CriteriaVersion.objects.get())
    assert later.judged_by[0]["version"] == ""
    assert later.judged_by[0]["profile"] == readings.as_json(readings.USUAL_PROFILE)


def test_it_is_kept_once_for_each_follow_up(cast):
    follow_up_told_and_confirmed(cast)
    tell(cast, report(cast, pathogen="nipah"))
    versions = sorted(judged["version"] for judged in log(cast, at=EVENING).row.judged_by)
    assert versions == ["", str(CriteriaVersion.objects.get())]


@pytest.mark.parametrize("state", [*READING_STATES, "excused", "Recorded", "", "missed"])
def test_a_reading_has_a_state_that_the_rules_know(cast, state):
    def store():
        with doing(cast.nurse), transaction.atomic():
            Reading.objects.create(
                worker=cast.worker,
                taken_at=MONDAY,
                local_date=MONDAY.date(),
                entered_by=cast.nurse,
                state=state,
                body_sha256="0",
            )

    if state in READING_STATES:
        store()
        return
    with pytest.raises(IntegrityError):
        store()


@pytest.mark.parametrize("state", [*FILL_STATES, "extra", "unplaced", "Excused", "", "missed"])
def test_a_fill_has_a_state_that_the_rules_know(cast, state):
    check = follow_up_told_and_confirmed(cast).checks.first()
    reading = log(cast, at=EVENING).row

    def store():
        with doing(cast.nurse), transaction.atomic():
            Fill.objects.create(check_row=check, reading=reading, state=state, reason="Why.")

    if state in FILL_STATES:
        store()
        return
    with pytest.raises(IntegrityError):
        store()


@pytest.mark.parametrize("reason", ["", "In the air."])
def test_a_fill_without_a_reading_is_an_excuse_with_its_reason(cast, reason):
    check = follow_up_told_and_confirmed(cast).checks.first()
    for state in ("recorded", "excused"):
        allowed = state == "excused" and bool(reason)
        with doing(cast.nurse):
            try:
                with transaction.atomic():
                    Fill.objects.create(check_row=check, state=state, reason=reason)
            except IntegrityError:
                assert not allowed
            else:
                assert allowed
