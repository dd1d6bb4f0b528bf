"""Blood and its clocks: which report brings the bloodborne criteria, over the whole table of what can be said.

The table is made from the published files: every failure type, every question that has a marked answer with every
answer of it and with none, each at the report, added afterwards and at the confirmation, with a case open and
without. Expected is by the marks as the files carry them, read here without the engine. A valid exposure is an
infectious fluid and a way in (29 CFR 1910.1030(b), "occupational exposure": skin, eye, mucous membrane or
parenteral contact; "Quick guide to prophylaxis after exposure", Clinician Consultation Center, UCSF, 2017): a way in
that nobody knows counts until somebody does (common practice, no source).
"""

from contextlib import contextmanager
from datetime import timedelta

import pytest
import yaml
from django.db import transaction

from exposure.attend.models import Alert, Promise
from exposure.classify.models import Adoption
from exposure.pipeline.classify import answer_facts, confirm_breach
from exposure.report.models import Breach, CaseStatement
from tests.cast import FIXTURES, MONDAY, adopt, doing
from tests.walk import report

pytestmark = pytest.mark.django_db


def is_marked(answer):
    return bool(answer.get("bloodborne") or answer.get("through_skin"))


FILES = {
    path.stem: yaml.safe_load(path.read_text()) for path in sorted((FIXTURES / "criteria").glob("*.yaml"))
}
REPLACED = {
    f"{file['pathogen']}-{version}" for file in FILES.values() for version in file.get("replaces", ())
}
MARKED = {
    name: [fact for fact in file["facts"] if any(map(is_marked, fact.get("answers", ())))]
    for name, file in FILES.items()
    if file["pathogen"] != "bloodborne" and name not in REPLACED
}
ASKED = [name for name, facts in MARKED.items() if facts]
# Without a case no file but the bloodborne one is asked: of those with the same marked questions one stands for all.
DIFFERENT = list({str(MARKED[name]): name for name in ASKED}.values())
FAILURES = {
    row["code"]: row["bloodborne"]
    for row in yaml.safe_load((FIXTURES / "protocols.yaml").read_text())["failures"]
}
NO_BLOOD = {"fluid": "none", "portal": "none"}  # by the bloodborne criteria: no valid exposure


@pytest.fixture
def blood(cast):
    """The site works with the bloodborne criteria too."""
    with doing("command:tests"):
        adopt(cast.site, "bloodborne-2025.2", MONDAY - timedelta(days=2))
    return cast


def harmless(name):
    """Every marked question answered, and none by a marked answer."""
    return {
        fact["name"]: next(answer["code"] for answer in fact["answers"] if not is_marked(answer))
        for fact in MARKED[name]
    }


def open_case(cast, name):
    """The case at the station has the pathogen of this published file and no other, and the file is adopted."""
    pathogen = FILES[name]["pathogen"]
    with doing("command:tests", at=MONDAY - timedelta(days=1)):
        if pathogen != "ebola":
            CaseStatement.objects.create(case=cast.case, pathogen="ebola", status="ruled_out")
            CaseStatement.objects.create(case=cast.case, pathogen=pathogen, status="confirmed")
        for adoption in Adoption.objects.filter(pathogen=pathogen):
            adoption.until_at = MONDAY - timedelta(days=2)
            adoption.save()
        adopt(cast.site, name, MONDAY - timedelta(days=2))


def close_case(cast):
    with doing("command:tests", at=MONDAY - timedelta(days=1)):
        cast.case.closed_at = MONDAY - timedelta(days=1)
        cast.case.save()


def said(cast, moment, before, facts, **changes):
    """A report of whom these facts became known at that moment, and only `before` at the report."""
    if moment == "report":
        return report(cast, facts={**before, **facts}, **changes).breach
    return said_afterwards(cast, report(cast, facts=before, **changes).breach, moment, facts)


def said_afterwards(cast, breach, moment, facts):
    with doing(cast.nurse):
        if moment == "added":
            answer_facts(breach=breach, facts=facts, by=cast.nurse, at=MONDAY)
        else:
            confirm_breach(breach=breach, by=cast.nurse, note="Spoke.", facts=facts, at=MONDAY)
    return breach


def runs(breach):
    """Whether the bloodborne criteria were applied to the report; then the first dose is decided within two hours of
    the exposure, unless it was said that no fluid came that counts."""
    assessment = breach.assessments.filter(pathogen="bloodborne").last()
    if assessment is None:
        return False
    if assessment.facts == NO_BLOOD:
        return True
    exposure = breach.exposures.get(follow_up__pathogen="bloodborne")
    decision = Promise.objects.get(exposure=exposure, key="hiv_decision")
    assert (decision.due_at, decision.urgent) == (exposure.occurred_at + timedelta(hours=2), True)
    return True


@contextmanager
def one_row():
    """One row of a table, of which nothing is left for the next."""
    with transaction.atomic():
        yield
        transaction.set_rollback(True)


def running_by_answer(cast, moment, before, answers):
    """(fact, answer) -> whether the clock runs once that one has become known at that moment."""
    found = {}
    with one_row():
        made = None if moment == "report" else report(cast, facts=before).breach
        for fact, code in answers:
            with one_row():
                if made is None:
                    breach = said(cast, "report", before, {fact: code})
                else:
                    breach = said_afterwards(cast, Breach.objects.get(pk=made.pk), moment, {fact: code})
                found[fact, code] = runs(breach)
    return found


@pytest.mark.parametrize(
    ("name", "case"), [*((name, "open") for name in ASKED), *((name, "none") for name in DIFFERENT)]
)
def test_a_marked_answer_brings_the_clock_whenever_it_becomes_known_and_another_does_not(blood, name, case):
    open_case(blood, name)
    if case == "none":
        close_case(blood)
    before = harmless(name) if case == "open" else NO_BLOOD
    answers = {
        (fact["name"], answer["code"]): is_marked(answer)
        for fact in MARKED[name]
        for answer in fact["answers"]
    }
    assert any(answers.values())
    for moment in ("report", "added", "confirmed"):
        found = running_by_answer(blood, moment, before, answers)
        assert {one: found[one] for one in answers if found[one] != answers[one]} == {}, moment


@pytest.mark.parametrize("case", ["open", "none"])
def test_a_marked_failure_brings_the_clock_whatever_is_answered_and_another_does_not(blood, case):
    open_case(blood, "ebola-2023.2")
    if case == "none":
        close_case(blood)
    before = harmless("ebola-2023.2") if case == "open" else NO_BLOOD
    found = {}
    for code in FAILURES:
        with one_row():
            found[code] = runs(said(blood, "report", before, {}, what_happened=code))
    assert found == FAILURES


@pytest.mark.parametrize("moment", ["report", "added", "confirmed"])
@pytest.mark.parametrize(("name", "case"), [*((name, "open") for name in ASKED), ("ebola-2023.2", "none")])
def test_a_way_in_that_stays_unknown_counts_until_somebody_knows(blood, name, case, moment):
    open_case(blood, name)
    if case == "none":
        close_case(blood)
    asked = [fact["name"] for fact in MARKED[name]] if case == "open" else ["portal"]
    nobody_knew = {} if moment == "confirmed" else dict.fromkeys(asked)
    breach = said(blood, moment, {}, nobody_knew)
    assert runs(breach)
    [first] = breach.assessments.filter(pathogen="bloodborne")
    assert (first.tier, first.treated_as) == ("", "exposed")
    with doing(blood.nurse):
        answer_facts(breach=breach, facts=NO_BLOOD, by=blood.nurse, at=MONDAY)
    assert breach.assessments.filter(pathogen="bloodborne", tier="none").exists()


@pytest.mark.parametrize("name", ASKED)
def test_what_was_not_asked_yet_is_open_and_brings_no_clock_before_the_confirmation(blood, name):
    open_case(blood, name)
    breach = said(blood, "report", {}, {})
    assert not runs(breach)
    with doing(blood.nurse):
        confirm_breach(breach=breach, by=blood.nurse, note="Spoke.", facts=harmless(name), at=MONDAY)
    assert not runs(breach)


@pytest.mark.parametrize("moment", ["report", "added", "confirmed"])
def test_where_no_bloodborne_criteria_are_adopted_the_clinicians_are_told_at_once(cast, moment):
    breach = said(cast, moment, {"contact": "none", "skin": "no"}, {"contact": "sharp", "skin": "pierced"})
    [assessment] = breach.assessments.filter(pathogen="bloodborne")
    assert assessment.version is None
    [alert] = Alert.objects.filter(breach=breach, cause=Alert.Cause.UNASSESSED)
    assert alert.urgent
    assert breach.exposures.filter(follow_up__pathogen="bloodborne").exists()


@pytest.mark.parametrize("moment", ["report", "added", "confirmed"])
def test_what_the_worker_says_of_a_needle_brings_the_clock_before_anybody_has_confirmed_it(blood, moment):
    own = blood.worker.user
    harmless_facts = {"contact": "none", "skin": "no"}
    needle = {"contact": "sharp", "skin": "pierced"}
    breach = report(blood, by=own, worker=None, facts=needle if moment == "report" else harmless_facts).breach
    if moment != "report":
        with doing(own):
            answer_facts(breach=breach, facts=needle, by=own, at=MONDAY)
    assert runs(breach)


@pytest.mark.parametrize(
    ("contact", "skin", "counts"), [("unprotected", None, True), (None, "intact", False)]
)
def test_it_is_the_way_in_that_must_be_known_and_not_the_rest(blood, contact, skin, counts):
    breach = said(blood, "confirmed", {}, {"contact": contact, "skin": skin})
    assert breach.assessments.filter(pathogen="ebola").last().tier == "high"  # settled by the one answer
    assert runs(breach) is counts


def test_answers_after_the_clock_began_begin_no_second_one(blood):
    breach = said(blood, "report", {}, {"contact": "sharp", "skin": "pierced"})
    for _again in range(2):
        with doing(blood.nurse):
            answer_facts(breach=breach, facts={"skin": "broken"}, by=blood.nurse, at=MONDAY)
    assert breach.assessments.filter(pathogen="bloodborne", kind="report").count() == 1
    assert breach.exposures.filter(follow_up__pathogen="bloodborne").count() == 1


def test_a_drill_has_no_blood(blood):
    breach = said(blood, "added", {}, {"contact": "sharp", "skin": "pierced"}, drill=True)
    assert breach.assessments.count() == 0
