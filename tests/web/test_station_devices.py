"""A station's device: enrolled, reports by a key of its own, sees nothing, ends."""

import re
import uuid

import pytest
from django.test import Client
from django.urls import reverse

from exposure.audit.models import AccessEntry
from exposure.people.models import Role, User
from exposure.places.models import Station
from exposure.report.models import Breach
from tests.cast import MONDAY, doing

pytestmark = [pytest.mark.database, pytest.mark.django_db]


@pytest.fixture
def alf(cast, standing_clock):
    standing_clock(MONDAY)
    client = Client()
    client.force_login(cast.administrator)
    return client


def enrolled(alf, cast, label="Heron tablet 1"):
    page = alf.post(reverse("station_devices"), {"station": cast.station.pk, "label": label}).content.decode()
    [key] = re.findall(r"exposure_[\w-]{20,}", page)
    return key, User.objects.get(full_name=label)


def call(key, path, body=None):
    client = Client(headers={"authorization": f"Bearer {key}"})
    address = f"/api/v1/{path}"
    return (
        client.get(address) if body is None else client.post(address, body, content_type="application/json")
    )


def test_an_administrator_enrols_a_device_and_its_key_is_shown_once(alf, cast):
    key, device = enrolled(alf, cast)
    assert call(key, "breaches/", cast.body()).status_code == 201
    page = alf.get(reverse("station_devices")).content.decode()
    assert "Heron tablet 1" in page
    assert key not in page
    assert AccessEntry.objects.filter(kind=AccessEntry.Kind.KEY, subject=f"device:{device.uid}").count() == 1


def test_its_report_stands_in_its_name_and_it_learns_only_the_reference(alf, cast):
    key, device = enrolled(alf, cast)
    answer = call(key, "breaches/", cast.body())
    assert set(answer.json()) == {"id", "reference", "ring_now"}
    breach = Breach.objects.get()
    assert breach.reported_by == device
    assert {version.history_user_id for version in breach.history.all()} == {f"device:{device.pk}"}
    assert call(key, "breaches/").status_code == 403
    assert call(key, f"breaches/{breach.uid}/").status_code == 403
    same = call(key, "breaches/", breach.body)
    assert (same.status_code, same.json()["reference"]) == (200, breach.reference)
    other = call(key, "breaches/", breach.body | {"narrative": "Something else."})
    assert other.status_code == 409
    assert breach.reference not in other.content.decode()
    nora = Client()
    nora.force_login(cast.nurse)
    assert "Heron tablet 1" in nora.get(reverse("person", args=[breach.worker.uid])).content.decode()


@pytest.mark.parametrize(
    ("named", "flag"),
    [(None, None), ("heron", None), ("elsewhere", "other_station"), ("nowhere", "unknown_station")],
)
def test_a_report_belongs_to_the_devices_station_unless_it_says_another(alf, cast, named, flag):
    with doing("command:tests"):
        Station.objects.create(site=cast.site, code="elsewhere", name="Elsewhere")
    key, _device = enrolled(alf, cast)
    body = cast.body(station=named)
    if named is None:
        del body["station"]
    assert call(key, "breaches/", body).status_code == 201
    breach = Breach.objects.get()
    assert breach.station.code == ("elsewhere" if named == "elsewhere" else "heron")
    assert {"station_missing", "other_station", "unknown_station"} & set(breach.flags) == {flag} - {None}


def test_it_asks_what_is_still_open_and_learns_no_tier(alf, cast):
    key, _device = enrolled(alf, cast)
    answer = call(key, "criteria/ebola/classify/", {"facts": {}})
    assert answer.status_code == 200
    assert set(answer.json()) == {"pathogen", "criteria_version", "open_questions"}


def test_another_key_ends_the_first_and_an_ended_device_reports_no_more(alf, cast):
    key, device = enrolled(alf, cast)
    page = alf.post(reverse("station_device_key", args=[device.uid])).content.decode()
    [second] = re.findall(r"exposure_[\w-]{20,}", page)
    assert call(key, "breaches/", cast.body()).status_code == 401
    assert call(second, "breaches/", cast.body()).status_code == 201
    assert alf.post(reverse("station_device_end", args=[device.uid])).status_code == 302
    assert call(second, "breaches/", cast.body()).status_code == 401
    assert "Heron tablet 1⁩ reports no more" in alf.get(reverse("station_devices")).content.decode()
    assert "Heron tablet 1" not in alf.get(reverse("station_devices")).content.decode()
    assert alf.post(reverse("station_device_key", args=[device.uid])).status_code == 404


def test_a_sites_administrator_enrols_only_there(alf, cast):
    with doing("command:tests"):
        away = Station.objects.create(site=cast.other_site, code="kite", name="Kite")
        role = cast.administrator.roles.get()
        role.site = cast.site
        role.save()
    refused = alf.post(reverse("station_devices"), {"station": away.pk, "label": "Theirs"})
    assert "exposure_" not in refused.content.decode()
    assert not User.objects.filter(full_name="Theirs").exists()


def test_a_device_is_no_account_that_anybody_signs_in_to_sets_up_or_gives_a_role(alf, cast):
    _key, device = enrolled(alf, cast)
    assert not device.has_usable_password()
    assert device.email is None
    assert alf.get(reverse("invite_account", args=[device.uid])).status_code == 404
    assert "Heron tablet 1" not in alf.get("/admin/exposure/user/").content.decode()
    with doing("command:tests"):
        Role.objects.create(user=device, site=cast.site, kind=Role.Kind.NURSE, from_at=MONDAY)
    key = alf.post(reverse("station_device_key", args=[device.uid])).content.decode()
    [key] = re.findall(r"exposure_[\w-]{20,}", key)
    assert call(key, "alerts/").status_code == 403
    assert call(key, "readings/", {"id": str(uuid.uuid4())}).status_code == 403
