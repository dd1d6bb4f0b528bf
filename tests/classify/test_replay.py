"""A replay says who would move under other criteria, moves nobody, and says the same as assessing one by one."""

from collections import Counter
from contextlib import contextmanager
from datetime import timedelta
from random import Random

import pytest
from django.core.exceptions import PermissionDenied
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext

from exposure.attend.models import Promise
from exposure.classify import assess, replay
from exposure.classify.assess import propose_text
from exposure.classify.criteria import Criteria
from exposure.classify.models import Assessment
from exposure.people.models import Worker
from exposure.pipeline import classify, guide
from exposure.pipeline.report import report_breach
from exposure.report.models import Breach
from tests.cast import FIXTURES, MONDAY, doing
from tests.classify.milder import EBOLA, MILDER, confirm, report

pytestmark = pytest.mark.database

# One more question, which only some reports have answered beyond what 2023.1 knows. Invented.
QUESTION = '  - {name: minutes, ask: "How long?", unit: min, cuts: [15, 60], worse: up}'
LONG = "  - {id: LONG, tier: high, when: {skin: [intact], minutes: {at_least: 15}}, because: Long, source: local}"
ASKING = MILDER.replace("\nrules:\n", f"\n{QUESTION}\nrules:\n{LONG}\n")


def moves(replayed):
    return Counter({(one.before, one.after, one.rules): one.count for one in replayed.moves})


@contextmanager
def undone():
    """Whatever is written inside is gone afterwards."""
    with transaction.atomic():
        yield
        transaction.set_rollback(True)


def one_by_one(content):
    """Who would move, by really assessing every report again under the text."""
    found = {}
    with undone(), doing("command:tests"):
        version = propose_text(content, by="command:tests", at=MONDAY)
        for breach in Breach.objects.filter(drill=False, withdrawn_at=None):
            standing = classify.assessments_in_force(breach)["ebola"]
            if standing.kind == Assessment.Kind.OVERRIDE:
                continue
            confirmed = breach.confirmed_at is not None
            own = breach.facts if confirmed or "self_answered" not in breach.flags else {}
            again = assess.assess(breach, "ebola", version, {**own, **standing.facts}, kind="facts")
            if again.treated_as != standing.treated_as:
                found[breach.uid] = (standing.treated_as, again.treated_as)
    return found


def test_a_contact_that_was_high_and_no_longer_is_shows_as_a_move(cast):
    confirm(cast, report(cast))
    replayed = replay.replay(Criteria.parse(MILDER))
    assert replayed.reports == 1
    assert moves(replayed) == {("high", "none", ()): 1}


def test_the_rule_that_gives_the_new_tier_is_named(cast):
    confirm(cast, report(cast, facts={"contact": "splash", "skin": "no"}))
    stricter = MILDER.replace("when: {contact: [body]}", "when: {contact: [splash, body]}")
    assert moves(replay.replay(Criteria.parse(stricter))) == {("none", "high", ("VHF-4",)): 1}


def test_under_its_own_criteria_nobody_moves(cast):
    for skin in ("no", "intact", None):
        report(cast, facts={"contact": "splash", "skin": skin})
    assert replay.replay(Criteria.parse(EBOLA)) == replay.Replayed(3, ())


def test_an_answer_that_only_the_new_criteria_know_counts(cast):
    confirm(cast, report(cast, facts={"contact": "splash", "skin": "intact", "minutes": 20}))
    confirm(cast, report(cast, facts={"contact": "splash", "skin": "intact", "minutes": 5}))
    assert moves(replay.replay(Criteria.parse(ASKING))) == {("high", "none", ()): 1}


def test_a_question_that_nobody_was_asked_leaves_the_ceiling(cast):
    confirm(cast, report(cast))
    assert replay.replay(Criteria.parse(ASKING)).moves == ()


def test_what_cannot_be_relied_on_stays_at_the_highest_tier(cast):
    report(cast, worker=None, person={"name": "Mara Tansy", "phone": "1", "employer": "x"})
    assert replay.replay(Criteria.parse(MILDER)).moves == ()


def test_answers_that_the_new_criteria_call_impossible_stay_at_the_highest_tier(cast):
    report(cast)
    impossible = MILDER.replace("impossible:\n", "impossible:\n  - {contact: [splash], skin: [intact]}\n")
    assert replay.replay(Criteria.parse(impossible)).moves == ()


def test_a_tier_that_a_clinician_has_set_stands(cast):
    breach = report(cast)
    confirm(cast, breach)
    with doing(cast.nurse):
        classify.override_tier(
            breach=breach, pathogen="ebola", tier="high", reason="Seen.", by=cast.nurse, at=MONDAY
        )
    assert replay.replay(Criteria.parse(MILDER)) == replay.Replayed(1, ())


def test_reports_that_no_criteria_were_adopted_for_would_be_assessed(cast):
    confirm(cast, report(cast, pathogen="marburg"))
    marburg = Criteria.parse((FIXTURES / "criteria" / "marburg-2023.1.yaml").read_text())
    assert [(one.before, one.count) for one in replay.replay(marburg).moves] == [("", 1)]


def test_withdrawn_reports_and_drills_do_not_count(cast):
    report(cast, drill=True)
    breach = report(cast)
    with doing(cast.nurse):
        breach.withdrawn_at = MONDAY
        breach.save()
    assert replay.replay(Criteria.parse(MILDER)).reports == 0


def test_a_replay_of_one_site_leaves_the_others_out(cast):
    report(cast)
    assert replay.replay(Criteria.parse(MILDER), site=cast.other_site).reports == 0


def test_a_replay_says_the_same_as_assessing_every_report_again_one_by_one(cast, monkeypatch):
    """Eighty random reports, some confirmed, self-answered, contradictory, overridden, in pages of seven."""
    monkeypatch.setattr(replay, "PAGE", 7)
    monkeypatch.setattr(replay, "MOST_NAMED", 500)
    random = Random(5)
    with doing("command:tests"):
        people = [Worker.objects.create(site=cast.site, name=f"W{at}", number=f"W{at}") for at in range(5)]
    contacts = ["none", "splash", "splash", "breach", "sharp", "household", None, "unheard-of"]
    for _ in range(80):
        facts = {
            "contact": random.choice(contacts),
            "skin": random.choice(["no", "possible", "intact", "intact", "intact", "broken", None]),
            "minutes": random.choice([None, 3, 3, 5, 5, 14.9, 15, "long"]),
        }
        reporter = random.choice([cast.observer, cast.observer, cast.worker.user])
        worker = cast.worker.number if reporter == cast.worker.user else random.choice(people).number
        with doing(reporter):
            body = cast.body(worker=worker, facts=facts)
            breach = report_breach(body=body, reporter=reporter, at=MONDAY).breach
        if random.random() < 0.8:
            confirm(cast, breach, skin=random.choice(["no", "intact", "intact", "mucosa"]))
        if random.random() < 0.1:
            with doing(cast.nurse):
                classify.override_tier(
                    breach=breach, pathogen="ebola", tier="high", reason="Seen.", by=cast.nurse, at=MONDAY
                )
    replayed = replay.replay(Criteria.parse(ASKING))
    said = {uid: (one.before, one.after) for one in replayed.moves for uid in one.breaches}
    expected = one_by_one(ASKING)
    assert len(expected) > 4
    assert said == expected
    assert replayed.reports == 80
    assert sum(one.count for one in replayed.moves) == len(expected)


def test_a_page_of_reports_costs_a_fixed_number_of_statements(cast, monkeypatch):
    monkeypatch.setattr(replay, "PAGE", 3)
    for _ in range(6):
        report(cast)
    with CaptureQueriesContext(connection) as queries:
        assert replay.replay(Criteria.parse(MILDER)).reports == 6
    assert len(queries) <= 3 * 2 + 1


def test_all_are_counted_even_where_not_all_are_named(cast, monkeypatch):
    monkeypatch.setattr(replay, "MOST_NAMED", 2)
    for _ in range(3):
        confirm(cast, report(cast))
    (move,) = replay.replay(Criteria.parse(MILDER)).moves
    assert (move.count, len(move.breaches)) == (3, 2)


def stored(cast, content=MILDER):
    with doing(cast.physician):
        version = guide.draft_criteria(content=content, by=cast.physician, at=MONDAY)
        return guide.replay_criteria(version=version, site=cast.site, by=cast.physician, at=MONDAY)


def test_a_stored_replay_keeps_its_text_its_site_and_who_would_move_in_which_move(cast):
    first, second = report(cast), report(cast)
    confirm(cast, first)
    confirm(cast, second)
    kept = stored(cast)
    assert (kept.sha256, kept.site, kept.reports) == (kept.version.sha256, cast.site, 2)
    ((move, named),) = replay.by_move(kept)
    assert (move["before"], move["after"], move["count"]) == ("high", "none", 2)
    assert named == [str(first.uid), str(second.uid)]


def test_a_replay_moves_nobody(cast):
    breach = report(cast)
    confirm(cast, breach)
    before = list(breach.assessments.values_list("uid", "treated_as"))
    stored(cast)
    assert list(breach.assessments.values_list("uid", "treated_as")) == before


def test_reviewing_these_people_makes_one_task_each_for_the_nurse_and_moves_nobody(cast):
    breach = report(cast)
    confirm(cast, breach)
    kept = stored(cast)
    with doing(cast.physician):
        assert guide.review_moved(stored=kept, by=cast.physician, at=MONDAY) == 1
        assert guide.review_moved(stored=kept, by=cast.physician, at=MONDAY) == 0
    task = Promise.objects.get(kind="review")
    assert (task.breach, task.site, task.due_at) == (breach, cast.site, MONDAY + timedelta(hours=24))
    assert "ebola 2026.1" in task.title
    assert breach.assessments.last().treated_as == "high"


@pytest.mark.parametrize("who", ["nurse", "observer", "lead", "auditor", "administrator", "outsider"])
def test_nobody_but_a_physician_of_their_site_has_these_people_reviewed(cast, who):
    breach, by = report(cast), getattr(cast, who)
    confirm(cast, breach)
    kept = stored(cast)
    with doing(by), pytest.raises(PermissionDenied):
        guide.review_moved(stored=kept, by=by, at=MONDAY)
    assert not Promise.objects.filter(kind="review").exists()
