"""What was decided stands: the same again changes nothing, another decision is refused with what stands, and kept."""

from contextlib import suppress

import pytest
from django.apps import apps
from django.core.exceptions import PermissionDenied
from django.http import Http404

from exposure.attend.models import Alert, OtherDecision
from exposure.attend.standing import describe
from exposure.classify.models import Signature
from exposure.classify.standing import assessments_in_force
from exposure.people.models import Worker
from exposure.pipeline import attend, classify, link
from exposure.pipeline.report import ask_withdrawal
from exposure.refusal import Conflict, NotYet
from tests.api.conftest import Caller
from tests.cast import MONDAY, doing
from tests.pipeline.decisions import DECISIONS, SIGN
from tests.walk import confirm, report

pytestmark = pytest.mark.database
each = pytest.mark.parametrize("decision", DECISIONS, ids=lambda decision: decision.code)
of_the_api = [decision for decision in DECISIONS if decision.path]


def everything():
    """Every row of every table, versions included; not who looked at what."""
    models = apps.get_app_config("exposure").get_models()
    return {
        model.__name__: list(model._base_manager.order_by("pk").values_list())
        for model in models
        if model.__name__ != "AccessEntry"
    }


def refused(decision, subject, by, content):
    with pytest.raises(Conflict) as conflict:
        decision.decide(subject, by, content)
    return conflict.value.standing


@pytest.mark.parametrize("decision", [*DECISIONS, SIGN], ids=lambda decision: decision.code)
def test_the_same_again_is_what_stands_and_stores_nothing(cast, decision):
    subject = decision.subject(cast)
    first, second = decision.actors(cast)
    done = decision.decide(subject, first, decision.one)
    before = everything()
    who = (first, first) if decision.personal else (first, second)
    for by in who:
        assert decision.decide(subject, by, decision.one) == done
    assert everything() == before


@pytest.mark.parametrize("decision", [*DECISIONS, SIGN], ids=lambda decision: decision.code)
def test_whoever_may_not_decides_nothing(cast, decision):
    subject = decision.subject(cast)
    before = everything()
    for by in (cast.lead, cast.auditor, cast.administrator, cast.outsider, cast.worker.user):
        with pytest.raises((PermissionDenied, Http404)):
            decision.decide(subject, by, decision.one)
        assert everything() == before, by.name


@each
def test_anothers_other_decision_is_refused_with_what_stands_and_kept_once(cast, decision):
    subject = decision.subject(cast)
    first, second = decision.actors(cast)
    stands = decision.standing(subject, decision.decide(subject, first, decision.one))
    assert refused(decision, subject, second, decision.other) == stands
    with suppress(Conflict):
        decision.decide(subject, second, decision.other)
    told = describe(type(stands).objects.get(pk=stands.pk))
    by = cast.physician if decision.code == "countersign" else first
    assert (told.uid, told.by, told.at) == (str(stands.uid), str(by), MONDAY)
    assert decision.words in told.what
    kept = OtherDecision.objects.get()
    assert kept.subject == f"{stands._meta.model_name}:{stands.uid}"
    assert kept.deed in decision.code or decision.code == "countersign"
    assert kept.recorded_by == second.actor
    assert decision.kept.items() <= kept.sent.items()


@pytest.fixture
def callers(cast, standing_clock):
    standing_clock(MONDAY)
    return {name: Caller(getattr(cast, name)) for name in ("nurse", "nurse2", "physician", "physician2")}


@pytest.mark.parametrize("decision", of_the_api, ids=lambda decision: decision.code)
def test_the_api_answers_the_same_with_200_and_another_with_409_and_what_stands(cast, callers, decision):
    subject = decision.subject(cast)
    path = decision.path.format(uid=subject.uid)
    one, other = decision.bodies or (decision.one, decision.other)
    first, second = callers[decision.first], callers[decision.second]
    if decision.code == "sign against another end":  # which has no address
        decision.decide(subject, cast.physician, decision.one)
    else:
        done = first.post(path, one)
        again = first.post(path, one)
        assert (done.status_code, again.status_code, again.json()) == (200, 200, done.json())
        if not decision.personal:
            assert second.post(path, one).json() == done.json()
    answer = second.post(path, other)
    assert (answer.status_code, answer["Content-Type"]) == (409, "application/problem+json")
    kept = OtherDecision.objects.get(recorded_by=decision.actors(cast)[1].actor)
    model, _colon, uid = kept.subject.partition(":")
    told = describe(apps.get_model("exposure", model).objects.get(uid=uid))
    assert answer.json()["standing"] == {
        "type": told.kind,
        "id": uid,
        "by": str(decision.actors(cast)[0]),
        "at": MONDAY.isoformat(),
        "decision": told.what,
    }


def test_the_openapi_document_says_every_409(callers):
    document = callers["nurse"].get("schema/").json()
    for decision in of_the_api:
        answers = document["paths"][f"/api/v1/{decision.path}"]["post"]["responses"]
        assert "application/problem+json" in answers["409"]["content"], decision.code


def test_another_tier_over_anothers_is_set_knowingly_over_the_api(cast, callers):
    breach = report(cast).breach
    path = f"breaches/{breach.uid}/override/"
    callers["nurse"].post(path, {"tier": "high", "reason": "I saw the glove."})
    lower = {"tier": "none", "reason": "A whole layer lay between."}
    standing = callers["nurse2"].post(path, lower).json()["standing"]["id"]
    answer = callers["nurse2"].post(path, {**lower, "standing": standing})
    assert (answer.status_code, answer.json()["assessments"][-1]["tier"]) == (200, "none")


def test_an_alert_is_taken_over_the_api_from_whom_it_shows(cast, callers):
    with doing("command:tests"):
        alert = Alert.objects.create(
            site=cast.site, worker=cast.worker, cause="symptom", raised_at=MONDAY, round_at=MONDAY
        )
    path = f"alerts/{alert.uid}/acknowledge/"
    assert callers["nurse"].post(path).json()["held_by"] == "nurse"
    assert callers["nurse2"].post(path, {"holder": "physician"}).status_code == 409
    assert callers["nurse2"].post(path, {"holder": "nurse"}).json()["held_by"] == "nurse2"
    assert callers["nurse"].post(path).json()["standing"]["by"] == str(cast.nurse2)


def test_taking_over_what_came_anew_and_nobody_holds_is_acknowledging_it(cast):
    with doing("command:tests"):
        alert = Alert.objects.create(
            site=cast.site, worker=cast.worker, cause="symptom", raised_at=MONDAY, round_at=MONDAY
        )
    with doing(cast.nurse):
        held = attend.take_alert(alert=alert, holder=cast.physician, by=cast.nurse, at=MONDAY)
    assert (held.held_by, held.acknowledged_at) == (cast.nurse, MONDAY)


def test_what_a_second_nurse_learned_is_a_further_assessment(cast):
    reported = report(cast)
    confirm(cast, reported)
    with doing(cast.nurse2), pytest.raises(Conflict):
        classify.confirm_breach(
            breach=reported.breach, facts={"skin": "mucosa"}, note="In the eye.", by=cast.nurse2, at=MONDAY
        )
    newest = assessments_in_force(reported.breach)["ebola"]
    assert (newest.kind, newest.facts["skin"], newest.recorded_by) == ("facts", "mucosa", cast.nurse2.actor)


def test_lower_answers_that_come_too_late_wait_for_a_second_signature_and_again_add_none(cast):
    reported = report(cast)
    confirm(cast, reported)
    facts = {"contact": "none", "skin": "no"}
    for _twice in range(2):
        with doing(cast.nurse2), pytest.raises(Conflict):
            classify.confirm_breach(breach=reported.breach, facts=facts, by=cast.nurse2, at=MONDAY)
    assert assessments_in_force(reported.breach)["ebola"].treated_as == "high"
    assert reported.breach.assessments.filter(second_signature_needed=True).count() == 1


@pytest.mark.parametrize(("spoken", "treated_as"), [(True, "high"), (False, "none")])
def test_what_was_left_open_when_a_clinician_spoke_with_the_worker_goes_lower_with_two_signatures_only(
    cast, spoken, treated_as
):
    """The tier that an open answer was treated as is that clinician's decision from then on."""
    reported = report(cast, facts={})
    if spoken:
        confirm(cast, reported)
    with doing(cast.nurse2):
        classify.answer_facts(
            breach=reported.breach, facts={"contact": "none", "skin": "no"}, by=cast.nurse2, at=MONDAY
        )
    assert assessments_in_force(reported.breach)["ebola"].treated_as == treated_as
    waiting = reported.breach.assessments.filter(second_signature_needed=True)
    assert waiting.exists() is spoken


def test_a_signature_under_what_another_decision_has_replaced_is_refused_with_that_one(cast):
    breach = report(cast).breach
    said = {"breach": breach, "pathogen": "ebola", "at": MONDAY}
    with doing(cast.physician):
        lower = classify.override_tier(tier="none", reason="A layer.", by=cast.physician, **said)
    with doing(cast.nurse):
        higher = classify.override_tier(tier="high", reason="No.", by=cast.nurse, standing=lower.uid, **said)
    with doing(cast.physician2), pytest.raises(Conflict) as conflict:
        classify.countersign(assessment=lower, by=cast.physician2, at=MONDAY)
    assert conflict.value.standing == higher
    assert not Signature.objects.filter(subject=f"assessment:{lower.uid}").exists()


def test_a_signature_of_who_proves_to_be_the_exposed_person_counts_for_nothing(cast):
    typed = report(cast, worker=None, person={"name": "W. Alder"}).breach
    me = cast.worker.user
    with doing("command:tests"):
        me.roles.create(kind="nurse", site=cast.site, from_at=MONDAY)
    said = {"pathogen": "ebola", "tier": "none", "reason": "It was nothing."}
    with doing(me):
        lower = classify.override_tier(breach=typed, by=me, at=MONDAY, **said)
    with doing(cast.nurse):
        link.link_worker(worker=typed.worker, same_as=cast.worker, by=cast.nurse, at=MONDAY)
    typed.refresh_from_db()
    lower.refresh_from_db()
    with doing(cast.nurse), pytest.raises(NotYet, match="signed_by_the_person"):
        classify.countersign(assessment=lower, by=cast.nurse, at=MONDAY)
    assert assessments_in_force(typed)["ebola"].treated_as == "high"


def test_nobody_accepts_the_withdrawal_that_they_have_asked_for(cast):
    breach = report(cast).breach
    with doing(cast.nurse):
        asked = ask_withdrawal(breach=breach, reason="A slip.", by=cast.nurse, at=MONDAY)
        said = {"request": asked, "reason": "So."}
        with pytest.raises(NotYet, match="same_person"):
            classify.decide_withdrawal(accepted=True, by=cast.nurse, at=MONDAY, **said)
        classify.decide_withdrawal(accepted=False, by=cast.nurse, at=MONDAY, **said)


def test_the_same_two_linked_the_other_way_round_are_linked_once(cast):
    typed = [report(cast, worker=None, person={"name": name}).breach.worker for name in ("W. A.", "Wim A.")]
    with doing(cast.nurse):
        link.link_worker(worker=typed[0], same_as=typed[1], by=cast.nurse, at=MONDAY)
        known = link.link_worker(worker=typed[1], same_as=typed[0], by=cast.nurse, at=MONDAY)
    assert known == typed[1]
    assert Worker.objects.get(same_as__isnull=False) == typed[0]


def test_created_is_said_by_the_write(cast, callers):
    """201 once and 200 afterwards, for reports and for readings."""
    body, reading = cast.body(), None
    assert [callers["nurse"].post("breaches/", body).status_code for _again in range(3)] == [201, 200, 200]
    reading = cast.reading(worker=cast.worker.number)
    assert [callers["nurse"].post("readings/", reading).status_code for _again in range(3)] == [201, 200, 200]
