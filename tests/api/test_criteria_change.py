"""Criteria on their way into practice, over the API."""

import pytest
from rest_framework.test import APIClient

from exposure.classify.versions import unticked
from exposure.pipeline import guide
from tests.cast import MONDAY, doing
from tests.classify.milder import MILDER, confirm, report

pytestmark = pytest.mark.database

ADDRESS = "/api/v1/criteria/ebola/2026.1/"


@pytest.fixture
def call(cast, standing_clock):
    """Returns a function that posts as somebody."""
    standing_clock(MONDAY)

    def post(who, what, body=None):
        client = APIClient()
        client.force_login(getattr(cast, who))
        return client.post(f"{ADDRESS}{what}/", body or {}, format="json")

    return post


@pytest.fixture
def draft(cast):
    with doing(cast.physician):
        return guide.draft_criteria(content=MILDER, by=cast.physician, at=MONDAY)


def tick_all(cast, version):
    with doing(cast.physician):
        for row in unticked(version):
            guide.tick_criteria(version=version, row=row, by=cast.physician, at=MONDAY)


AT_SALTMARSH = {"site": "saltmarsh"}


def test_a_replay_says_who_would_move_by_which_rule(cast, call, draft):
    breach = report(cast)
    confirm(cast, breach)
    answer = call("physician", "replay", AT_SALTMARSH)
    assert answer.status_code == 201
    shown = answer.json()
    assert (shown["site"], shown["reports"], shown["sha256"]) == ("saltmarsh", 1, draft.sha256)
    assert shown["moves"] == [
        {
            "before": "high",
            "after": "none",
            "settled": True,
            "rules": [],
            "count": 1,
            "breaches": [str(breach.uid)],
        }
    ]


def test_replays_are_listed_for_their_site(cast, call, draft):
    call("physician", "replay", AT_SALTMARSH)
    client = APIClient()
    client.force_login(cast.physician)
    listed = client.get(f"{ADDRESS}replay/", AT_SALTMARSH)
    assert [one["site"] for one in listed.json()["results"]] == ["saltmarsh"]


@pytest.mark.parametrize("what", ["replay", "approve"])
def test_a_site_that_is_missing_or_unknown_is_refused_at_its_field(cast, call, draft, what):
    for body in ({}, {"site": "nowhere"}):
        answer = call("physician", what, body)
        assert answer.status_code == 400
        assert answer.json()["errors"][0]["pointer"] == "#/site"


@pytest.mark.parametrize("what", ["replay", "propose", "approve"])
def test_who_may_see_criteria_and_not_decide_gets_403(cast, call, draft, what):
    assert call("nurse", what, AT_SALTMARSH).status_code == 403


def test_the_replays_of_a_site_are_not_for_everybody(cast, call, draft):
    client = APIClient()
    client.force_login(cast.observer)
    assert client.get(f"{ADDRESS}replay/", AT_SALTMARSH).status_code == 403


def test_a_version_that_is_not_there_is_404(cast, call):
    assert call("physician", "propose").status_code == 404


def test_proposed_replayed_ticked_and_approved_by_the_other_physician_it_is_in_force(cast, call, draft):
    assert call("physician", "propose").json()["proposed_at"] is not None
    tick_all(cast, draft)
    call("physician", "replay", AT_SALTMARSH)
    answer = call("physician2", "approve", AT_SALTMARSH)
    assert answer.status_code == 200
    shown = answer.json()
    assert (shown["site"], shown["signed"]) == ("saltmarsh", ["physician", "physician2"])
    assert shown["adopted_at"].startswith("2026-03-02T09:00:00")
    assert call("physician2", "approve", AT_SALTMARSH).status_code == 200


def test_what_stands_in_the_way_comes_as_codes(cast, call, draft):
    call("physician", "propose")
    answer = call("physician", "approve", AT_SALTMARSH)
    assert answer.status_code == 409
    assert answer.json()["reasons"] == ["unticked", "not_replayed", "editor", "same_person"]
