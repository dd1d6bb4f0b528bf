"""A report is never refused for its content: kept, flagged, a nurse asked, treated as behaviour part 2 says."""

from datetime import datetime, timedelta
from uuid import uuid4

import pytest

from exposure.attend.models import Alert
from exposure.classify.models import Adoption
from exposure.people.models import Worker
from exposure.pipeline import classify
from exposure.report.models import Breach, Case, CaseStatement
from tests.cast import MONDAY, adopt, doing
from tests.walk import HIGH, LOW, confirm, hours, report

pytestmark = pytest.mark.database


def test_the_worked_exchange_of_the_contract_leaves_the_tier_open_and_asks_for_the_skin(cast):
    [assessment] = report(cast, facts={"contact": "splash"}, criteria_version="2023.1").assessments
    assert assessment.version.version == "2023.1"
    assert (assessment.floor, assessment.ceiling, assessment.tier) == ("none", "high", "")
    assert (assessment.rules, assessment.open_questions) == ([], ["skin"])
    assert assessment.treated_as == "high"


def test_a_whole_report_carries_no_flag_and_asks_nobody(cast):
    reported = report(cast)
    assert reported.breach.flags == []
    assert not Alert.objects.exists()


@pytest.mark.parametrize(
    ("changes", "flag"),
    [
        ({"station": "no-such-station", "pathogen": "ebola"}, "unknown_station"),
        ({"case": "NONE"}, "unknown_case"),
        ({"removal": "the one before"}, "unknown_removal"),
        ({"removal": str(uuid4())}, "unknown_removal"),
        ({"event": str(uuid4())}, "unknown_event"),
        ({"phase": "lunch"}, "unknown_phase"),
        ({"step": "juggling"}, "unknown_step"),
        ({"what_happened": "meteor"}, "unknown_failure"),
        ({"first_aid": ["prayer"]}, "unknown_first_aid"),
        ({"shoe_size": 43}, "unknown_key:shoe_size"),
        ({"facts": {**HIGH, "moon": "full"}}, "unknown_answer:moon"),
        ({"facts": {**HIGH, "skin": "blue"}}, "unknown_answer:skin"),
        ({"facts": {**HIGH, "skin": ["intact"]}}, "unknown_answer:skin"),
        ({"occurred_at": "2026-03-02T08:40:00"}, "time_without_zone"),
        ({"facts": {"contact": "none", "skin": "intact"}}, "contradictory"),
        ({"worker": "SG-0000"}, "unknown_worker"),
        ({"worker": None}, "nobody_named"),
        ({"worker": None, "person": {"name": "Agency Hand"}}, "unlisted_person"),
        ({"worker": None, "person": {"name": "Agency Hand", "badge": "7"}}, "unknown_key:person.badge"),
    ],
)
def test_what_cannot_be_understood_is_kept_flagged_and_a_nurse_is_asked(cast, changes, flag):
    breach = report(cast, **changes).breach
    assert flag in breach.flags
    assert breach.body.items() >= changes.items(), "kept to the letter"
    assert Alert.objects.get(breach=breach, cause="to_look_at").closed_at is None


@pytest.mark.parametrize(
    ("changes", "flag"),
    [({"station": None, "pathogen": "ebola"}, "station_missing"), ({"occurred_at": None}, "time_missing")],
)
def test_a_missing_station_or_time_is_flagged(cast, changes, flag):
    assert report(cast, **changes).breach.flags == [flag]


@pytest.mark.parametrize(
    ("occurred_at", "flag"),
    [
        (MONDAY + timedelta(minutes=10), None),
        (MONDAY + timedelta(minutes=11), "time_in_future"),
        (MONDAY + timedelta(days=1), "time_in_future"),
        (MONDAY - timedelta(days=21), None),
        (MONDAY - timedelta(days=21, seconds=1), "time_long_ago"),
        (MONDAY - timedelta(days=365), "time_long_ago"),
    ],
)
def test_an_implausible_time_is_flagged_and_days_count_from_the_report(cast, occurred_at, flag):
    breach = report(cast, occurred_at=occurred_at.isoformat()).breach
    assert breach.flags == ([flag] if flag else [])
    assert breach.occurred_at == occurred_at
    assert breach.happened_at == (MONDAY if flag else occurred_at)


@pytest.mark.parametrize(
    "text", ["noon", "2026-02-30T10:00:00Z", "0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-12:00"]
)
def test_a_time_that_is_none_counts_from_the_report(cast, text):
    breach = report(cast, occurred_at=text).breach
    assert breach.flags == ["time_unreadable"]
    assert (breach.occurred_at, breach.happened_at) == (None, MONDAY)


def test_a_time_without_zone_is_the_sites(cast):
    summer = datetime.fromisoformat("2026-07-01T12:00:00+00:00")
    breach = report(cast, at=summer, occurred_at="2026-07-01T12:30:00").breach
    assert breach.happened_at == summer - timedelta(minutes=30)  # Lisbon is an hour ahead of UTC in July


@pytest.mark.parametrize("text", ["0001-01-01T00:00:00", "9999-12-31T23:59:59"])
def test_a_time_without_zone_at_the_edge_of_the_calendar_is_kept(cast, text):
    assert report(cast, station=None, pathogen="ebola", occurred_at=text).breach.happened_at == MONDAY


@pytest.mark.parametrize(
    "changes",
    [
        {"worker": None, "person": {"name": "Agency Hand"}},
        {"worker": "SG-0000"},
        {"worker": None},
        {"occurred_at": (MONDAY + timedelta(days=1)).isoformat()},
        {"occurred_at": (MONDAY - timedelta(days=365)).isoformat()},
        {"occurred_at": "noon"},
        {"criteria_version": "1999.1"},
        {"facts": {"contact": "none", "skin": "intact"}},
    ],
)
def test_what_cannot_be_relied_on_is_treated_at_the_highest_tier(cast, changes):
    reported = report(cast, **{"facts": LOW, **changes})
    [assessment] = reported.assessments
    assert assessment.treated_as == "high"
    assert reported.ring_now
    assert len(reported.follow_ups) == 1


def test_the_same_answers_without_a_doubt_are_the_lowest_tier(cast):
    assert report(cast, facts=LOW).assessments[0].treated_as == "none"


def test_what_the_observer_adds_does_not_end_the_doubt_but_the_nurses_confirmation_does(cast):
    reported = report(cast, facts={}, worker=None, person={"name": "Agency Hand"})
    with doing(cast.observer):
        [added] = classify.answer_facts(breach=reported.breach, facts=LOW, by=cast.observer, at=MONDAY)
    assert (added.tier, added.treated_as) == ("none", "high")
    confirm(cast, reported, at=MONDAY + hours(1))
    assert reported.breach.assessments.last().treated_as == "none"


def test_contradictory_answers_leave_every_tier_possible(cast):
    [assessment] = report(cast, facts={"contact": "none", "skin": "intact"}).assessments
    assert (assessment.floor, assessment.ceiling, assessment.tier) == ("none", "high", "")


def test_a_nurse_who_corrects_contradictory_answers_settles_the_tier(cast):
    reported = report(cast, facts={"contact": "none", "skin": "intact"})
    confirm(cast, reported, at=MONDAY + hours(1), facts={"contact": "splash"})
    last = reported.breach.assessments.last()
    assert (last.kind, last.tier, last.rules) == ("confirmation", "high", ["VHF-1"])


def test_an_unlisted_person_becomes_a_worker_without_number_at_once(cast):
    person = {"name": "Agency Hand", "phone": "+351 900 000 077", "employer": "Quayside Staff"}
    worker = report(cast, worker=None, person=person).breach.worker
    assert (worker.name, worker.phone, worker.employer, worker.number) == (*person.values(), None)


def test_a_worker_is_found_by_uid_too(cast):
    assert report(cast, worker=str(cast.worker.uid)).breach.worker == cast.worker
    assert Worker.objects.count() == 1


def test_a_worker_linked_to_another_is_that_one(cast):
    with doing(cast.nurse):
        Worker.objects.create(site=cast.site, number="SG-OLD", name="W. Alder", same_as=cast.worker)
    assert report(cast, worker="SG-OLD").breach.worker == cast.worker


def test_a_drill_is_stored_without_assessment_and_says_so(cast):
    reported = report(cast, drill=True)
    assert (reported.assessments, reported.follow_ups, reported.ring_now) == ((), (), False)
    assert not reported.breach.promises.exists()
    assert Alert.objects.get(breach=reported.breach).cause == "drill"


def test_a_drill_stays_without_assessment_when_a_nurse_has_looked(cast):
    reported = report(cast, drill=True)
    confirm(cast, reported)
    assert not reported.breach.assessments.exists()
    assert Alert.objects.get(breach=reported.breach).closed_at == MONDAY


def test_what_workers_say_of_themselves_settles_nothing_until_a_nurse_confirms(cast):
    reported = report(cast, by=cast.worker.user, facts=LOW)
    assert "self_answered" in reported.breach.flags
    assert (reported.assessments[0].tier, reported.assessments[0].treated_as) == ("", "high")
    confirm(cast, reported, at=MONDAY + hours(1))
    assert reported.breach.assessments.last().tier == "none"


def test_workers_who_add_to_their_own_report_do_not_lower_their_tier(cast):
    reported = report(cast, by=cast.worker.user, facts={})
    with doing(cast.worker.user):
        [added] = classify.answer_facts(breach=reported.breach, facts=LOW, by=cast.worker.user, at=MONDAY)
    assert (added.tier, added.treated_as) == ("", "high")
    reported.breach.refresh_from_db()
    assert reported.breach.facts == LOW
    confirm(cast, reported, at=MONDAY + hours(1))
    assert reported.breach.assessments.last().tier == "none"


def test_answers_added_to_a_report_that_was_confirmed_meanwhile_leave_the_confirmation(cast):
    reported = report(cast, facts={"contact": "splash"})
    confirm(cast, reported)
    with doing(cast.observer):  # the observer's page still holds the report as it was
        classify.answer_facts(breach=reported.breach, facts={"skin": "intact"}, by=cast.observer, at=MONDAY)
    assert Breach.objects.get().confirmed_by == cast.nurse


def adopt_instead(cast, name, at):
    with doing("command:tests", at=at):
        old = Adoption.objects.get(site=cast.site, pathogen="ebola", until_at=None)
        old.until_at = at
        old.save()
        return adopt(cast.site, name, at)


def test_answers_under_a_retired_version_leave_the_highest_tier_possible(cast):
    adopt_instead(cast, "ebola-2014.1", MONDAY - timedelta(days=1))
    reported = report(cast, facts=LOW, criteria_version="2023.1")
    [assessment] = reported.assessments
    highest = "high"
    assert "criteria_retired" in reported.breach.flags
    assert assessment.version.version == "2014.1"
    assert (assessment.ceiling, assessment.tier, assessment.treated_as) == (highest, "", highest)


def test_the_adopted_version_is_that_of_the_moment_of_the_report(cast):
    new = adopt_instead(cast, "ebola-2014.1", MONDAY)
    assert report(cast, at=MONDAY - timedelta(seconds=1)).assessments[0].version.version == "2023.1"
    assert report(cast, at=MONDAY).assessments[0].version == new


@pytest.mark.parametrize("changes", [{"pathogen": "nipah"}, {"station": None}])
def test_without_adopted_criteria_the_report_is_kept_alerts_at_once_and_takes_the_sites_days(cast, changes):
    reported = report(cast, **changes)
    [assessment] = reported.assessments
    assert (assessment.version, assessment.tier, assessment.treated_as) == (None, "", "")
    alert = Alert.objects.get(breach=reported.breach, cause="unassessed")
    assert alert.urgent
    exposure = reported.breach.exposures.get()
    assert (exposure.last_day - exposure.day_zero).days == cast.site.default_days


def another_case(cast, pathogen, *, opened_at, closed_at=None, status=CaseStatement.Status.SUSPECTED):
    with doing(cast.physician, at=opened_at):
        case = Case.objects.create(
            code=f"C{pathogen}"[:20],
            site=cast.site,
            station=cast.station,
            opened_at=opened_at,
            closed_at=closed_at,
        )
        CaseStatement.objects.create(case=case, pathogen=pathogen, status=status)
        return case


def pathogens(reported):
    return {one.pathogen for one in reported.assessments}


def test_without_a_named_case_every_case_open_at_the_station_counts(cast):
    another_case(cast, "lassa", opened_at=MONDAY - hours(2))
    reported = report(cast)
    assert pathogens(reported) == {"ebola", "lassa"}
    assert len(reported.follow_ups) == 2


def test_a_case_closed_between_the_breach_and_its_report_still_counts(cast):
    another_case(cast, "lassa", opened_at=MONDAY - hours(9), closed_at=MONDAY - timedelta(minutes=10))
    assert pathogens(report(cast)) == {"ebola", "lassa"}


def test_a_case_closed_before_the_breach_does_not_count(cast):
    another_case(cast, "lassa", opened_at=MONDAY - hours(9), closed_at=MONDAY - timedelta(minutes=20))
    assert pathogens(report(cast)) == {"ebola"}


def test_a_case_ruled_out_does_not_count(cast):
    another_case(cast, "lassa", opened_at=MONDAY - hours(9), status=CaseStatement.Status.RULED_OUT)
    assert pathogens(report(cast)) == {"ebola"}


def test_the_named_case_alone_counts(cast):
    another_case(cast, "lassa", opened_at=MONDAY - hours(2))
    assert pathogens(report(cast, case=cast.case.code)) == {"ebola"}


def test_the_named_pathogen_alone_counts(cast):
    another_case(cast, "lassa", opened_at=MONDAY - hours(2))
    assert pathogens(report(cast, pathogen="lassa")) == {"lassa"}


def test_answers_under_one_of_several_adopted_versions_are_not_outdated(cast):
    another_case(cast, "lassa", opened_at=MONDAY - hours(2))
    with doing("command:tests"):
        adopt(cast.site, "lassa-2018.1", MONDAY - hours(3))
    assert report(cast, criteria_version="2023.1").breach.flags == []


@pytest.mark.parametrize(
    ("changes", "added"),
    [
        ({"what_happened": "sharp", "facts": LOW}, True),
        ({"facts": {"contact": "sharp"}}, True),
        ({"facts": {"contact": "splash", "skin": "broken"}}, True),
        ({"facts": {"contact": "splash", "skin": "intact"}}, False),
    ],
)
def test_what_goes_through_the_skin_adds_the_bloodborne_criteria(cast, changes, added):
    with doing("command:tests"):
        adopt(cast.site, "bloodborne-2025.1", MONDAY - hours(3))
    assert ("bloodborne" in pathogens(report(cast, **changes))) is added


def test_the_confirmation_is_due_by_the_strictest_plan_and_the_telling_within_the_sites_minutes(cast):
    breach = report(cast).breach
    assert breach.promises.get(kind="confirm").due_at == MONDAY + hours(
        2
    )  # ebola 2023.1, tier high: confirm_within 2h
    assert breach.promises.get(kind="tell").due_at == MONDAY + hours(1)
