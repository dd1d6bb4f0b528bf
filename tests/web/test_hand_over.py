"""What waits is handed over from its line: who has it then, who is told, who is refused. That a page which the receiver
does not answer goes on to the next on call is common practice, no source."""

import re
from datetime import timedelta

import pytest
from django.urls import reverse

from exposure.attend.models import Alert, Promise
from exposure.interop.handover import sheet_of
from exposure.people.models import OnCall
from exposure.pipeline import attend, hand_over
from exposure.remind.models import Message
from exposure.web.bidi import isolated
from tests.api.conftest import Caller
from tests.cast import MONDAY, doing
from tests.walk import hours, log, report, sweep_at
from tests.web.nora import words

pytestmark = pytest.mark.database
NOW = MONDAY + hours(2)


@pytest.fixture
def fever(cast, standing_clock):
    standing_clock(NOW)
    report(cast)
    log(cast, at=NOW, temperature="39.1")
    return Alert.objects.get(cause="fever")


def give(alert, to, *, by, at=NOW, holder=""):
    with doing(by, at=at):
        return hand_over.hand_over_alert(alert=alert, to=to, holder=holder, times=alert.times, by=by, at=at)


def on_duty(cast, *places):
    with doing("command:tests"):
        for place, user in enumerate(places, 1):
            OnCall.objects.create(
                site=cast.site, user=user, place=place, from_at=MONDAY, until_at=MONDAY + hours(24)
            )


def told_by(at):
    sweep_at(at)
    rows = Message.objects.filter(alert__cause="fever").order_by("created_at", "pk")
    return list(rows.values_list("user__name", flat=True))


def test_the_receiver_is_told_as_of_a_page_and_until_they_take_it_the_next_on_call_is_told(cast, fever):
    on_duty(cast, cast.nurse, cast.physician)
    assert told_by(NOW) == ["nurse"]
    give(fever, "nurse2", by=cast.nurse, at=NOW + timedelta(minutes=5))
    assert told_by(NOW + timedelta(minutes=19)) == ["nurse", "nurse2"]
    fever.refresh_from_db()
    assert (fever.held_by, fever.acknowledged_at) == (cast.nurse2, None)
    assert told_by(NOW + timedelta(minutes=20)) == ["nurse", "nurse2", "physician"]


def test_an_alert_that_was_seen_is_given_on_as_unseen_and_taken_by_the_receiver_it_climbs_no_further(
    cast, fever
):
    on_duty(cast, cast.nurse, cast.physician)
    told_by(NOW)
    with doing(cast.nurse, at=NOW):
        attend.acknowledge_alert(alert=fever, by=cast.nurse, at=NOW)
    give(fever, "Ned Plum", by=cast.nurse, holder="nurse")
    later = NOW + timedelta(minutes=4)
    with doing(cast.nurse2, at=later):
        attend.acknowledge_alert(alert=Alert.objects.get(pk=fever.pk), by=cast.nurse2, at=later)
    fever.refresh_from_db()
    assert (fever.held_by, fever.acknowledged_at) == (cast.nurse2, later)
    assert fever.next_look_at is not None
    assert told_by(NOW + hours(1)) == ["nurse", "nurse2"]
    kinds = list(fever.entries.values_list("kind", flat=True))
    assert kinds == ["raised", "acknowledged", "given", "acknowledged"]


def test_it_is_given_from_its_line_and_everywhere_says_who_has_it(cast, fever, client):
    client.force_login(cast.nurse)
    queue = client.get(reverse("needs_action")).content.decode()
    assert f'<option value="nurse2">{isolated(cast.nurse2.full_name)}</option>' in queue
    address = reverse("alert_hand_over", args=[fever.uid])
    assert f'action="{address}?from=needs_action"' in queue
    answer = client.post(f"{address}?from=needs_action", {"to": "nurse2", "holder": "", "times": "1"})
    assert answer.url == f"{reverse('needs_action')}#person-{cast.worker.uid}"
    assert "Ned Plum given, not yet taken" in words(client.get(reverse("needs_action")))
    assert "Ned Plum: given, not yet taken" in words(client.get(reverse("person", args=[cast.worker.uid])))
    assert "Ned Plum" in words(client.get(reverse("alert", args=[fever.uid])))
    [line] = sheet_of(cast.site, at=NOW).lines
    assert any("(Ned Plum)" in one for one in line.wrong)
    [found] = [one for one in Caller(cast.nurse).get("alerts/").json()["results"] if one["cause"] == "fever"]
    assert (found["held_by"], found["acknowledged_at"]) == ("nurse2", None)


def test_a_task_is_taken_and_given_from_its_line_and_the_hand_over_list_says_who_has_it(cast, fever, client):
    task = Promise.objects.filter(kind="task").first()
    client.force_login(cast.nurse)
    address = reverse("hand_over", args=[task.uid])
    client.post(address, {"to": "nurse", "holder": ""})
    task.refresh_from_db()
    assert task.held_by == cast.nurse
    refused = client.post(address, {"to": "nurse2", "holder": ""})
    assert "Somebody was before you (Nora Teal, Mon 2 Mar, 11:00): Handed over to Nora Teal." in words(
        refused
    )
    holder = re.search(r'name="holder" value="([^"]+)"', refused.content.decode())[1]
    assert client.post(address, {"to": "nurse2", "holder": holder}).status_code == 302
    assert "Ned Plum has it." in words(client.get(reverse("person", args=[cast.worker.uid])))
    for user, label in ((cast.nurse2, True), (cast.nurse, False)):
        client.force_login(user)
        assert ("yours 1" in words(client.get(reverse("needs_action")))) is label
    client.force_login(cast.nurse2)
    assert "Wim Alder" in words(client.get(reverse("needs_action"), {"cause": "mine"}))
    [line] = sheet_of(cast.site, at=NOW).lines
    assert any("(Ned Plum)" in one for one in line.tasks)
    tasks = Caller(cast.nurse).get("tasks/").json()["results"]
    assert {one["held_by"] for one in tasks if one["id"] == str(task.uid)} == {"nurse2"}


@pytest.mark.parametrize("to", ["observer", "outsider", "nobody-at-all", " "])
def test_whoever_has_no_role_there_is_refused_at_the_field_alike(cast, fever, client, to):
    client.force_login(cast.nurse)
    page = words(client.post(reverse("alert_hand_over", args=[fever.uid]), {"to": to, "times": "1"}))
    said = f"Nobody of this name works as nurse or physician at {cast.site.name}."
    assert ("Not answered yet: To whom?" if to == " " else said) in page
    task = Promise.objects.filter(kind="task").first()
    for path in (f"alerts/{fever.uid}/hand-over/", f"tasks/{task.uid}/hand-over/"):
        answer = Caller(cast.nurse).post(path, {"to": to})
        assert answer.status_code == 400
        assert [error["pointer"] for error in answer.json()["errors"]] == ["#/to"]
    fever.refresh_from_db()
    assert fever.held_by is None


def test_nobody_is_given_what_is_about_themselves(cast, fever):
    with doing("command:tests"):
        cast.worker.user = cast.nurse2
        cast.worker.save()
    fever.refresh_from_db()
    answer = Caller(cast.nurse).post(f"alerts/{fever.uid}/hand-over/", {"to": "nurse2"})
    assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (400, "#/to")


def test_a_closed_alert_is_given_to_nobody(cast, fever, client):
    with doing(cast.nurse, at=NOW):
        attend.close_alert(alert=fever, outcome="evaluated", note="A cold.", by=cast.nurse, at=NOW)
    client.force_login(cast.nurse)
    page = client.post(reverse("alert_hand_over", args=[fever.uid]), {"to": "nurse2", "times": "1"})
    assert "The alert is closed by now." in words(page)
    assert not Message.objects.exists()
