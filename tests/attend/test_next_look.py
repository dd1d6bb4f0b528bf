"""Whoever has an alert watches it, or has it measured again, until a next look that they set: at most so late as the
criteria allow, as often as needed, and it pages when that has passed."""

import pytest
from django.core.exceptions import PermissionDenied
from django.urls import reverse

from exposure.attend.models import Alert, AlertEntry, OtherDecision
from exposure.pipeline import attend
from exposure.refusal import BadSubmission, Conflict, NotYet
from tests.api.conftest import Caller
from tests.attend.test_outcomes import close, words
from tests.cast import MONDAY, doing
from tests.walk import follow_up_told_and_confirmed, hours, log, sweep_at

pytestmark = pytest.mark.database
EVENING = MONDAY + hours(11)
WAITS = "Paracetamol wears off."


@pytest.fixture
def alert(cast):
    """A fever in the evening, which Nora has."""
    follow_up_told_and_confirmed(cast)
    log(cast, at=EVENING, temperature="38.4")
    with doing(cast.nurse, at=EVENING):
        return attend.acknowledge_alert(alert=Alert.objects.get(cause="fever"), by=cast.nurse, at=EVENING)


def look(alert, kind="watch", *, by, at=EVENING, note=WAITS, **said):
    with doing(by, at=at):
        return attend.look_again(alert=alert, kind=kind, note=note, by=by, at=at, **said)


@pytest.mark.parametrize("door", ["page", "api"])
@pytest.mark.parametrize("kind", ["watch", "repeat"])
def test_the_holder_sets_it_at_either_door_and_it_pages_when_it_has_passed(
    cast, client, alert, door, kind, standing_clock
):
    standing_clock(EVENING)
    client.force_login(cast.nurse)
    sent = {"kind": kind, "hours": 2, "note": WAITS, "times": 1}
    if door == "page":
        assert "Set the next look" in words(client.get(reverse("alert", args=[alert.uid])))
        assert client.post(reverse("alert_look", args=[alert.uid]), sent).status_code == 302
    else:
        answer = Caller(cast.nurse).post(f"alerts/{alert.uid}/look/", sent)
        assert answer.json()["next_look_at"] == "2026-03-02T22:00:00Z"
    entry = alert.entries.last()
    assert (entry.kind, entry.because, entry.recorded_by) == (kind, WAITS, cast.nurse.actor)
    assert WAITS in words(client.get(reverse("alert", args=[alert.uid])))
    sweep_at(EVENING + hours(2) - hours(0.01))
    assert Alert.objects.get(pk=alert.pk).held_by == cast.nurse
    sweep_at(EVENING + hours(2))
    again = Alert.objects.get(pk=alert.pk)
    assert (again.round, again.held_by, again.entries.last().kind) == (2, None, AlertEntry.Kind.LOOK_DUE)


def test_it_is_set_anew_as_often_as_needed_and_a_double_tap_is_one(cast, alert):
    look(alert, by=cast.nurse)
    later = EVENING + hours(3)
    for _tap in range(2):
        assert look(alert, "repeat", by=cast.nurse, at=later, hours=1).next_look_at == later + hours(1)
    assert alert.promises.open().get().due_at == later + hours(1)
    assert [entry.kind for entry in alert.entries.all()] == ["raised", "acknowledged", "watch", "repeat"]


@pytest.mark.parametrize(
    ("wrong", "pointer"),
    [
        ({"hours": 0}, "/hours"),
        ({"hours": 5}, "/hours"),  # ebola 2023.1: next_look_hours 4
        ({"hours": 10**20}, "/hours"),
        ({"note": " "}, "/note"),
        ({"kind": "sleep"}, "/kind"),
    ],
)
def test_a_look_too_late_or_without_a_reason_is_refused_at_its_field(cast, alert, wrong, pointer):
    before = alert.next_look_at
    with pytest.raises(BadSubmission) as refused:
        look(alert, **{"by": cast.nurse, **wrong})
    assert [problem.pointer for problem in refused.value.problems] == [pointer]
    assert Alert.objects.get(pk=alert.pk).next_look_at == before


def test_who_does_not_have_it_learns_who_has_and_what_was_sent_is_kept(cast, client, alert, standing_clock):
    standing_clock(EVENING)
    client.force_login(cast.physician)
    assert "Set the next look" not in words(client.get(reverse("alert", args=[alert.uid])))
    sent = {"kind": "watch", "hours": 4, "note": WAITS}
    answer = Caller(cast.physician).post(f"alerts/{alert.uid}/look/", sent)
    assert (answer.status_code, answer.json()["standing"]["by"]) == (409, "Nora Teal")
    assert OtherDecision.objects.get().sent == sent
    assert "Another decision, kept" in words(client.get(reverse("alert", args=[alert.uid])))


def test_over_what_came_or_was_closed_nobody_sets_a_look(cast, alert):
    log(cast, at=EVENING + hours(1), temperature="39.9")
    with pytest.raises(Conflict):
        look(alert, by=cast.nurse, at=EVENING + hours(1), times=1)
    with pytest.raises(NotYet):
        look(alert, by=cast.nurse, at=EVENING + hours(1), times=2)
    close(alert, "evaluated", by=cast.physician, at=EVENING + hours(2))
    with pytest.raises(Conflict):
        look(alert, by=cast.nurse, at=EVENING + hours(2))
    assert not alert.promises.open().exists()


@pytest.mark.parametrize("who", ["observer", "lead", "auditor", "administrator", "outsider"])
def test_only_the_sites_clinicians_set_it(cast, alert, who):
    with pytest.raises(PermissionDenied):
        look(alert, by=getattr(cast, who))
