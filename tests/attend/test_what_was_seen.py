"""An alert is acknowledged, taken over and closed as it was read: where it has happened again since, the decision is
not taken, what came is said, and nothing typed is lost."""

import re
from dataclasses import dataclass, field
from html import unescape
from typing import Any

import pytest
from django.db import transaction
from django.urls import reverse

from exposure.attend.alerts import raise_alert
from exposure.attend.models import Alert, OtherDecision
from exposure.pipeline import attend
from exposure.refusal import Conflict
from tests.api.conftest import Caller
from tests.cast import MONDAY, doing
from tests.walk import hours

pytestmark = pytest.mark.database
LATER = MONDAY + hours(1)


@dataclass(frozen=True)
class Deed:
    """`page` and `path` are its two doors, `sent` what goes through them, `held` whether another has the alert."""

    code: str
    page: str
    path: str
    sent: dict[str, Any] = field(default_factory=dict)
    held: bool = False

    def is_done(self, alert):
        return alert.closed_at is not None if self.code == "close" else alert.held_by_id is not None


DEEDS = (
    Deed("acknowledge", "alert_acknowledge", "acknowledge"),
    Deed("take", "alert_acknowledge", "acknowledge", held=True),
    Deed("close", "alert_close", "close", {"outcome": "evaluated", "note": "A cold; stays at home."}),
)
each = pytest.mark.parametrize("deed", DEEDS, ids=lambda deed: deed.code)


def come(cast, words, weight, at=MONDAY):
    with doing("command:tests", at=at), transaction.atomic():
        return raise_alert(cast.worker, "fever", words, site=cast.site, at=at, urgent=True, weight=weight)


@pytest.fixture
def alert(cast, deed):
    """Read as 38.0, by a nurse who decides an hour later; 40.5 has come by then only where a test says so."""
    alert = come(cast, "38.0 C is a fever.", 38)
    if deed.held:
        with doing(cast.physician):
            attend.acknowledge_alert(alert=alert, by=cast.physician, at=MONDAY)
    alert.refresh_from_db()
    return alert


@pytest.fixture
def nurse(cast, client, standing_clock):
    standing_clock(LATER)
    client.force_login(cast.nurse)
    return client


def hidden(page, address):
    """The hidden fields of the form that is sent to that address; of the page's own form where it names none."""
    forms = re.findall(r"<form[^>]*>.*?</form>", page.content.decode().partition("<main")[2], re.S)
    [form] = [form for form in forms if f'action="{address}"' in form] or [
        form for form in forms if "action=" not in form
    ]
    found = re.findall(r'<input type="hidden" name="(\w+)"(?: value="([^"]*)")?', form)
    return {name: value for name, value in found if name not in ("csrfmiddlewaretoken", "form_owner")}


def words(page):
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", page.content.decode())).split())


@each
@pytest.mark.parametrize("road", ["from the alert", "from the deed's page"])
def test_on_the_page_it_is_refused_with_what_came_and_the_form_comes_back_filled_in(
    cast, nurse, alert, deed, road
):
    address = reverse(deed.page, args=[alert.uid])
    shown = nurse.get(reverse("alert", args=[alert.uid]) if road == "from the alert" else address)
    assert "38.0 C is a fever." in words(shown)
    come(cast, "40.5 C is a fever.", 40, at=LATER)
    answer = nurse.post(address, {**deed.sent, **hidden(shown, address)})
    assert answer.status_code == 200
    assert (
        "It has happened again since you opened this page (Mon 2 Mar, 10:00): 40.5 C is a fever. "
        "Nothing was decided." in words(answer)
    )
    assert deed.sent.get("note", "") in answer.content.decode()
    alert.refresh_from_db()
    assert not deed.is_done(alert)
    assert nurse.post(address, {**deed.sent, **hidden(answer, address)}).status_code == 302
    alert.refresh_from_db()
    assert deed.is_done(alert)


@each
def test_over_the_api_it_is_409_with_what_came_and_what_was_sent_is_kept_once(
    cast, alert, deed, standing_clock
):
    standing_clock(LATER)
    nurse = Caller(cast.nurse)
    path = f"alerts/{alert.uid}/{deed.path}/"
    body = {**deed.sent, **({"holder": "physician"} if deed.held else {})}
    come(cast, "40.5 C is a fever.", 40, at=LATER)
    newest = alert.entries.last()
    for _again in range(2):
        answer = nurse.post(path, {**body, "times": 1})
        assert (answer.status_code, answer["Content-Type"]) == (409, "application/problem+json")
        assert answer.json()["standing"] == {
            "type": "alertentry",
            "id": str(newest.uid),
            "by": "command:tests",
            "at": LATER.isoformat(),
            "decision": "40.5 C is a fever.",
        }
    alert.refresh_from_db()
    assert not deed.is_done(alert)
    kept = OtherDecision.objects.get()
    assert (kept.recorded_by, kept.subject) == (cast.nurse.actor, f"alertentry:{newest.uid}")
    assert kept.sent == deed.sent
    now = nurse.get(f"alerts/?site={cast.site.code}").json()["results"][0]["times"]
    assert nurse.post(path, {**body, "times": now}).status_code == 200
    alert.refresh_from_db()
    assert deed.is_done(alert)


@each
@pytest.mark.parametrize("times", [None, 1, "left out"])
def test_what_has_not_happened_again_and_a_caller_who_does_not_say_what_was_read_are_taken(
    cast, alert, deed, times, standing_clock
):
    """`times` is new in the API, and who has never heard of it goes on as before."""
    standing_clock(LATER)
    if times != 1:
        come(cast, "40.5 C is a fever.", 40, at=LATER)
    held = deed.held and times == 1  # what comes again is held by nobody
    said = {} if times == "left out" else {"times": times}
    body = {**deed.sent, **({"holder": "physician"} if held else {}), **said}
    assert Caller(cast.nurse).post(f"alerts/{alert.uid}/{deed.path}/", body).status_code == 200
    alert.refresh_from_db()
    assert deed.is_done(alert)


@each
def test_milder_news_is_news_too_and_is_told_with_the_worst(cast, alert, deed):
    come(cast, "37.9 C is a fever.", 37, at=LATER)
    use_case = attend.close_alert if deed.code == "close" else attend.acknowledge_alert
    with doing(cast.nurse, at=LATER), pytest.raises(Conflict) as conflict:
        use_case(alert=alert, times=1, by=cast.nurse, at=LATER, **deed.sent)
    assert conflict.value.standing.alert.words == "38.0 C is a fever. Newest: 37.9 C is a fever."
    assert Alert.objects.get().times == 2


@each
def test_what_was_sent_too_early_is_shown_beside_the_alert(cast, nurse, alert, deed):
    address = reverse(deed.page, args=[alert.uid])
    shown = hidden(nurse.get(address), address)
    come(cast, "40.5 C is a fever.", 40, at=LATER)
    nurse.post(address, {**deed.sent, **shown})
    page = words(nurse.get(reverse("alert", args=[alert.uid])))
    assert "Another decision, kept" in page
    assert deed.sent.get("note", "") in page
