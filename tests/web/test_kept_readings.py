"""What a phone keeps for when it has no connection, and the readings that it sends afterwards."""

import json
import re
from datetime import timedelta
from uuid import uuid4

import pytest
from django.urls import reverse

from exposure.attend.models import Alert
from exposure.followup.models import Reading, UnplacedReading
from exposure.web.account.sessions import OWN_DEVICE
from exposure.web.worker.offline import keys_of
from tests.cast import MONDAY
from tests.web.wim import EVENING, ID, monitored, report

pytestmark = pytest.mark.database

HOUR = timedelta(hours=1)
NEVER_KEPT = re.compile(r"csrfmiddlewaretoken|form_owner|Wim|ebola", re.IGNORECASE)


def kit(wim, at, own=True):
    session = wim.client.session
    session[OWN_DEVICE] = own
    session.save()
    return wim.get("kept_reading", at).json()


def send(wim, at, noted=EVENING, **changes):
    wim.clock(at)
    fields = {
        "temperature": "36.8",
        "unit": "C",
        "method": "oral",
        "symptoms": ["none"],
        "zone": "Europe/Lisbon",
    }
    fields |= {"submission_id": str(uuid4()), "noted_at": noted.isoformat()}
    return wim.client.post(reverse("kept_reading"), {**fields, **changes})


def test_a_phone_of_ones_own_gets_a_key_and_the_page_and_any_other_device_neither(cast, wim):
    monitored(cast)
    given = kit(wim, EVENING)
    assert given["keys"] == keys_of(cast.worker.user)
    assert 'name="temperature"' in given["html"]
    assert f'href="tel:{cast.site.phone.replace(" ", "")}"' in given["html"]
    assert given["windows"][0] == ["2026-03-02T18:00:00Z", "2026-03-02T22:00:00Z"]
    assert not NEVER_KEPT.search(given["html"])
    assert kit(wim, EVENING, own=False) == {"keys": []}


def test_each_account_has_a_key_of_its_own_and_keeps_it_when_the_secret_is_changed(cast, settings):
    settings.SECRET_KEY, settings.SECRET_KEY_FALLBACKS = "old", []
    [old] = keys_of(cast.worker.user)
    assert old not in keys_of(cast.observer)
    settings.SECRET_KEY, settings.SECRET_KEY_FALLBACKS = "new", ["old"]
    new, before = keys_of(cast.worker.user)
    assert (before, new != old) == (old, True)


def test_whom_nobody_has_told_keeps_a_number_and_nothing_else(cast, wim):
    report(cast)
    html = kit(wim, EVENING)["html"]
    assert "Please ring" in html
    assert "<form" not in html
    assert kit(wim, EVENING)["windows"] == []


def test_a_stop_that_stands_is_kept_first(cast, wim):
    monitored(cast)
    send(wim, EVENING, temperature="38.4")
    html = kit(wim, EVENING + HOUR)["html"]
    assert html.index("Stop, and call") < html.index('name="temperature"')
    assert reverse("telephoned") not in html  # it cannot be sent from there


def test_a_reading_keeps_the_time_at_which_it_was_noted_and_the_receipt_carries_its_id(cast, wim):
    monitored(cast)
    mine = str(uuid4())
    receipt = send(wim, EVENING + 5 * HOUR, submission_id=mine).json()
    reading = Reading.objects.get()
    assert receipt == {
        "id": mine,
        "taken": True,
        "stop": False,
        "page": reverse("reading_taken", args=[reading.uid]),
    }
    assert (reading.taken_at, reading.recorded_at) == (EVENING, EVENING + 5 * HOUR)
    assert reading.state == "recorded"


def test_a_time_that_was_typed_is_by_the_clock_where_it_was_typed(cast, wim):
    monitored(cast)
    send(wim, EVENING + HOUR, taken_at="2026-03-02T15:00", zone="America/Halifax")
    assert Reading.objects.get().taken_at == EVENING  # 15:00 in Halifax, UTC-4 in winter


def test_sent_again_it_is_the_same_reading(cast, wim):
    monitored(cast)
    mine = str(uuid4())
    answers = [send(wim, EVENING + hours * HOUR, submission_id=mine).json() for hours in (1, 2)]
    assert answers[0] == answers[1]
    assert Reading.objects.count() == 1


def test_what_had_arrived_before_the_connection_went_is_not_taken_twice(cast, wim):
    monitored(cast)
    page = wim.get("today", EVENING).content.decode()
    mine = ID.search(page)[1]
    wim.post(EVENING, submission_id=mine)
    assert send(wim, EVENING + HOUR, submission_id=mine).json()["taken"] is True
    assert Reading.objects.count() == 1
    # Something else under the same id is another reading all the same: it must not be lost.
    assert send(wim, EVENING + HOUR, submission_id=mine, temperature="37.0").json()["id"] == mine
    assert Reading.objects.count() == 2


@pytest.mark.parametrize(
    ("changes", "stop", "kept"),
    [({}, False, 0), ({"temperature": "38.4"}, True, 1)],
)
def test_one_too_late_is_refused_with_the_reason_and_a_fever_in_it_is_kept_and_alerts(
    cast, wim, changes, stop, kept
):
    monitored(cast)
    refused = send(wim, EVENING + 49 * HOUR, **changes)
    said = refused.json()
    assert (refused.status_code, said["taken"], said["stop"]) == (422, False, stop)
    assert said["because"]
    assert UnplacedReading.objects.count() == kept
    assert Alert.objects.filter(cause="fever").count() == kept


@pytest.mark.parametrize("changes", [{"submission_id": "no id"}, {"submission_id": ""}])
def test_without_an_id_nothing_is_taken(cast, wim, changes):
    monitored(cast)
    answer = send(wim, EVENING, **changes)
    assert (answer.status_code, answer.json()["taken"]) == (422, False)
    assert not Reading.objects.exists()


def test_signed_out_it_leads_to_the_sign_in_page_and_says_nothing_of_the_reading(cast, wim):
    monitored(cast)
    wim.client.logout()
    answer = send(wim, EVENING)
    assert answer.status_code == 302
    assert answer.url.startswith(reverse("account_login"))
    assert not Reading.objects.exists()


# The page that the browser keeps


def test_the_page_for_when_there_is_no_connection_is_the_same_for_everybody(cast, wim, client):
    wim.clock(MONDAY)
    kept = client.get(reverse("offline")).content.decode()
    assert wim.client.get(reverse("offline")).content.decode() == kept
    assert cast.worker.user.full_name not in kept
    assert cast.site.phone.replace(" ", "") in kept


def test_what_the_browser_keeps_is_all_there(client, db):
    script = client.get(reverse("service_worker")).content.decode()
    shell = json.loads(re.match(r"const SHELL = (.*);\n", script)[1])
    for address in (shell["page"], *shell["pages"]):
        assert client.get(address).status_code in (200, 302), address
    page = client.get(shell["page"]).content.decode()
    for address in re.findall(r'(?:href|src)="(/static/[^"]+)"', page):
        assert address in shell["files"], address


# Three weeks


def test_every_reading_of_three_weeks_is_taken_whether_it_was_sent_at_once_or_kept(cast, wim):
    follow_up = monitored(cast)
    checks = list(follow_up.checks.filter(withdrawn_at=None))
    assert len(checks) == 43  # the evening of the day itself, and two a day for 21 days
    for number, check in enumerate(checks):
        if number % 2:
            said = send(wim, check.closes_at - HOUR / 2, noted=check.due_at).json()
            assert said["taken"], number
        else:
            wim.post(check.due_at, follow=False, submission_id=str(uuid4()))
    readings = Reading.objects.order_by("taken_at")
    assert [reading.taken_at for reading in readings] == [check.due_at for check in checks]
    assert {reading.state for reading in readings} == {"recorded"}
    assert "No further reading is planned" in wim.get("today", checks[-1].closes_at).content.decode()
