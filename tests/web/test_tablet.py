"""A station's tablet without a network, as the service sees it: its pack, what it sealed, what is read out
from it."""

import base64
import json
import random
import re
import uuid
from datetime import timedelta
from io import StringIO

import pytest
from cryptography.hazmat.primitives.asymmetric import ec
from django.core.management import call_command
from django.test import Client
from django.urls import reverse

from config.report_key import new_report_key, report_keys
from exposure.attend.models import Alert
from exposure.audit.models import AccessEntry
from exposure.classify.criteria import CriteriaError
from exposure.people import devices
from exposure.people.models import Worker
from exposure.pipeline import remove
from exposure.places.models import FailureGroup, FailureType, Protocol, Station
from exposure.report.models import Breach, Case, CaseStatement, OtherContent
from exposure.report.sealed import PURPOSE, SUITE, public_key
from exposure.report.submission import reference
from exposure.web.observer import questions
from exposure.web.tablet.pack import pack_of
from tests.cast import MONDAY, adopt, doing
from tests.classify.test_criteria_page import node_running

pytestmark = [pytest.mark.database, pytest.mark.django_db]


@pytest.fixture
def key(cast, settings, standing_clock):
    """Of Heron's tablet."""
    standing_clock(MONDAY)
    settings.REPORT_KEYS = report_keys(new_report_key())
    with doing("command:tests"):
        made, _device = devices.enrol(station=cast.station, label="Heron tablet 1", at=MONDAY)
    return made


def called(key, **headers):
    return Client(headers={"authorization": f"Bearer {key}", **headers})


def sealed(body, *, sent_at=MONDAY, **changes):
    """As the tablet sends it: sealed by the package `cryptography`, as RFC 9180 says."""
    point = base64.b64decode(public_key()["point"])
    given = ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), point)
    info = PURPOSE + uuid.UUID(body["submission_id"]).bytes
    return {
        "submission_id": body["submission_id"],
        "key": public_key()["id"],
        "sealed": base64.b64encode(SUITE.encrypt(json.dumps(body).encode(), given, info)).decode(),
        "sent_at": sent_at.isoformat(),
        **changes,
    }


def sent(key, envelope):
    return called(key).post("/api/v1/sealed-reports/", envelope, content_type="application/json")


# The pack


def test_the_pack_is_of_its_own_station_alone_and_a_look_at_names_is_noted(cast, key):
    with doing("command:tests"):
        other = Station.objects.create(site=cast.site, code="curlew", name="Curlew")
        Case.objects.create(code="X9", site=cast.site, station=other, opened_at=MONDAY)
        Worker.objects.create(site=cast.site, name="Never Here", number="SG-7")
    with doing(cast.observer):
        remove.start_removal(
            station=cast.station, protocol=Protocol.objects.get(code="contact"), worker=cast.worker, drill=False,
            by=cast.observer, at=MONDAY,
        )  # fmt: skip
    answer = called(key).get(reverse("tablet_pack"))
    pack, text = answer.json(), answer.content.decode()
    assert pack["station"]["code"] == "heron"
    assert pack["site"]["phone"] == cast.site.phone
    assert [one["name"] for one in pack["people"]] == ["Wim Alder"]
    for elsewhere in ("Curlew", "X9", "Never Here", cast.other_site.short_name):
        assert elsewhere not in text
    # No name of a tier, no rule, no plan: codes and the questions that may be put.
    [choice] = pack["choices"]
    assert choice["version"] == "2023.1"
    assert {fact["ask"]["fr"] != fact["ask"]["en"] for fact in choice["facts"]} == {True}
    assert {"High risk", "risk", "because"}.isdisjoint(text.split('"'))
    assert int(answer["X-Now"]) == MONDAY.timestamp() * 1000
    assert AccessEntry.objects.filter(subject="pack of station heron").count() == 1


def test_an_unchanged_pack_is_not_sent_again_and_a_changed_one_is(cast, key):
    first = called(key).get(reverse("tablet_pack"))
    again = called(key, if_none_match=first["ETag"]).get(reverse("tablet_pack"))
    assert (again.status_code, again.content) == (304, b"")
    assert again["X-Now"]
    with doing("command:tests"):
        cast.station.name = "Heron, upstairs"
        cast.station.save()
    assert called(key, if_none_match=first["ETag"]).get(reverse("tablet_pack")).status_code == 200


@pytest.mark.parametrize("what", ["none", "wrong", "a person's", "ended", "a session"])
def test_only_a_standing_device_gets_it(cast, key, what):
    client = called(key)
    if what in ("none", "a session"):
        client = Client()
    if what == "a session":
        client.force_login(cast.nurse)
    elif what == "wrong":
        client = called("exposure_nothing")
    elif what == "a person's":
        with doing("command:tests"):
            client = called(devices.tokens.issue(cast.nurse, label="x", days=1, at=MONDAY)[0])
    elif what == "ended":
        with doing("command:tests"):
            devices.end(devices.User.objects.get(full_name="Heron tablet 1"), at=MONDAY)
    answer = client.get(reverse("tablet_pack"))
    assert answer.status_code == 401
    assert "people" not in answer.content.decode()


def test_failures_stand_in_the_groups_of_the_pages_and_say_what_they_say_there(cast, key):
    pack = pack_of(cast.station, at=MONDAY)
    assert [group["code"] for group in pack["groups"]] == FailureGroup.values
    shown = {one["code"]: (one["group"], one["answers"]) for one in pack["failures"]}
    assert shown == {one.code: (one.group, one.answers) for one in FailureType.objects.all()}
    assert any(answers for _group, answers in shown.values())


def test_the_tablet_asks_what_the_pages_ask(cast, key):
    """Of every choice that the pack gives, on random answers, those that cannot occur together too."""
    with doing("command:tests"):
        adopt(cast.site, "measles-2024.1", MONDAY - timedelta(days=1))
        second = Case.objects.create(code="B2", site=cast.site, station=cast.station, opened_at=MONDAY)
        CaseStatement.objects.create(case=second, pathogen="measles", status="confirmed")
        CaseStatement.objects.create(case=second, pathogen="ebola", status="confirmed")
    pack, chance, lines, wanted = pack_of(cast.station, at=MONDAY), random.Random(5), [], []
    assert [one["case"] for one in pack["choices"]] == ["B2", "K7M2Q", None]
    cases = {one.code: one for one in Case.objects.all()}
    for choice in pack["choices"]:
        chosen = [cases[choice["case"]]] if choice["case"] else list(cases.values())
        asked = questions.asked_at(cast.site, chosen, at=MONDAY)
        sets = [_answers(asked, chance) for _ in range(400)]
        lines.append({"choice": choice, "sets": sets})
        wanted.append([_by_the_pages(asked, answers) for answers in sets])
    assert node_running("tests/web/ask_with_node.mjs", lines) == wanted
    assert any(not one["open"] for line in wanted for one in line)
    assert any(len(one["open"]) > 3 for line in wanted for one in line)


def _answers(asked, chance):
    answers = {}
    for fact in questions.facts_about_event(asked):
        if chance.random() < 0.35:
            codes = ["14.5", "15", "60,5"] if fact.cuts else [one.code for one in fact.answers]
            answers[fact.name] = chance.choice([*codes, questions.UNKNOWN])
    return answers


def _by_the_pages(asked, answers):
    known = questions.known(asked, answers)
    worst = not asked
    for one in asked:
        try:
            verdict = one.verdict(known)
            worst = worst or verdict.ceiling == one.criteria.tiers[-1].code
        except CriteriaError:
            worst = True
    open_facts = [fact.name for fact in questions.still_open(asked, answers)]
    return {"open": open_facts, "worst": worst, "sent": questions.sent(asked, answers)}


# What was sealed


def test_a_sealed_report_is_taken_once_like_any_other_and_answered_with_its_id(cast, key):
    body = cast.body(device_clock={"at": MONDAY.isoformat(), "offset_ms": 0})
    first, again = sent(key, sealed(body)), sent(key, sealed(body))
    assert (first.status_code, again.status_code) == (201, 200)
    receipt = {
        "submission_id": body["submission_id"],
        "reference": reference(uuid.UUID(body["submission_id"])),
        "ring_now": True,
    }
    assert first.json() == again.json() == receipt
    breach = Breach.objects.get()
    assert breach.body == body
    assert breach.flags == []
    assert breach.worker == cast.worker
    other = sent(key, sealed({**body, "narrative": "Another word."}))
    assert other.status_code == 409
    assert breach.reference not in other.content.decode()
    assert OtherContent.objects.get().breach == breach


@pytest.mark.parametrize(
    "what", ["another key", "another report's id", "no base64", "no JSON", "wrong types inside", "deep"]
)
def test_what_cannot_be_opened_is_kept_as_it_came_under_its_reference_and_a_nurse_is_asked(
    cast, key, settings, what
):
    body = cast.body()
    envelope = sealed(body)
    if what == "another key":
        settings.REPORT_KEYS = report_keys(new_report_key())
    elif what == "another report's id":
        envelope["submission_id"] = body["submission_id"] = str(uuid.uuid4())
    elif what == "no base64":
        envelope["sealed"] = "§"
    elif what == "no JSON":
        envelope["sealed"] = sealed({"submission_id": body["submission_id"]})["sealed"][:-8]
    elif what == "wrong types inside":
        envelope = sealed({**body, "facts": ["splash"]})
    elif what == "deep":
        deep = {}
        for _ in range(200):
            deep = {"x": deep}
        envelope = sealed({**body, "facts": deep})
    answer = sent(key, envelope)
    assert answer.status_code == 201
    assert answer.json()["submission_id"] == body["submission_id"]
    breach = Breach.objects.get()
    assert (breach.station, breach.reference) == (cast.station, answer.json()["reference"])
    assert breach.body["sealed"] == {"key": envelope["key"], "sealed": envelope["sealed"]}
    assert "unopened" in breach.flags
    alert = Alert.objects.get(cause=Alert.Cause.TO_LOOK_AT)
    assert "cannot be opened" in alert.entries.get().because
    assert sent(key, envelope).status_code == 200


def test_what_was_kept_as_it_came_opens_once_its_key_is_there_again(cast, key, settings):
    """Beside the sealed one, so that what stood until then stays visible; again it changes nothing."""
    bodies = [cast.body(narrative="In the eye."), cast.body()]
    envelopes = [sealed(body) for body in bodies]
    envelopes[1]["sealed"] = "§"
    right, settings.REPORT_KEYS = settings.REPORT_KEYS, report_keys(new_report_key())
    for envelope in envelopes:
        assert sent(key, envelope).status_code == 201
    said = StringIO()
    call_command("open_kept", stdout=said)
    assert said.getvalue().splitlines()[0] == "0 reports opened."
    assert not OtherContent.objects.exists()
    settings.REPORT_KEYS = right
    for first in ("1 report opened.", "0 reports opened."):
        said = StringIO()
        call_command("open_kept", stdout=said)
        assert said.getvalue().splitlines() == [
            first,
            "1 cannot be opened by any key in REPORT_KEY; it stays as it came.",
        ]
        assert "In the eye." not in said.getvalue()
        beside = OtherContent.objects.get()
        assert (str(beside.breach.uid), beside.body) == (bodies[0]["submission_id"], bodies[0])
    assert Alert.objects.get(cause=Alert.Cause.OTHER_CONTENT).breach == beside.breach
    assert beside.breach.body["sealed"]["key"] == envelopes[0]["key"], "nothing of it was changed"


def test_refused_is_only_what_is_no_envelope_and_whoever_is_no_device(cast, key):
    for wrong in ([], {}, {"submission_id": str(uuid.uuid4())}, {**sealed(cast.body()), "sealed": 5}):
        answer = sent(key, wrong)
        assert (answer.status_code, answer["Content-Type"]) == (400, "application/problem+json")
    nora = Client()
    nora.force_login(cast.nurse)
    assert nora.post("/api/v1/sealed-reports/", sealed(cast.body()), "application/json").status_code == 403
    assert not Breach.objects.exists()


@pytest.mark.parametrize(
    ("offset", "sent_at", "asks"),
    [
        (timedelta(0), MONDAY, False),
        (timedelta(days=365), MONDAY - timedelta(days=365), False),  # a year slow all the time
        (timedelta(days=365), MONDAY, True),  # set right between the report and its sending
        (timedelta(0), MONDAY - timedelta(minutes=9), False),
        (timedelta(0), MONDAY - timedelta(minutes=11), True),
    ],
)
def test_a_clock_that_was_set_in_between_is_asked_about(cast, key, offset, sent_at, asks):
    clock = {"at": (MONDAY - offset).isoformat(), "offset_ms": int(offset.total_seconds() * 1000)}
    assert sent(key, sealed(cast.body(device_clock=clock), sent_at=sent_at)).status_code == 201
    alerts = Alert.objects.filter(cause=Alert.Cause.TO_LOOK_AT)
    assert alerts.exists() == asks
    assert not asks or "clock" in alerts.get().entries.get().because


# What was read out


LINES = "tests/report/seal_with_node.mjs"


def spoken(body):
    given = {"point": public_key()["point"], "info": "", "body": body}
    [said] = node_running(LINES, [given])
    return said["lines"]


@pytest.fixture
def nora(cast):
    client = Client()
    client.force_login(cast.nurse)
    return client


def test_a_report_that_was_read_out_is_taken_and_the_one_that_comes_later_stands_beside_it(cast, key, nora):
    body = cast.body(drill=False, facts={"contact": "splash", "skin": None})
    page = nora.post(reverse("spoken_report"), {"block": "\n".join(spoken(body)), "narrative": "By phone."})
    breach = Breach.objects.get()
    assert page.url == reverse("breach", args=[breach.uid])
    assert (str(breach.uid), breach.worker, breach.station) == (
        body["submission_id"],
        cast.worker,
        cast.station,
    )
    assert breach.facts == {"contact": "splash"}
    assert breach.happened_at == MONDAY - timedelta(minutes=20)
    assert breach.flags == []
    assert sent(key, sealed(body)).status_code == 409
    assert OtherContent.objects.get().body == body
    again = nora.post(reverse("spoken_report"), {"block": "\n".join(spoken(body)), "narrative": "Twice."})
    assert again.url == reverse("reports")
    assert Breach.objects.count() == 1


def test_the_line_that_was_misheard_is_named_and_what_was_typed_stays(cast, key, nora):
    lines = spoken(cast.body())
    lines[2] = ("7" if lines[2][0] != "7" else "8") + lines[2][1:]
    page = nora.post(reverse("spoken_report"), {"block": "\n".join(lines), "name": "Kim Sand"})
    assert page.status_code == 422
    assert "Line 3 does not fit" in page.content.decode()
    assert lines[2] in page.content.decode()
    assert "Kim Sand" in page.content.decode()
    assert not Breach.objects.exists()


def test_whoever_has_no_number_is_named_by_the_nurse(cast, key, nora):
    body = cast.body(drill=False)
    del body["worker"]
    nora.post(reverse("spoken_report"), {"block": "\n".join(spoken(body)), "name": "Kim Sand", "phone": "7"})
    worker = Breach.objects.get().worker
    assert (worker.name, worker.phone, worker.number) == ("Kim Sand", "7", None)


@pytest.mark.parametrize("is_known", [True, False])
def test_whose_telephone_is_on_the_list_already_is_offered_before_somebody_is_made(cast, key, nora, is_known):
    body = cast.body(drill=False)
    del body["worker"]
    said = {"block": "\n".join(spoken(body)), "name": "W. Alder", "phone": "900000042"}
    page = nora.post(reverse("spoken_report"), said)
    assert page.status_code == 422
    assert "This telephone stands on the list already." in page.content.decode()
    assert str(cast.worker.uid) in page.content.decode()
    assert not Breach.objects.exists()
    chosen = str(cast.worker.uid) if is_known else "nobody"
    assert nora.post(reverse("spoken_report"), {**said, "known": chosen}).status_code == 302
    worker = Breach.objects.get().worker
    assert (worker == cast.worker, worker.name == "W. Alder") == (is_known, not is_known)


# The page


@pytest.mark.parametrize(("language", "words"), [("en", "Report it in a drill"), ("fr", "exercice")])
def test_the_page_is_the_same_for_everybody_in_each_language(cast, language, words):
    nora, nobody = Client(), Client()
    nora.force_login(cast.nurse)
    address = reverse("tablet", args=[language])
    page = nobody.get(address)
    assert page.content == nora.get(address).content
    assert f'lang="{language}"' in page.content.decode()
    assert words in page.content.decode()
    assert "set-cookie" not in page.headers
    assert Client().get(reverse("tablet", args=["xx"])).status_code == 404


def test_the_worker_keeps_everything_that_the_page_is_made_of(cast):
    script = Client().get(reverse("tablet_worker")).content.decode()
    shell = json.loads(script.partition("const SHELL = ")[2].partition(";\n")[0])
    page = Client().get(reverse("tablet", args=["en"])).content.decode()
    for address in re.findall(r'<(?:link|script)[^>]* (?:href|src)="([^"]+)"', page):
        assert address in shell["files"], address
    assert set(shell["pages"]) == {"en", "fr"}
