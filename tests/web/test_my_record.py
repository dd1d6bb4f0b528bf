"""A worker's copy of their own record, and receipts that they can check: with the page, and without the service."""

import json
from datetime import timedelta
from unittest import mock

import pytest
from django.db import connection
from django.test import Client
from django.urls import reverse

from config.seal_key import new_seal_key
from exposure import clock
from exposure.audit import heads, sealing, triggers, verify_record
from exposure.audit.models import AccessEntry
from exposure.followup.models import Reading
from tests.cast import MONDAY
from tests.walk import follow_up_told_and_confirmed, log, report, tell

pytestmark = pytest.mark.django_db

NOW = MONDAY + timedelta(hours=8)
PAGE = reverse("my_record")


@pytest.fixture(autouse=True)
def key(settings, tmp_path):
    settings.SEAL_KEY, settings.SEAL_HEADS_DIR, settings.LOCAL_SEAL_KEY = new_seal_key(), tmp_path, None
    with mock.patch.object(clock, "now", return_value=NOW):
        yield


@pytest.fixture
def sent(cast):
    """Wim's follow-up with one reading that he sent and one that a nurse entered, all under a head."""
    follow_up_told_and_confirmed(cast)
    log(cast, at=NOW - timedelta(minutes=30))
    log(cast, at=NOW - timedelta(minutes=20), by=cast.nurse)
    sealing.seal(at=NOW, thorough=True, head_every=timedelta(0))
    return Reading.objects.get(entered_by=cast.worker.user)


def client_of(user):
    client = Client()
    client.force_login(user)
    return client


def page_of(user, address=PAGE, **query):
    return client_of(user).get(address, query).content.decode()


def code_of(reading):
    entry = heads.SealEntry.objects.get(model="reading", row=reading.pk)
    return bytes(entry.leaf_hash).hex()[:20]


def grouped(code):
    return " ".join(code[start : start + 4] for start in range(0, 20, 4))


def checked(tmp_path, content, *options):
    file = tmp_path / "given.json"
    file.write_bytes(content)
    return verify_record.main([str(file), "--key", heads.public(heads.own_key()), *options])


def test_what_one_has_sent_has_a_code_and_what_a_nurse_entered_is_hers(cast, sent):
    page = page_of(cast.worker.user)
    assert grouped(code_of(sent)) in page
    assert page.count("<code>") == 1
    assert "&lt;time" not in page
    assert "Nothing that you have sent" not in page


@pytest.mark.parametrize(
    "typed", [str.lower, str.upper, grouped, lambda code: grouped(code).replace(" ", "-")]
)
def test_a_code_that_was_kept_is_checked_however_it_is_typed(cast, sent, typed):
    assert "It is as you sent it." in page_of(cast.worker.user, code=typed(code_of(sent)))


@pytest.mark.parametrize("code", ["0" * 20, "x", "0", "é" * 500])
def test_another_code_is_nobody_s(cast, sent, code):
    assert "Nothing that you have sent has this code." in page_of(cast.worker.user, code=code)


def test_the_code_of_what_somebody_else_sent_is_nobody_s(cast, sent):
    others = Reading.objects.get(entered_by=cast.nurse)
    assert "Nothing that you have sent" in page_of(cast.worker.user, code=code_of(others))


def test_a_reading_that_was_changed_past_the_service_is_said_to_be(cast, sent):
    triggers.remove()
    with connection.cursor() as cursor:
        cursor.execute("UPDATE exposure_reading SET value = 36.0 WHERE id = %s", [sent.pk])
    triggers.install()
    assert "It is not as you sent it." in page_of(cast.worker.user, code=code_of(sent))


def test_before_it_is_sealed_and_signed_the_page_says_when(cast):
    follow_up_told_and_confirmed(cast)
    log(cast, at=NOW - timedelta(minutes=30))
    reading = Reading.objects.get()
    assert "in a few minutes" in page_of(cast.worker.user)
    answer = client_of(cast.worker.user).get(reverse("receipt_file", args=[reading.uid]))
    assert answer.status_code == 302


def test_a_receipt_is_checked_without_the_service(cast, sent, tmp_path):
    content = client_of(cast.worker.user).get(reverse("receipt_file", args=[sent.uid])).content
    assert len(json.loads(content)["entries"]) == 1
    assert checked(tmp_path, content, "--code", grouped(code_of(sent))) == 0
    assert checked(tmp_path, content, "--code", code_of(sent)[:-1] + "g") == 1
    assert checked(tmp_path, content, "--code", code_of(sent)[:8]) == 1, "too short to mean anything"
    assert checked(tmp_path, content.replace(b"36.8", b"36.7"), "--code", code_of(sent)) == 1


def test_the_receipt_of_somebody_else_s_entry_is_not_there(cast, sent):
    theirs = Reading.objects.get(entered_by=cast.nurse)
    address = reverse("receipt_file", args=[theirs.uid])
    assert client_of(cast.worker.user).get(address).status_code == 404
    for user in (cast.nurse, cast.auditor):
        assert client_of(user).get(reverse("receipt_file", args=[sent.uid])).status_code == 404


def test_a_report_about_oneself_has_a_receipt_and_an_observer_s_has_none(cast):
    theirs = report(cast, facts={})
    own = report(cast, by=cast.worker.user)
    sealing.seal(at=NOW, thorough=True, head_every=timedelta(0))
    answers = [
        client_of(cast.worker.user).get(reverse("receipt_file", args=[one.breach.uid])).status_code
        for one in (own, theirs)
    ]
    assert answers == [200, 404]


def test_the_copy_holds_what_one_s_pages_show_with_proofs_and_no_notes(cast, sent, tmp_path):
    answer = client_of(cast.worker.user).get(reverse("copy_file"))
    models = {json.loads(one["content"])["model"] for one in answer.json()["entries"]}
    assert {"reading", "historicalworker", "historicalbreach", "assessment", "check"} <= models
    assert (
        not {"historicalprivatenote", "call", "historicalalert", "historicalpromise", "accessentry"} & models
    )
    assert checked(tmp_path, answer.content) == 0
    look = AccessEntry.objects.get(subject="own copy")
    assert (look.user, look.kind, look.about) == (cast.worker.user, "export", cast.worker.uid)


def test_the_copy_on_paper_is_a_pdf_with_the_readings(cast, sent):
    with mock.patch("exposure.paper.pdf", return_value=b"%PDF") as made:
        assert client_of(cast.worker.user).get(reverse("copy_paper")).content == b"%PDF"
    said = json.dumps(made.call_args.args[1], ensure_ascii=False)
    assert said.count("36.8") == 2
    assert "Readings" in said
    assert "<" not in said, "paper has no markup"
    assert client_of(cast.worker.user).get(reverse("copy_paper")).content.startswith(b"%PDF-")


@pytest.mark.parametrize("told", [False, True])
def test_no_machine_is_the_first_to_say_what_a_person_has_not(cast, told):
    reported = report(cast)
    if told:
        tell(cast, reported)
    sealing.seal(at=NOW, thorough=True, head_every=timedelta(0))
    assert "copy.json" not in page_of(cast.worker.user)
    for name in ("copy_file", "copy_paper"):
        assert client_of(cast.worker.user).get(reverse(name)).status_code == 302
    assert not AccessEntry.objects.filter(subject="own copy").exists()


def test_the_record_that_an_auditor_prints_has_no_markup_either(cast, sent):
    with mock.patch("exposure.paper.pdf", return_value=b"%PDF") as made:
        client_of(cast.auditor).get(reverse("record_pdf", args=[cast.worker.uid]))
    said = json.dumps(made.call_args.args[1], ensure_ascii=False)
    assert "36.8" in said
    assert "<time" not in said
