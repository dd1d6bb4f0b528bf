"""The one policy: role by view by relation. What is not yours is not there; nobody decides on their own record."""

from datetime import timedelta

import pytest
from django.core.exceptions import PermissionDenied
from django.http import Http404

from exposure.attend.models import Alert, Call, OtherDecision, Promise
from exposure.followup.models import FollowUp, PrivateNote, Protection, Reading
from exposure.people.access import find, may, require, require_on, visible
from exposure.people.models import Role, User, Worker
from exposure.people.policy import PATHS, Deed, View
from exposure.pipeline import attend, classify, complete, enter, follow, hand_over
from exposure.pipeline.tell import tell_worker
from exposure.places.models import Site
from exposure.remind.models import Message
from exposure.report.models import Breach
from tests.cast import MONDAY, doing
from tests.walk import HIGH, confirm, hours, log, report, sweep_at, tell

pytestmark = pytest.mark.database

EVERYBODY = (
    "observer", "worker", "nurse", "nurse2", "physician", "physician2", "lead", "auditor", "administrator", "outsider",
)  # fmt: skip
CLINICIANS = {"nurse", "nurse2", "physician", "physician2"}
SEES_THE_BREACH = {
    View.CLINICAL: CLINICIANS,
    View.AUTHOR: {"observer"},
    View.OWN: {"worker"},
    View.DUTY: set(),
    View.AUDIT: {"auditor"},
}


def account(cast, name):
    return cast.worker.user if name == "worker" else getattr(cast, name)


def seeing(cast, queryset, view):
    return {name for name in EVERYBODY if visible(account(cast, name), queryset, view, at=MONDAY).exists()}


@pytest.mark.parametrize("view", SEES_THE_BREACH)
def test_each_view_shows_a_report_to_those_whose_side_it_is(cast, view):
    report(cast)
    assert seeing(cast, Breach.objects.all(), view) == SEES_THE_BREACH[view]


def test_who_runs_the_service_sees_the_neutral_messages_and_nothing_clinical(cast):
    tell(cast, report(cast))
    sweep_at(MONDAY + hours(9))
    assert "administrator" in seeing(cast, Message.objects.all(), View.MESSAGES)
    for view in SEES_THE_BREACH:
        assert "administrator" not in seeing(cast, FollowUp.objects.all(), view)


def test_a_worker_sees_only_their_own_follow_up(cast):
    report(cast)
    report(cast, worker=None, person={"name": "Agency Hand"})
    assert FollowUp.objects.count() == 2
    own = visible(cast.worker.user, FollowUp.objects.all(), View.OWN, at=MONDAY)
    assert [one.worker for one in own] == [cast.worker]


@pytest.fixture
def own_records(cast):
    """The nurse is exposed herself: a report with alerts about report, follow-up and worker, and a reading."""
    with doing("command:tests"):
        worker = Worker.objects.create(site=cast.site, user=cast.nurse, name="Nora Teal", number="SG-7")
    reported = report(cast, worker=worker.number, shoe_size=43)
    at = MONDAY + hours(10)
    with doing(cast.nurse, at=at):
        follow.log_reading(body=cast.reading(temperature="39"), worker=worker, entered_by=cast.nurse, at=at)
    return reported


@pytest.mark.parametrize("model", [Breach, FollowUp, Alert, Reading, Worker])
def test_in_the_clinical_view_ones_own_record_does_not_appear(cast, own_records, model):
    about_her = {row.pk for row in visible(cast.nurse, model.objects.all(), View.OWN, at=MONDAY)}
    assert about_her
    seen = {row.pk for row in visible(cast.nurse, model.objects.all(), View.CLINICAL, at=MONDAY)}
    assert not about_her & seen
    others = {row.pk for row in visible(cast.nurse2, model.objects.all(), View.CLINICAL, at=MONDAY)}
    assert about_her <= others


def test_records_of_people_without_account_appear_in_the_clinical_view(cast, own_records):
    report(cast, worker=None, person={"name": "Agency Hand"})
    names = {one.worker.name for one in visible(cast.nurse, FollowUp.objects.all(), View.CLINICAL, at=MONDAY)}
    assert names == {"Agency Hand"}


@pytest.mark.parametrize("deed", Deed)
def test_nobody_does_anything_to_their_own_record(cast, deed):
    for user in (cast.nurse, cast.physician):
        assert not may(user, deed, cast.site.pk, user.pk, at=MONDAY)


@pytest.mark.parametrize("deed", Deed)
def test_only_who_the_policy_names_at_the_site_does_a_deed(cast, deed):
    doing_it = {name for name in EVERYBODY if may(account(cast, name), deed, cast.site.pk, None, at=MONDAY)}
    physicians = {"physician", "physician2"}
    others = {
        Deed.PROPOSE_CRITERIA: physicians,
        Deed.APPROVE_CRITERIA: physicians,
        Deed.APPROVE_ADVICE: physicians,
        Deed.ASSESS_ALSO: physicians,
        Deed.DECIDE_CASE_CHANGE: physicians,
        Deed.PROPOSE_PURGE: physicians,
        Deed.HOLD: physicians | {"auditor"},
        Deed.LIFT_HOLD: {"auditor"},
        Deed.AGREE_PURGE: {"auditor"},
    }
    assert doing_it == others.get(deed, CLINICIANS)


def test_requiring_what_one_may_not_is_denied(cast):
    require(cast.nurse, Deed.CONFIRM, cast.site.pk, cast.worker.user_id, at=MONDAY)
    with pytest.raises(PermissionDenied):
        require(cast.outsider, Deed.CONFIRM, cast.site.pk, cast.worker.user_id, at=MONDAY)


def test_the_other_site_sees_nothing_and_finds_nothing(cast):
    breach = report(cast).breach
    for view in View:
        assert not visible(cast.outsider, Breach.objects.all(), view, at=MONDAY).exists()
    with pytest.raises(Http404):
        find(cast.outsider, Breach.objects.all(), View.CLINICAL, at=MONDAY, uid=breach.uid)
    assert find(cast.nurse, Breach.objects.all(), View.CLINICAL, at=MONDAY, uid=breach.uid) == breach


def test_a_role_without_site_holds_at_every_site(cast):
    report(cast)
    with doing("command:tests"):
        everywhere = User.objects.create_user("roving", full_name="Rowena Vale")
        Role.objects.create(user=everywhere, kind=Role.Kind.PHYSICIAN, from_at=MONDAY)
    assert visible(everywhere, Breach.objects.all(), View.CLINICAL, at=MONDAY).exists()
    assert may(everywhere, Deed.CONFIRM, cast.other_site.pk, None, at=MONDAY)


@pytest.mark.parametrize(("seconds", "held"), [(-1, False), (0, True), (3600, False)])
def test_a_role_holds_from_its_beginning_until_its_end(cast, seconds, held):
    with doing("command:tests"):
        locum = User.objects.create_user("locum", full_name="Lou Cum")
        Role.objects.create(
            user=locum, site=cast.site, kind=Role.Kind.NURSE, from_at=MONDAY, until_at=MONDAY + hours(1)
        )
    assert may(locum, Deed.CONFIRM, cast.site.pk, None, at=MONDAY + timedelta(seconds=seconds)) is held


def test_an_account_that_is_switched_off_sees_and_does_nothing(cast):
    report(cast)
    with doing("command:tests"):
        nurse = User.objects.get(pk=cast.nurse.pk)
        nurse.is_active = False
        nurse.save()
    for view in View:
        assert not visible(nurse, Breach.objects.all(), view, at=MONDAY).exists()
    assert not any(may(nurse, deed, cast.site.pk, None, at=MONDAY) for deed in Deed)


def test_a_reading_is_seen_once_through_any_follow_up_of_its_worker(cast):
    tell(cast, report(cast))
    tell(cast, report(cast, pathogen="nipah"))
    log(cast, at=MONDAY + hours(10))
    seen = list(visible(cast.nurse, Reading.objects.all(), View.CLINICAL, at=MONDAY))
    assert len(seen) == 1


@pytest.mark.parametrize("view", [View.CLINICAL, View.FOLLOWING])
def test_a_worker_of_another_site_is_seen_once_however_often_theirs_is_followed_up_here(cast, view):
    tell(cast, report(cast))
    tell(cast, report(cast, pathogen="nipah"))
    with doing("command:tests"):
        cast.worker.site = cast.other_site
        cast.worker.save()
    assert cast.worker.follow_ups.count() == cast.worker.breaches.count() == 2
    seen = visible(cast.nurse, Worker.objects.all(), view, at=MONDAY)
    assert list(seen.filter(pk=cast.worker.pk)) == [cast.worker]


OWN_DECISIONS = {
    "tell": lambda breach, by: tell_worker(breach=breach, how="phone", told_at=MONDAY, by=by, at=MONDAY),
    "confirm": lambda breach, by: classify.confirm_breach(breach=breach, by=by, at=MONDAY),
    "override": lambda breach, by: classify.override_tier(
        breach=breach, pathogen="ebola", tier="none", reason="Fine.", by=by, at=MONDAY
    ),
    "acknowledge": lambda breach, by: attend.acknowledge_alert(
        alert=breach.alerts.get(cause="to_look_at"), by=by, at=MONDAY
    ),
    "complete": lambda breach, by: complete.complete_task(
        task=breach.exposures.get().promises.filter(kind="task").first(), note="", by=by, at=MONDAY
    ),
    "hand over": lambda breach, by: hand_over.hand_over_promise(
        promise=breach.promises.get(kind="confirm"), to="nurse2", by=by, at=MONDAY
    ),
    "does not apply": lambda breach, by: complete.mark_not_applicable(
        task=breach.exposures.get().promises.filter(kind="task").first(), reason="No.", by=by, at=MONDAY
    ),
    "call": lambda breach, by: enter.note_call(
        worker=breach.worker, answered=True, note="", by=by, at=MONDAY
    ),
    "excuse": lambda breach, by: enter.excuse_check(
        check=breach.exposures.get().follow_up.checks.first(), reason="Busy.", by=by, at=MONDAY
    ),
}


@pytest.mark.parametrize("decision", OWN_DECISIONS)
def test_no_arrow_of_the_pipeline_lets_people_decide_about_themselves(cast, own_records, decision):
    with doing(cast.nurse), pytest.raises(PermissionDenied):
        OWN_DECISIONS[decision](own_records.breach, cast.nurse)


def test_a_nurse_may_report_about_somebody_and_confirm_it(cast):
    reported = report(cast, by=cast.nurse, facts=HIGH)
    confirm(cast, reported)
    reported.breach.refresh_from_db()
    assert reported.breach.confirmed_by == cast.nurse


def test_every_look_up_path_leads_to_a_site(cast):
    for name in PATHS:
        model = Site._meta.apps.get_model("exposure", name)
        list(visible(cast.nurse, model.objects.all(), View.CLINICAL, at=MONDAY)[:1])
        list(visible(cast.nurse, model.objects.all(), View.OWN, at=MONDAY)[:1])
        list(visible(cast.nurse, model.objects.all(), View.AUTHOR, at=MONDAY)[:1])


ABOUT_A_WORKER = {
    "call": lambda worker, by: Call.objects.create(
        site=worker.site, worker=worker, called_at=MONDAY, answered=True, by_user=by
    ),
    "protection": lambda worker, by: Protection.objects.create(
        worker=worker, kind="vaccine", what="Hepatitis B", given_at=MONDAY
    ),
    "private note": lambda worker, by: PrivateNote.objects.create(worker=worker, text="Takes steroids."),
    "promise": lambda worker, by: Promise.objects.create(
        site=worker.site, worker=worker, kind="call", title="Ring.", asked_at=MONDAY, due_at=MONDAY
    ),
    "other decision": lambda worker, by: OtherDecision.objects.create(
        site=worker.site, worker=worker, deed="confirm", subject="Breach x"
    ),
}


@pytest.fixture
def herself(cast):
    """The nurse as a worker, and a second record that proved to be hers."""
    with doing("command:tests"):
        worker = Worker.objects.create(site=cast.site, user=cast.nurse, name="Nora Teal", number="SG-7")
        double = Worker.objects.create(site=cast.site, name="N. Teal", same_as=worker)
    return {"worker": worker, "double": double}


@pytest.mark.parametrize("record", ["worker", "double"])
@pytest.mark.parametrize("kind", ABOUT_A_WORKER)
def test_what_was_noted_about_oneself_is_seen_from_ones_own_side_only(cast, herself, kind, record):
    with doing(cast.nurse2):
        row = ABOUT_A_WORKER[kind](herself[record], cast.nurse2)
    rows = type(row).objects.all()
    assert seeing(cast, rows, View.CLINICAL) == CLINICIANS - {"nurse"}
    assert seeing(cast, rows, View.OWN) == {"nurse"}


def test_a_second_record_of_oneself_is_still_oneself(cast, herself):
    require_on(cast.nurse2, Deed.CALL, herself["double"], at=MONDAY)
    with pytest.raises(PermissionDenied):
        require_on(cast.nurse, Deed.CALL, herself["double"], at=MONDAY)


def test_what_is_done_about_a_second_record_is_asked_where_the_person_is_known(cast):
    with doing("command:tests"):
        double = Worker.objects.create(site=cast.other_site, name="W. Alder", same_as=cast.worker)
    require_on(cast.nurse, Deed.CALL, double, at=MONDAY)
    with pytest.raises(PermissionDenied):
        require_on(cast.outsider, Deed.CALL, double, at=MONDAY)


@pytest.mark.parametrize("off", [{"is_active": False}, {"device_of_id": 1}], ids=["switched off", "a device"])
def test_no_role_counts_of_an_account_that_is_switched_off_or_a_devices(cast, off):
    assert may(cast.nurse, Deed.ACKNOWLEDGE, cast.site.pk, at=MONDAY)
    nora = User.objects.get(pk=cast.nurse.pk)
    for name, value in off.items():
        setattr(nora, name, value)
    assert not may(nora, Deed.ACKNOWLEDGE, cast.site.pk, at=MONDAY)
    assert not visible(nora, Worker.objects.all(), View.CLINICAL, at=MONDAY).exists()
