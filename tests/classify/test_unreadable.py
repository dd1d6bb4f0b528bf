"""A stored text that a release can no longer read, or that fails in classifying, harms nothing but itself."""

import random
from datetime import timedelta

import pytest
from django.urls import URLPattern, get_resolver, reverse

from exposure.attend.models import Alert, Promise
from exposure.classify import assess
from exposure.classify.criteria import Criteria, TooIntricate
from exposure.classify.models import Adoption, Assessment
from exposure.classify.versions import unusable
from exposure.followup.plans import USUAL_MIN_HOURS, min_hours_of, profile_of
from exposure.pipeline import classify, expose
from exposure.refusal import BadSubmission
from exposure.report.models import Breach
from tests.cast import MONDAY, adopt, doing
from tests.classify.documents import written
from tests.walk import HIGH, confirm, hours, log, pass_time, report, tell

pytestmark = pytest.mark.database


def spoil(text="pathogen: [\n", pathogen="ebola"):
    """The text of the adopted version becomes another, as a new release or a hand in the database would have it."""
    version = Adoption.objects.get(pathogen=pathogen).version
    version.text = text
    with doing("command:tests"):
        version.save()
    return version


def entangled(pathogen="ebola", version="2023.1"):
    """60 facts that 120 rules tie to one another: beyond any exact decision."""
    chance = random.Random(1)
    facts = [
        {"name": f"f{at}", "ask": "Q", "answers": [{"code": code, "label": "L"} for code in "vwxyz"]}
        for at in range(60)
    ]
    rules = [
        {
            "id": f"R{at}",
            "tier": "b",
            "when": {f"f{fact}": chance.sample("vwxyz", 2) for fact in chance.sample(range(60), 4)},
        }
        for at in range(120)
    ]
    document = {"pathogen": pathogen, "version": version, "title": "T", "facts": facts, "rules": rules}
    return written({**document, "tiers": [{"code": "a", "label": "A"}, {"code": "b", "label": "B"}]})


def tasks_of(exposure):
    tasks = Promise.objects.open().filter(exposure=exposure, kind=Promise.Kind.TASK)
    return sorted(tasks.values_list("key", "due_at"))


def fails(error):
    def classify(self, facts):
        raise error

    return classify


@pytest.fixture(params=["unreadable", "raises", "recursion", "too entangled"])
def broken(request, monkeypatch, cast):
    """Each way in which criteria fail a report."""
    if request.param == "unreadable":
        spoil()
    else:
        error = {
            "raises": ZeroDivisionError("x"),
            "recursion": RecursionError(),
            "too entangled": TooIntricate(),
        }
        monkeypatch.setattr(Criteria, "classify", fails(error[request.param]))
    return cast


def test_a_report_is_kept_unassessed_at_the_usual_plan_with_one_alert(broken):
    reported = report(broken, facts=HIGH)
    [assessment] = reported.assessments
    assert (assessment.version, assessment.tier, assessment.treated_as) == (None, "", "")
    assert assessment.facts == HIGH
    assert reported.ring_now, "nobody can say that it is not the highest"
    [follow_up] = reported.follow_ups
    exposure = follow_up.exposures.get()
    assert (exposure.last_day - exposure.day_zero).days == broken.site.default_days
    [alert] = Alert.objects.all()
    assert (alert.cause, alert.breach, alert.urgent) == (Alert.Cause.UNASSESSED, reported.breach, True)
    assert "ebola 2023.1" in alert.because
    again = report(
        broken,
        submission_id=str(reported.breach.uid),
        occurred_at=reported.breach.body["occurred_at"],
        facts=HIGH,
    )
    assert not again.created
    assert again.ring_now
    assert Alert.objects.count() == 1


def test_readings_are_judged_by_the_usual_profile_once_the_text_cannot_be_read(cast):
    reported = report(cast)
    tell(cast, reported)
    [follow_up] = reported.follow_ups
    spoil()
    follow_up.refresh_from_db()
    assert profile_of(follow_up) is None
    assert min_hours_of(follow_up) == USUAL_MIN_HOURS
    logged = log(cast, at=MONDAY + hours(9), temperature="38.6")
    assert "fever" in logged.triggers
    assert Alert.objects.filter(cause=Alert.Cause.FEVER).count() == 1
    pass_time(MONDAY + hours(9 + 47))
    assert not Alert.objects.filter(cause=Alert.Cause.SILENCE).exists()
    pass_time(MONDAY + hours(9 + 49))
    assert Alert.objects.filter(cause=Alert.Cause.SILENCE).count() == 1, "48 hours where no criteria say"


def test_what_is_asked_of_an_assessment_never_raises(cast):
    report(cast)
    spoil()
    assessment = Assessment.objects.get()
    assert assess.unreadable(assessment)
    assert assess.plan_of(assessment) is None
    assert assess.rank(assessment) == 0
    assert assess.is_highest(assessment)
    assert assess.tier_label(assessment, "high") == "high", "the code where there are no words"
    assert assess.tiers_of(assessment.version) == ()
    assessment.version.text = written(
        {
            "pathogen": "ebola",
            "version": "2023.1",
            "title": "T",
            "tiers": [{"code": "other", "label": "Other"}],
            "facts": [{"name": "f", "ask": "Q", "answers": [{"code": "a", "label": "A"}]}],
            "rules": [{"id": "R", "tier": "other", "when": {}}],
        }
    )
    assert not assess.unreadable(assessment), "a text that reads, without the tier"
    assert (assess.plan_of(assessment), assess.rank(assessment)) == (None, 0)
    assert assess.is_highest(assessment)


def test_a_confirmation_under_criteria_that_fail_moves_nobody_and_raises_the_alert(cast):
    reported = report(cast)
    exposure = reported.breach.exposures.get()
    stood = (exposure.tier, exposure.tier_label, exposure.last_day, exposure.plan)
    asked = tasks_of(exposure)
    assert asked
    spoil()
    confirm(cast, reported, facts={"skin": "intact"})
    newest = reported.breach.assessments.last()
    assert (newest.kind, newest.treated_as) == (Assessment.Kind.CONFIRMATION, "high")
    assert newest.facts == HIGH
    exposure.refresh_from_db()
    assert (exposure.tier, exposure.tier_label, exposure.last_day, exposure.plan) == stood
    assert tasks_of(exposure) == asked, "what the plan asked for is still asked"
    assert Alert.objects.filter(cause=Alert.Cause.UNASSESSED, breach=reported.breach).count() == 1


def test_it_is_assessed_again_once_the_text_reads_again(cast):
    text = Adoption.objects.get().version.text
    spoil()
    reported = report(cast)
    spoil(text)
    confirm(cast, reported)
    newest = reported.breach.assessments.last()
    assert (newest.version.version, newest.treated_as) == ("2023.1", "high")
    breach = Breach.objects.get(pk=reported.breach.pk)
    assert not [flag for flag in breach.flags if flag.startswith("criteria_failed")]


def test_a_tier_cannot_be_set_in_criteria_that_cannot_be_read(cast):
    reported = report(cast)
    spoil()
    with doing(cast.physician), pytest.raises(BadSubmission, match="no longer be read"):
        classify.override_tier(
            breach=reported.breach, pathogen="ebola", tier="none", reason="Dry.", by=cast.physician, at=MONDAY
        )


def test_other_pathogens_of_the_same_report_are_assessed(cast):
    """The way into the blood is still followed where only the other criteria fail."""
    with doing("command:tests"):
        adopt(cast.site, "bloodborne-2025.1", MONDAY - timedelta(days=1))
    spoil()
    reported = report(cast, what_happened="sharp")
    found = {one.pathogen: one.version is not None for one in reported.assessments}
    assert found == {"ebola": False, "bloodborne": True}


def test_an_exposure_without_a_report_says_what_is_wrong_with_the_criteria(cast):
    spoil()
    with doing(cast.nurse), pytest.raises(BadSubmission, match="can no longer be read"):
        expose.record_exposure(
            worker=cast.worker,
            pathogen="ebola",
            occurred_at=MONDAY - hours(2),
            tier="high",
            by=cast.nurse,
            at=MONDAY,
        )


def addresses(rows, pathogen="ebola"):
    """Every page that is looked at without arguments, or with one uid of the row that its address begins with."""
    for pattern in _patterns(get_resolver().url_patterns):
        route = pattern.pattern.converters
        first = str(pattern.pattern).split("/")[0]
        if not pattern.name or "exposure.web" not in pattern.callback.__module__:
            continue
        given = {"uid": rows.get(first), "pathogen": pathogen, "code": "saltmarsh", "other": rows.get(first)}
        if set(route) <= set(given) and (first in rows or "uid" not in route):
            yield reverse(pattern.name, kwargs={name: given[name] for name in route})


def _patterns(patterns):
    for one in patterns:
        yield from [one] if isinstance(one, URLPattern) else _patterns(one.url_patterns)


@pytest.mark.parametrize("who", ["nurse", "physician", "observer", "worker", "auditor", "administrator"])
def test_no_page_breaks_where_the_text_of_a_version_in_use_cannot_be_read(cast, client, who, standing_clock):
    reported = report(cast)
    tell(cast, reported)
    version = spoil()
    later = report(cast)
    standing_clock(MONDAY + hours(1))
    rows = {
        "people": cast.worker.uid,
        "reports": reported.breach.uid,
        "alerts": Alert.objects.first().uid,
        "follow-ups": reported.follow_ups[0].uid,
        "cases": cast.case.uid,
        "criteria": version.uid,
        "exposures": later.breach.exposures.get().uid,
        "assessments": reported.assessments[0].uid,
        "my-reports": reported.breach.uid,
    }
    client.force_login(cast.worker.user if who == "worker" else getattr(cast, who))
    seen = {address: client.get(address).status_code for address in addresses(rows)}
    assert len(seen) > 30
    assert {address: code for address, code in seen.items() if code >= 500} == {}
    if who in ("nurse", "physician"):
        assert seen[reverse("needs_action")] == seen[reverse("person", args=[cast.worker.uid])] == 200
        assert seen[reverse("breach", args=[reported.breach.uid])] == 200
    if who == "physician":
        assert seen[reverse("criteria_version", args=[version.uid])] == 409


def test_the_api_says_what_is_wrong_with_the_text(cast, client):
    spoil("pathogen: ebola\nversion: [\n")
    client.force_login(cast.physician)
    for address, send in (
        ("/api/v1/criteria/ebola/2023.1/findings/", client.get),
        ("/api/v1/criteria/ebola/classify/", lambda to: client.post(to, {"facts": {}}, "application/json")),
    ):
        answer = send(address)
        assert (answer.status_code, answer["Content-Type"]) == (409, "application/problem+json"), address
        assert "line 2" in answer.json()["detail"] or "line 3" in answer.json()["detail"]


def test_every_version_that_a_site_works_with_is_named_where_it_cannot_be_used(cast):
    with doing("command:tests"):
        adopt(cast.site, "mers-2019.1", MONDAY - timedelta(days=1))
        adopt(cast.site, "lassa-2023.1", MONDAY - timedelta(days=1))
    assert unusable() == []
    spoil()
    spoil(entangled("mers", "2019.1"), pathogen="mers")
    assert [(str(version), "line" in why) for version, why in unusable()] == [
        ("ebola 2023.1", True),
        ("mers 2019.1", True),
    ]
