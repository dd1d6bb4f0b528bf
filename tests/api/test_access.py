"""Who gets in, and who sees and does what: 401, 403 and 404."""

from datetime import timedelta
from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from django.test import Client

from exposure.models import AccessEntry, ApiToken, Breach
from exposure.people import tokens
from tests.cast import MONDAY, doing

pytestmark = pytest.mark.database
PROBLEM = "application/problem+json"


def _challenged(answer):
    assert answer.status_code == 401
    assert answer["WWW-Authenticate"].startswith("Bearer")
    assert answer["Content-Type"] == PROBLEM
    return True


def test_without_a_token_or_session_nothing_is_answered(db):
    for path in ("breaches/", "criteria/", "schema/", "no-such-address/"):
        assert _challenged(Client().get(f"/api/v1/{path}"))


def test_a_wrong_token_is_challenged_even_with_a_session(anybody):
    for value in ("Bearer", "Bearer exposure_guess", "Bearer \xff\xfe", "bearer a b c"):
        client = Client(headers={"authorization": value})
        client.force_login(anybody.token.user)
        assert _challenged(client.get("/api/v1/breaches/"))


def test_a_token_ends_when_it_expires(anybody, standing_clock):
    standing_clock(anybody.token.expires_at - timedelta(seconds=1))
    assert anybody.get("breaches/").status_code == 200
    standing_clock(anybody.token.expires_at)
    assert _challenged(anybody.get("breaches/"))


def test_a_revoked_token_ends_at_once(anybody):
    with doing("command:tests"):
        assert tokens.revoke(anybody.token.user, at=MONDAY) == 1
    assert _challenged(anybody.get("breaches/"))


def test_an_account_that_is_switched_off_ends_its_tokens(anybody):
    anybody.token.user.is_active = False
    with doing("command:tests"):
        anybody.token.user.save()
    assert _challenged(anybody.get("breaches/"))


def test_only_the_hash_of_a_token_is_kept(anybody):
    key = anybody.key
    stored = ApiToken.objects.values().get()
    assert key.startswith("exposure_")
    assert not any(key in str(value) for value in stored.values())


def test_the_command_prints_a_token_that_works(anybody, standing_clock):
    out, told = StringIO(), StringIO()
    call_command("token", "anybody", days=2, stdout=out, stderr=told)
    client = Client(headers={"authorization": f"Bearer {out.getvalue().strip()}"})
    assert client.get("/api/v1/breaches/").status_code == 200
    assert "2026-03-04" in told.getvalue()
    standing_clock(MONDAY + timedelta(days=2))
    assert client.get("/api/v1/breaches/").status_code == 401


def test_the_command_revokes_all_tokens_of_an_account(anybody):
    out = StringIO()
    call_command("token", "anybody", "--revoke", stdout=out)
    assert "revoked: 1" in out.getvalue()
    assert _challenged(anybody.get("breaches/"))


@pytest.mark.parametrize(
    "arguments", [["nobody"], ["anybody", "--days", "0"], ["anybody", "--days", "9999999999"]]
)
def test_the_command_refuses_with_one_line(anybody, arguments):
    with pytest.raises(CommandError):
        call_command("token", *arguments, stdout=StringIO())
    assert ApiToken.objects.count() == 1


def test_a_session_writes_only_with_its_csrf_token(cast):
    client = Client(enforce_csrf_checks=True)
    client.force_login(cast.observer)
    without = client.post("/api/v1/breaches/", cast.body(), content_type="application/json")
    assert (without.status_code, without["Content-Type"]) == (403, PROBLEM)
    assert not Breach.objects.exists()
    client.get("/account/login/")
    client.cookies["csrf"] = "a" * 32
    headers = {"x-csrftoken": "a" * 32}
    answer = client.post("/api/v1/breaches/", cast.body(), content_type="application/json", headers=headers)
    assert answer.status_code == 201


ACTIONS = [
    ("confirm/", {"note": "No."}),
    ("override/", {"tier": "none", "reason": "No."}),
    ("told/", {"by": "phone"}),
]


def test_a_reporter_sees_the_report_and_may_not_decide_on_it(calls, reported):
    assert calls("observer").get(f"breaches/{reported['id']}/").status_code == 200
    for action, body in ACTIONS:
        answer = calls("observer").post(f"breaches/{reported['id']}/{action}", body)
        assert (answer.status_code, answer["Content-Type"]) == (403, PROBLEM)


def test_what_is_not_yours_answers_like_what_is_not_there(calls, reported):
    for name in ("worker", "lead", "auditor", "administrator", "outsider"):
        there = calls(name).get(f"breaches/{reported['id']}/")
        nowhere = calls(name).get("breaches/00000000-0000-4000-8000-000000000000/")
        assert (there.status_code, nowhere.status_code) == (404, 404)
        assert there.content == nowhere.content
        assert calls(name).post(f"breaches/{reported['id']}/confirm/", {}).status_code == 404
        assert calls(name).get("breaches/").json()["results"] == []


LISTS = ["follow-ups/", "alerts/", "tasks/", "calls/", "cases/", "removals/"]


def test_clinical_lists_are_empty_to_all_but_clinicians_of_the_site(calls, followed):
    for name in ("observer", "lead", "auditor", "administrator", "outsider"):
        assert [calls(name).get(path).json()["results"] for path in LISTS] == [[]] * len(LISTS)
        for path in ("", "checks/", "exposures/"):
            assert calls(name).get(f"follow-ups/{followed}/{path}").status_code == 404
        assert calls(name).post(f"follow-ups/{followed}/clear/").status_code == 404


def test_nobody_sees_or_decides_on_their_own_record(calls, cast, followed, reported):
    cast.worker.user = cast.nurse
    with doing("command:tests"):
        cast.worker.save()
    nurse = calls("nurse")
    assert nurse.get(f"breaches/{reported['id']}/").status_code == 404
    override = {"tier": "none", "reason": "I am fine."}
    assert nurse.post(f"breaches/{reported['id']}/override/", override).status_code == 404
    assert nurse.post(f"follow-ups/{followed}/clear/").status_code == 403  # seen as a worker sees it
    assert nurse.post("calls/", {"worker": cast.worker.number, "answered": True}).status_code == 404
    assert calls("nurse2").get(f"follow-ups/{followed}/").status_code == 200


def test_a_reporter_sees_their_own_words_and_no_tier(calls, reported):
    got = calls("observer").get(f"breaches/{reported['id']}/").json()
    assert got["facts"] == {"contact": "splash", "skin": "intact"}
    assert not {"assessments", "follow_ups", "flags", "person", "confirmed_at"} & set(got)


def test_opening_a_detail_is_noted_each_time_with_whom_it_is_about(calls, cast, followed):
    before = AccessEntry.objects.filter(kind="detail").count()
    for _ in range(2):
        calls("nurse").get(f"follow-ups/{followed}/")
    looks = AccessEntry.objects.filter(kind="detail")[before:]
    assert [(look.user, look.subject, look.about) for look in looks] == [
        (cast.nurse, f"follow-up:{followed}", cast.worker.uid)
    ] * 2


def test_a_list_is_noted_once_per_filter_and_hour(calls, cast, standing_clock):
    for minutes in (0, 30, 61):
        standing_clock(MONDAY + timedelta(minutes=minutes))
        calls("nurse").get("alerts/")
        calls("nurse").get("alerts/", open="true", cursor="")
    looks = AccessEntry.objects.filter(user=cast.nurse, kind="list").values_list("subject", "hour")
    hours = (MONDAY, MONDAY + timedelta(hours=1))
    assert sorted(looks) == sorted(
        (subject, hour)
        for subject in ("API /api/v1/alerts/?", "API /api/v1/alerts/?open=True")
        for hour in hours
    )
