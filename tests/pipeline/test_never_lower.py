"""A tier never goes down by a reporter, by whatever road; below one that is settled or confirmed it goes only with the
signatures that the plan in force names, of two people, neither of them the exposed worker."""

from contextlib import suppress
from dataclasses import dataclass
from datetime import timedelta
from uuid import uuid4

import pytest
from django.core.cache import cache
from django.core.exceptions import PermissionDenied
from django.db import transaction
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from exposure.classify.assess import tiers_of
from exposure.classify.models import Adoption, Assessment, Signature
from exposure.classify.standing import assessments_in_force, awaiting_signature
from exposure.followup.models import Exposure, FollowUp
from exposure.people.models import Worker
from exposure.pipeline import classify, link, remove, report
from exposure.places.models import Protocol
from exposure.refusal import Conflict, NotYet
from exposure.report.models import Breach, Mark, WithdrawalRequest
from tests.api.conftest import Caller
from tests.cast import MONDAY, adopt, doing
from tests.walk import HIGH, LOW, newest_statement

pytestmark = pytest.mark.database
# Answers to the questions of ebola 2023.1, mpox 2024.1 and nipah 2024.1: high, low, open again, against each other.
ANSWERS = {
    "ebola": (HIGH, LOW, {"skin": None}, {"contact": "none"}, {"skin": "possible"}, {}),
    "mpox": (
        {"contact": "mucosa"},
        {"contact": "intact", "air": "none", "near": "no"},
        {"contact": "none", "air": "none", "near": "yes", "minutes": 30},
        {"contact": "none", "air": "none", "near": "no"},
        {"contact": None, "air": None},
    ),
    "nipah": (
        {"nipah_reached": "intact"},
        {"nipah_contact": "contact", "nipah_equipment": "worn", "nipah_reached": "no"},
        {"nipah_contact": "none", "nipah_equipment": "worn", "nipah_reached": "no"},
    ),
}


def answer(cast, breach, by, facts):
    """Whatever the answer to it is: a conflict is stored as well."""
    with doing(by), suppress(Conflict):
        classify.answer_facts(breach=breach, facts=facts, by=by, at=MONDAY)


def confirm(cast, breach, by, facts=None):
    with doing(by), suppress(Conflict):
        classify.confirm_breach(breach=breach, facts=facts, note="Spoke.", by=by, at=MONDAY)


def override(cast, breach, by, tier, pathogen="ebola", standing=None):
    said = {"breach": breach, "pathogen": pathogen, "tier": tier, "standing": standing}
    with doing(by):
        try:
            return classify.override_tier(reason=f"Seen: {tier}.", by=by, at=MONDAY, **said)
        except Conflict:
            return None


def countersign(assessment, by):
    with doing(by):
        try:
            classify.countersign(assessment=assessment, by=by, at=MONDAY)
        except (Conflict, NotYet):
            return False
    return True


def tier_of(breach):
    return assessments_in_force(Breach.objects.get(pk=breach.pk))["ebola"].treated_as


# How the high tier came to stand
def settled(cast, breach):
    assert tier_of(breach) == "high"


def confirmed(cast, breach):
    confirm(cast, breach, cast.nurse)


def overridden(cast, breach):
    override(cast, breach, cast.physician, "high")


def open_again(cast, breach):
    answer(cast, breach, cast.nurse, {"skin": None})


STANDS = [settled, confirmed, overridden, open_again]


# By which door a reporter answers afterwards
def by_the_pipeline(cast, breach, facts):
    answer(cast, breach, cast.observer, facts)


def by_the_api(cast, breach, facts):
    cache.clear()
    sent = Caller(cast.observer).post(f"breaches/{breach.uid}/facts/", {"facts": facts})
    assert sent.status_code == 200


def by_the_mark(cast, breach, facts):
    mark = Mark.objects.get(uid=breach.uid)
    body = cast.body(submission_id=str(mark.uid), facts=facts)
    with doing(cast.observer):
        report.report_mark(mark=mark, body=body, reporter=cast.observer, at=MONDAY)


DOORS = [by_the_pipeline, by_the_api, by_the_mark]


def marked(cast, by=None):
    """A mark of the observer, sent as it stood: nothing was answered."""
    by = by or cast.observer
    protocol = Protocol.objects.get(code="coverall-powered")
    said = {"protocol": protocol, "worker": cast.worker, "drill": False}
    with doing(by):
        removal = remove.start_removal(station=cast.station, by=by, at=MONDAY, **said)
        step = protocol.steps.get(code="inner-gloves")
        mark = remove.mark_step(removal=removal, step=step, uid=uuid4(), by=by, at=MONDAY)
    with doing("task:marks"):
        report.send_unfinished_mark(mark, at=MONDAY)
    return Breach.objects.get(uid=mark.uid)


@pytest.fixture
def breach(cast):
    """Sent from a mark, then answered: high, and settled."""
    breach = marked(cast)
    by_the_mark(cast, breach, HIGH)
    return breach


@pytest.mark.parametrize("door", DOORS)
@pytest.mark.parametrize("stands", STANDS)
def test_a_reporter_lowers_nothing_and_ends_no_follow_up(cast, standing_clock, breach, stands, door):
    standing_clock(MONDAY)
    stands(cast, breach)
    for facts in ({"skin": None}, {"contact": "none"}, LOW):  # open again, against each other, low
        door(cast, breach, facts)
        assert tier_of(breach) == "high"
    assert FollowUp.objects.exclude(pathogen="bloodborne").get().ended_at is None
    assert not Exposure.objects.exclude(withdrawn_at=None).exists()


@pytest.mark.parametrize("door", DOORS[:2])
def test_a_reporter_ends_no_follow_up_under_the_default_plan_once_criteria_are_adopted(
    cast, standing_clock, door
):
    standing_clock(MONDAY)
    with doing(cast.observer):
        body = cast.body(pathogen="nipah", facts={})
        breach = report.report_breach(body=body, reporter=cast.observer, at=MONDAY).breach
    with doing("command:tests"):
        adopt(cast.site, "nipah-2024.1", MONDAY)
    door(cast, breach, ANSWERS["nipah"][-1])
    assert assessments_in_force(breach)["nipah"].treated_as == "unprotected"
    assert FollowUp.objects.exclude(pathogen="bloodborne").get().ended_at is None
    confirm(cast, breach, cast.nurse)  # now a clinician has decided
    assert assessments_in_force(breach)["nipah"].treated_as == "none"


# What one clinician alone may try
def nurse_answers(cast, breach):
    answer(cast, breach, cast.nurse, LOW)


def nurse_opens_then_answers(cast, breach):
    answer(cast, breach, cast.nurse, {"skin": None, "contact": None})
    answer(cast, breach, cast.nurse, LOW)


def nurse_contradicts_then_answers(cast, breach):
    answer(cast, breach, cast.nurse, {"contact": "none"})
    answer(cast, breach, cast.nurse, LOW)


def nurse_confirms(cast, breach):
    confirm(cast, breach, cast.nurse, LOW)


def nurse_confirms_what_the_reporter_took_back(cast, breach):
    answer(cast, breach, cast.observer, LOW)
    confirm(cast, breach, cast.nurse)


def nurse_opens_then_confirms(cast, breach):
    answer(cast, breach, cast.nurse, {"skin": None, "contact": None})
    confirm(cast, breach, cast.nurse, LOW)


def nurse_confirms_twice(cast, breach):
    confirm(cast, breach, cast.nurse)
    confirm(cast, breach, cast.nurse, LOW)


def nurse_overrides(cast, breach):
    override(cast, breach, cast.nurse, "none", standing=breach.assessments.last().uid)


ALONE = [
    nurse_answers,
    nurse_opens_then_answers,
    nurse_contradicts_then_answers,
    nurse_confirms,
    nurse_confirms_what_the_reporter_took_back,
    nurse_opens_then_confirms,
    nurse_confirms_twice,
    nurse_overrides,
]


@pytest.mark.parametrize("stands", [settled, confirmed])
@pytest.mark.parametrize("alone", ALONE)
def test_one_clinician_alone_lowers_nothing_that_stands_and_two_do(cast, breach, stands, alone):
    stands(cast, breach)
    alone(cast, breach)
    assert tier_of(breach) == "high"
    if not awaiting_signature([breach]):  # treated high because of a contradiction, until it is confirmed
        confirm(cast, breach, cast.nurse)
        assert tier_of(breach) == "high"
    waiting = awaiting_signature([breach])
    if not waiting:  # the same confirmation again
        assert (stands, alone) == (confirmed, nurse_confirms_what_the_reporter_took_back)
        return
    assert not countersign(waiting[0], cast.nurse)
    assert tier_of(breach) == "high"
    assert countersign(waiting[0], cast.nurse2)
    assert tier_of(breach) == "none"


def test_what_nobody_has_settled_yet_one_clinician_lowers(cast):
    breach = marked(cast)
    answer(cast, breach, cast.nurse, LOW)
    assert tier_of(breach) == "none"


@dataclass(frozen=True)
class Stood:
    """What was in force, and the tier below which two must sign."""

    assessment: Assessment
    settled: str


class Roads(RuleBasedStateMachine):
    """All roads by which a tier may move, in any order, by people with and without a say in it."""

    def __init__(self, cast):
        super().__init__()
        self.cast = cast
        self.stood: dict[tuple[int, str], Stood] = {}
        self.by = None

    @initialize(facts=st.sampled_from(ANSWERS["ebola"]))
    def begin(self, facts):
        cache.clear()
        self.savepoint = transaction.atomic()
        self.savepoint.__enter__()
        with doing("command:tests"):
            me = self.cast.worker.user
            me.roles.create(kind="nurse", site=self.cast.site, from_at=MONDAY - timedelta(days=1))
            me.__dict__.pop("_roles_held", None)
        self.me = me
        self.clinicians = (self.cast.nurse, self.cast.nurse2, self.cast.physician, me)
        self.reported("ebola", facts, self.cast.observer)

    def teardown(self):
        transaction.set_rollback(True)
        self.savepoint.__exit__(None, None, None)
        self.cast.worker.user.__dict__.pop("_roles_held", None)

    def reported(self, pathogen, facts, by, **who):
        self.by = by
        with doing(by):
            body = self.cast.body(pathogen=pathogen, facts=facts, **who)
            report.report_breach(body=body, reporter=by, at=MONDAY)

    def chosen(self, data):
        return data.draw(st.sampled_from(list(Breach.objects.order_by("pk"))))

    def facts(self, data, breach):
        pathogens = sorted(set(breach.assessments.values_list("pathogen", flat=True)) & ANSWERS.keys())
        return data.draw(st.sampled_from(ANSWERS[data.draw(st.sampled_from(pathogens))]))

    def clinician(self, data):
        self.by = data.draw(st.sampled_from(self.clinicians))
        return self.by

    def allowed(self, deed, breach, *args):
        """Done, unless it would be about oneself."""
        own = Breach.objects.get(pk=breach.pk).worker.user_id == self.by.pk
        try:
            deed(self.cast, breach, self.by, *args)
        except PermissionDenied:
            assert own
        else:
            assert not own or breach.reported_by_id == self.by.pk

    # Roads

    @precondition(lambda self: Breach.objects.count() < 4)
    @rule(data=st.data(), pathogen=st.sampled_from(list(ANSWERS)), oneself=st.booleans(), typed=st.booleans())
    def report(self, data, pathogen, oneself, typed):
        facts = data.draw(st.sampled_from(ANSWERS[pathogen]))
        who = {"worker": None, "person": {"name": "W. Alder"}} if typed else {}
        self.reported(pathogen, facts, self.me if oneself else self.cast.observer, **who)

    @precondition(lambda self: Mark.objects.count() < 2)
    @rule()
    def mark(self):
        self.by = self.cast.observer
        marked(self.cast)

    @precondition(lambda self: Mark.objects.exists())
    @rule(facts=st.sampled_from(ANSWERS["ebola"]))
    def answer_the_mark(self, facts):
        self.by = self.cast.observer
        by_the_mark(self.cast, Mark.objects.first().breach, facts)

    @rule(data=st.data(), api=st.booleans())
    def reporter_answers(self, data, api):
        breach = self.chosen(data)
        self.by = breach.reported_by
        facts = self.facts(data, breach)
        if api and self.by == self.cast.observer:
            by_the_api(self.cast, breach, facts)
        else:
            answer(self.cast, breach, self.by, facts)

    @rule(data=st.data())
    def clinician_answers(self, data):
        self.clinician(data)
        breach = self.chosen(data)
        self.allowed(answer, breach, self.facts(data, breach))

    @rule(data=st.data())
    def clinician_confirms(self, data):
        self.clinician(data)
        breach = self.chosen(data)
        if Breach.objects.get(pk=breach.pk).worker.user_id != self.by.pk:
            confirm(self.cast, breach, self.by, self.facts(data, breach))

    @rule(data=st.data(), knowingly=st.booleans())
    def clinician_overrides(self, data, knowingly):
        self.clinician(data)
        breach = self.chosen(data)
        pathogen, assessment = data.draw(st.sampled_from(sorted(assessments_in_force(breach).items())))
        own = breach.worker.user_id == self.by.pk
        if assessment.version is None or own:
            return
        tier = data.draw(st.sampled_from([tier.code for tier in tiers_of(assessment.version)]))
        standing = breach.assessments.filter(pathogen=pathogen).last().uid if knowingly else None
        override(self.cast, breach, self.by, tier, pathogen, standing)

    @rule(data=st.data())
    def clinician_signs(self, data):
        self.clinician(data)
        waiting = [*awaiting_signature(Breach.objects.all()), *Assessment.objects.filter(kind="override")]
        if waiting:
            assessment = data.draw(st.sampled_from(waiting))
            if assessment.breach.worker.user_id != self.by.pk:
                countersign(assessment, self.by)

    @rule(data=st.data(), accepted=st.booleans(), asks=st.sampled_from(["reporter", "clinician"]))
    def withdraw(self, data, accepted, asks):
        self.clinician(data)
        breach = self.chosen(data)
        asking = breach.reported_by if asks == "reporter" else self.by
        if breach.worker.user_id == self.by.pk:
            return
        with doing(asking):
            asked = report.ask_withdrawal(breach=breach, reason="A slip.", by=asking, at=MONDAY)
        with doing(self.by):
            said = {"accepted": accepted, "reason": "Spoken.", "request": asked}
            try:
                classify.decide_withdrawal(by=self.by, at=MONDAY, **said)
            except NotYet:
                assert asked.recorded_by == self.by.actor

    @rule()
    def link(self):
        typed = Worker.objects.filter(number=None, same_as=None).first()
        self.by = self.cast.nurse
        if typed is not None:
            with doing(self.by):
                link.link_worker(worker=typed, same_as=self.cast.worker, by=self.by, at=MONDAY)

    @rule(status=st.sampled_from(["suspected", "confirmed", "ruled_out"]))
    def state_the_case(self, status):
        self.by = self.cast.nurse
        with doing(self.by):
            said = {"case": self.cast.case, "pathogen": "ebola", "status": status}
            seen = newest_statement(self.cast.case, "ebola")
            report.state_case(by=self.by, at=MONDAY, seen=seen, **said)

    @precondition(lambda self: not Adoption.objects.filter(pathogen="nipah").exists())
    @rule()
    def adopt(self):
        self.by = None
        with doing("command:tests"):
            adopt(self.cast.site, "nipah-2024.1", MONDAY)

    # What must hold

    @invariant()
    def nothing_went_down_without_those_who_may(self):
        if self.by is None and not self.stood:
            return
        for breach in Breach.objects.select_related("worker"):
            for pathogen, now in assessments_in_force(breach).items():
                before = self.stood.get((breach.pk, pathogen))
                if before is not None and now != before.assessment:
                    self.went_rightly(breach, before, now)
                decided = breach.confirmed_at is not None or now.kind == "override"
                settled = now.treated_as if decided else now.tier or (before.settled if before else "")
                self.stood[breach.pk, pathogen] = Stood(now, settled)

    def went_rightly(self, breach, before, now):
        if now.version is None:  # more answers where nothing is adopted
            assert before.assessment.version is None
            return
        tiers = tiers_of(now.version)
        order = [tier.code for tier in tiers]
        clinical = self.by in self.clinicians and self.by.pk != breach.worker.user_id
        place, was = order.index(now.treated_as), before.assessment
        if was.version is None:
            assert clinical or place == len(order) - 1
            return
        if place >= order.index(was.treated_as):
            return
        assert clinical
        [plan] = [tier.plan for tier in tiers if tier.code == was.treated_as]
        below = now.kind == "override" or (before.settled and place < order.index(before.settled))
        if below and plan.second_signature != "none":
            self.two_have_signed(now, breach)

    def two_have_signed(self, assessment, breach):
        subjects = [f"override:{assessment.uid}", f"assessment:{assessment.uid}"]
        signed = {row.subject: row.user for row in Signature.objects.filter(subject__in=subjects)}
        assert set(signed) == set(subjects)
        first, second = (signed[subject] for subject in subjects)
        assert first != second
        for signer in (first, second):
            assert signer in self.clinicians
            assert signer.pk != breach.worker.user_id

    @invariant()
    def nobody_but_a_clinician_takes_anything_out(self):
        """An exposure no longer counts, or a follow-up has ended, only after a clinician decided."""
        for breach in Breach.objects.exclude(withdrawn_at=None).select_related("worker"):
            requests = WithdrawalRequest.objects.filter(breach=breach, decision__accepted=True)
            decided = {request.decision.recorded_by for request in requests}
            assert decided
            assert decided <= {by.actor for by in self.clinicians}
        for exposure in Exposure.objects.filter(breach__withdrawn_at=None).exclude(withdrawn_at=None):
            assert exposure.assessment.treated_as == "none"


def test_no_road_leads_down_without_the_signatures(cast, standing_clock):
    """What must hold is said by the invariants above."""
    standing_clock(MONDAY)
    with doing("command:tests"):
        adopt(cast.site, "mpox-2024.1", MONDAY)
    run_state_machine_as_test(
        lambda: Roads(cast),
        settings=settings(
            settings(),
            max_examples=15,
            stateful_step_count=12,
            phases=(Phase.explicit, Phase.generate),
            suppress_health_check=list(HealthCheck),
        ),
    )
