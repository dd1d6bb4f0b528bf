"""An observer says at a station's tablet, by badge and six digits, that they observe: whatever they say, the report is
stored, the tablet learns nothing of it, and the digits are nowhere."""

import json
import uuid
from datetime import timedelta

import pytest
from django.apps import apps
from django.db import models
from django.test import Client
from django.urls import reverse

from config.report_key import new_report_key, report_keys
from exposure.attend.models import Alert
from exposure.audit.models import AccessEntry
from exposure.people import devices, station_pins
from exposure.people.models import Role, StationPin, User, Worker
from exposure.pipeline import receive
from exposure.report.models import Breach, OtherContent
from exposure.report.submission import reference
from tests.cast import MONDAY, PASSWORD, doing
from tests.web.test_tablet import called, sealed, sent

pytestmark = [pytest.mark.database, pytest.mark.django_db]

RIGHT, WRONG = "482915", "730264"
BADGE = "SG-2001"  # Olga's
NOT_PROVED = "observer_not_proved"
PAGE = "new_station_pin"


@pytest.fixture
def tablets(cast, settings, standing_clock):
    """The keys of two tablets at Heron. Olga, who has a badge, and Xenia of the other site have digits."""
    standing_clock(MONDAY)
    settings.REPORT_KEYS = report_keys(new_report_key())
    with doing("command:tests"):
        Worker.objects.create(site=cast.site, user=cast.observer, number=BADGE, name="Olga Rowan")
        for user in (cast.observer, cast.outsider):
            station_pins.set_pin(user, RIGHT, at=MONDAY - timedelta(days=2))
        return [devices.enrol(station=cast.station, label=f"Tablet {at}", at=MONDAY)[0] for at in (1, 2)]


def lock(cast, tablet, tries=5):
    """So many wrong tries on a tablet, each after the wait for the one before."""
    device = User.objects.get(full_name=f"Tablet {tablet}")
    at = MONDAY - timedelta(minutes=tries + 4)
    for _try in range(tries):
        at += timedelta(minutes=1)
        assert not right(cast, WRONG, device, at)


def right(cast, digits, device, at):
    with doing(device, at=at):
        return station_pins.are_right(cast.observer, digits, device, at=at)


def _switch_off(cast):
    with doing("command:tests"):
        cast.observer.is_active = False
        cast.observer.save()


def stated(by=None):
    return (by, "stated", True)


# What is said -> (before, what the tablet sends about the observer, what stands then: who, how, whether flagged)
CASES = {
    "right": (None, {"badge": BADGE, "digits": RIGHT}, ("observer", "proved", False)),
    "right, by sign-in name": (None, {"badge": " Observer ", "digits": RIGHT}, ("observer", "proved", False)),
    "wrong": (None, {"badge": BADGE, "digits": WRONG}, stated("observer")),
    "locked": (lambda cast: lock(cast, 1), {"badge": BADGE, "digits": RIGHT}, stated("observer")),
    "none set": (None, {"badge": "nurse", "digits": RIGHT}, stated("nurse")),
    "unknown badge": (None, {"badge": "SG-9999", "digits": RIGHT}, stated()),
    "inactive": (_switch_off, {"badge": BADGE, "digits": RIGHT}, stated()),
    "other site": (None, {"badge": "outsider", "digits": RIGHT}, stated()),
    "wrong types": (None, [BADGE, {"digits": RIGHT}], stated()),
    "badge alone": (None, {"badge": BADGE}, stated("observer")),
    "none given": (None, None, (None, "", False)),
    "from another tablet": (
        lambda cast: lock(cast, 2),
        {"badge": BADGE, "digits": RIGHT},
        ("observer", "proved", False),
    ),
}


def said(cast, breach):
    breach.refresh_from_db()
    name = breach.observed_by and breach.observed_by.name
    return name, breach.observed_how or "", NOT_PROVED in breach.flags


def every_text():
    """Every value of every column that holds text or JSON, versions and sessions included."""
    for model in apps.get_models():
        kept = (models.CharField, models.TextField, models.JSONField)
        names = [field.attname for field in model._meta.concrete_fields if isinstance(field, kept)]
        for row in model._base_manager.values_list(*names) if names else ():
            yield from map(str, row)


def digits_are_nowhere():
    texts = list(every_text())
    assert any(BADGE in text for text in texts), "the search finds what is there"
    return not [text for text in texts if RIGHT in text or WRONG in text]


@pytest.mark.parametrize("case", CASES)
def test_the_report_is_stored_the_receipt_says_nothing_and_digits_are_nowhere(
    cast, tablets, standing_clock, case
):
    """At once, the same twice, the same id with other content, and another report 30 days later. Only what is stored
    for the first time is checked."""
    before, observer, wanted = CASES[case]
    if before:
        before(cast)
    body = cast.body(**({} if observer is None else {"observer": observer}))
    breach = _stored(tablets[0], body)
    assert said(cast, breach) == wanted
    tried = list(StationPin.objects.order_by("pk").values("wrong"))
    other = WRONG if wanted[1] == "proved" else RIGHT
    again = {**body, "observer": {**observer, "digits": other}} if isinstance(observer, dict) else body
    answer = sent(tablets[0], sealed(again))
    assert (answer.status_code, answer.json()) == (200, _receipt(body))
    answer = sent(tablets[0], sealed({**again, "narrative": "Another word."}))
    assert answer.status_code == 409
    assert "observ" not in answer.content.decode()
    assert OtherContent.objects.get().breach == breach
    assert said(cast, breach) == wanted
    assert list(StationPin.objects.order_by("pk").values("wrong")) == tried
    standing_clock(MONDAY + timedelta(days=30))
    later = _stored(tablets[0], {**body, "submission_id": str(uuid.uuid4())})
    waited = case == "locked"  # that wait is over by then
    assert said(cast, later) == (("observer", "proved", False) if waited else wanted)
    assert not Alert.objects.filter(entries__because__contains="badge").exists(), "nobody is woken for it"
    assert digits_are_nowhere()


def _stored(key, body):
    answer = sent(key, sealed(body))
    assert (answer.status_code, answer.json()) == (201, _receipt(body))
    return Breach.objects.get(uid=body["submission_id"])


def _receipt(body):
    uid = body["submission_id"]
    return {"submission_id": uid, "reference": reference(uuid.UUID(uid)), "ring_now": True}


ODD = (
    RIGHT,
    482915,
    True,
    [],
    {},
    [RIGHT],
    {"badge": int(RIGHT), "digits": RIGHT},
    {"badge": {RIGHT: RIGHT}},
    {"badge": BADGE, "digits": [RIGHT]},
    {"badge": BADGE, "digits": int(RIGHT)},
    {"badge": BADGE, "digits": "\ud800"},
    {"badge": BADGE, "digits": "\0"},
    {"badge": BADGE, "pin": RIGHT},
    {"badge": "\ud800\0" + BADGE, "digits": RIGHT},
    {"badge": BADGE * 999, "digits": RIGHT * 99_999},
)


def test_whatever_stands_for_an_observer_is_not_proved_and_costs_no_report(cast, tablets):
    for observer in ODD:
        breach = _stored(tablets[0], cast.body(observer=observer))
        assert "sealed" not in breach.body, observer
        assert said(cast, breach)[1:] == ("stated", True), observer
        assert set(breach.body["observer"]) == {"badge"}, observer
    assert digits_are_nowhere()


def test_an_error_in_the_check_costs_nothing_but_the_proof(cast, tablets, monkeypatch):
    def broken(*_given, **_more):
        raise RuntimeError(f"{RIGHT} broke it")

    monkeypatch.setattr(receive.station_pins, "are_right", broken)
    assert sent(tablets[0], sealed(cast.body(observer={"badge": BADGE, "digits": RIGHT}))).status_code == 201
    assert said(cast, Breach.objects.get()) == stated("observer")


def test_digits_sent_without_a_seal_or_kept_as_they_came_are_not_stored_either(cast, tablets, settings):
    observer = {"badge": BADGE, "digits": RIGHT}
    plain = called(tablets[0]).post("/api/v1/breaches/", cast.body(observer=observer), "application/json")
    assert plain.status_code == 201
    assert said(cast, Breach.objects.get()) == stated("observer")
    key, settings.REPORT_KEYS = settings.REPORT_KEYS, report_keys(new_report_key())
    envelope = sealed(cast.body(observer=observer))
    settings.REPORT_KEYS = key
    assert sent(tablets[0], envelope).status_code == 201
    assert digits_are_nowhere()


def test_whoever_reports_as_themself_says_so_by_signing_in(cast, tablets):
    client = Client()
    client.force_login(cast.nurse)
    body = cast.body(observer={"badge": BADGE, "digits": RIGHT})
    assert client.post("/api/v1/breaches/", body, "application/json").status_code == 201
    assert said(cast, Breach.objects.get()) == (None, "", False)
    assert digits_are_nowhere()


def test_whoever_holds_the_role_no_longer_is_not_proved(cast, tablets):
    with doing("command:tests"):
        role = Role.objects.get(user=cast.observer)
        role.until_at = MONDAY
        role.save()
    sent(tablets[0], sealed(cast.body(observer={"badge": BADGE, "digits": RIGHT})))
    assert said(cast, Breach.objects.get()) == stated()


def test_somebody_who_observes_their_own_removal_has_answered_themself(cast, tablets):
    sent(tablets[0], sealed(cast.body(worker=BADGE, observer={"badge": BADGE, "digits": RIGHT})))
    assert Breach.objects.get().flags == ["self_answered"]


# Wrong tries


def test_what_a_tablet_sends_in_one_go_counts_once_and_nothing_more_is_looked_at(
    cast, tablets, standing_clock
):
    """However long it takes: 40 reports, 50 s apart, with one slip in each."""
    device = User.objects.get(full_name="Tablet 1")
    for at in range(40):
        assert not right(cast, WRONG, device, MONDAY + timedelta(seconds=50 * at))
    last = MONDAY + timedelta(seconds=50 * 39)
    assert StationPin.objects.get(user=cast.observer).wrong[str(device.uid)][0] == 1
    assert not right(cast, RIGHT, device, last + timedelta(seconds=59)), "else a go could try them all"
    assert right(cast, RIGHT, device, last + timedelta(minutes=3))
    assert StationPin.objects.get(user=cast.observer).wrong == {}


def test_from_the_fifth_try_the_wait_grows_up_to_a_limit_and_on_that_tablet_alone(cast, tablets):
    first, second = (User.objects.get(full_name=f"Tablet {at}") for at in (1, 2))
    at, waits = MONDAY, []
    for _try in range(14):
        assert not right(cast, WRONG, first, at)
        until = station_pins.locked_until(StationPin.objects.get(user=cast.observer), at=at)
        waits.append((until or at) - at)
        if until:  # a moment before its end the right ones do not count, and the wait grows by nothing
            assert not right(cast, RIGHT, first, until - timedelta(seconds=1))
        at = until or at + timedelta(minutes=1)
    minutes = [wait / timedelta(minutes=1) for wait in waits]
    assert minutes == [0, 0, 0, 0, 15, 30, 60, 120, 240, 480, 960, 1920, 1920, 1920]
    assert not right(cast, RIGHT, first, at - timedelta(seconds=1))
    assert right(cast, RIGHT, second, at - timedelta(seconds=1))


def test_an_administrator_of_the_account_lets_somebody_in_again_and_the_look_is_recorded(cast, tablets):
    lock(cast, 1)
    alf, address = Client(), reverse("locked_observers")
    alf.force_login(cast.administrator)
    page = alf.get(address)
    assert "Olga Rowan" in page.content.decode()
    assert AccessEntry.objects.filter(
        user=cast.administrator, kind="list", subject__contains="locked"
    ).exists()
    with doing("command:tests"):
        elsewhere = User.objects.create_user("elsewhere", PASSWORD, full_name="Eva Loam")
        Role.objects.create(user=elsewhere, site=cast.other_site, kind="administrator", from_at=MONDAY)
    eva = Client()
    eva.force_login(elsewhere)
    assert "Olga Rowan" not in eva.get(address).content.decode()
    row = StationPin.objects.get(user=cast.observer)
    eva.post(address, {"whose": row.uid})
    row.refresh_from_db()
    assert row.wrong, "not of one's sites"
    alf.post(address, {"whose": row.uid})
    row.refresh_from_db()
    assert row.wrong == {}
    assert AccessEntry.objects.filter(subject=f"station digits of user:{cast.observer.uid}").count() == 1
    assert "Olga Rowan" in alf.get(address).content.decode(), "said once"
    assert "Olga Rowan" not in alf.get(address).content.decode()
    assert right(cast, RIGHT, User.objects.get(full_name="Tablet 1"), MONDAY)


# Choosing them


def test_somebody_who_works_at_stations_chooses_digits_after_saying_who_they_are(cast, tablets):
    lock(cast, 1)
    olga = Client()
    olga.force_login(cast.observer)
    late = olga.post(reverse(PAGE), {"pin": "605318"})
    assert late["Location"] == reverse(PAGE), "what was typed too late for that is not kept"
    assert "605318" not in json.dumps(dict(olga.session.items()), default=str)
    assert olga.get(reverse(PAGE))["Location"].startswith("/account/reauthenticate/")
    olga.post(reverse("account_reauthenticate"), {"password": PASSWORD})
    assert "chiffres" in olga.get(reverse(PAGE), headers={"accept-language": "fr"}).content.decode()
    assert olga.post(reverse(PAGE), {"pin": "123456"}).status_code == 200
    assert olga.post(reverse(PAGE), {"pin": "605318"})["Location"] == reverse("sessions")
    tablet = User.objects.get(full_name="Tablet 1")
    assert not right(cast, RIGHT, User.objects.get(full_name="Tablet 2"), MONDAY)
    assert right(cast, "605318", tablet, MONDAY)
    assert not hasattr(StationPin.objects.get(user=cast.observer).history.latest(), "code")
    assert "605318" not in "".join(every_text())


def test_digits_of_a_form_whose_session_has_ended_are_not_kept(cast, tablets):
    olga = Client()
    olga.force_login(cast.observer)
    page = olga.get(reverse("sessions")).content.decode()
    assert reverse(PAGE) in page
    owner = (
        olga.get(reverse("keys")).content.decode().partition('name="form_owner" value="')[2].partition('"')[0]
    )
    nobody = Client()
    nobody.post(reverse(PAGE), {"pin": "605318", "form_owner": owner})
    kept = json.dumps(dict(nobody.session.items()))
    assert "kept_form" in kept
    assert "605318" not in kept


# The nurse's page


@pytest.mark.parametrize(
    ("observer", "words"),
    [
        ({"badge": BADGE, "digits": RIGHT}, "<bdi>Olga Rowan</bdi> (proved by badge and digits)"),
        ({"badge": BADGE, "digits": WRONG}, "said to be <bdi>Olga Rowan</bdi>, not proved"),
        ({"badge": "<b>9", "digits": RIGHT}, "said to be <bdi>&lt;b&gt;9</bdi>, not proved"),
        ({}, "said to be <bdi>somebody without a badge</bdi>, not proved"),
        (None, None),
    ],
)
def test_the_nurse_reads_who_observed_and_how_that_is_known(cast, tablets, observer, words):
    sent(tablets[0], sealed(cast.body(observer=observer)))
    nora = Client()
    nora.force_login(cast.nurse)
    page = " ".join(nora.get(reverse("breach", args=[Breach.objects.get().uid])).content.decode().split())
    assert ("Observed by" in page) is (words is not None)
    assert words is None or words in page
    assert ("badge and digits did not prove it" in page) is (words is not None and "not proved" in words)
