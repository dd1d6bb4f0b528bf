"""Sealing as it runs every minute: it says that all is sealed, and its newest head leaves by e-mail and on paper."""

import json
from datetime import timedelta

import pytest
from django.core import mail
from django.urls import reverse

from config.seal_key import new_seal_key
from exposure import tasks
from exposure.audit import heads, keeping, sealing
from exposure.audit.access_log import note_look
from exposure.audit.heads import Head
from exposure.audit.models import AccessEntry
from exposure.audit.verify_record import check
from exposure.remind.models import Heartbeat
from tests.cast import MONDAY, doing

pytestmark = pytest.mark.database

DAY = timedelta(days=1)
SECOND = timedelta(seconds=1)
ADDRESS = "notary@example.org"


@pytest.fixture(autouse=True)
def _signing(settings, tmp_path):
    settings.SEAL_KEY, settings.SEAL_HEADS_DIR, settings.SEAL_HEADS_EMAIL = new_seal_key(), tmp_path, ADDRESS


def something_happens(cast, at=MONDAY):
    with doing(cast.nurse, at=at):
        note_look(cast.nurse, AccessEntry.Kind.PERSON, "worker", at=at)


def test_the_task_seals_and_says_that_all_is_sealed(cast, standing_clock):
    standing_clock(MONDAY)
    tasks.seal()
    assert Heartbeat.objects.get(name="sealer").at == MONDAY
    assert sealing.size() > 0


def test_what_is_not_caught_up_is_not_said_to_be(cast, monkeypatch):
    monkeypatch.setattr(sealing, "BATCH", 1)
    monkeypatch.setattr(sealing, "MOST_BATCHES", 1)
    keeping.keep(at=MONDAY)
    assert not Heartbeat.objects.filter(name="sealer").exists()


def test_the_newest_head_leaves_once_a_day_and_the_message_proves_it(cast):
    keeping.keep(at=MONDAY)
    [message] = mail.outbox
    assert message.to == [ADDRESS]
    head = Head.read(message.body.strip().splitlines()[-1])
    assert head.is_signed()
    assert head == Head.of(heads.newest())

    something_happens(cast)
    keeping.keep(at=MONDAY + DAY - SECOND)
    assert len(mail.outbox) == 1, "another head, and not yet a day"
    keeping.keep(at=MONDAY + DAY)
    assert len(mail.outbox) == 2
    keeping.keep(at=MONDAY + 3 * DAY)
    assert len(mail.outbox) == 2, "nothing new was signed"


def test_a_mail_server_that_is_away_holds_no_sealing_up_and_is_tried_again(cast, monkeypatch, settings):
    def away(*arguments):
        raise ConnectionRefusedError

    with monkeypatch.context() as patch:
        patch.setattr(keeping, "send_mail", away)
        keeping.keep(at=MONDAY)
    assert Heartbeat.objects.filter(name="sealer").exists()
    keeping.keep(at=MONDAY + timedelta(minutes=1))
    assert len(mail.outbox) == 1
    settings.SEAL_HEADS_EMAIL = ""
    something_happens(cast)
    keeping.keep(at=MONDAY + 2 * DAY)
    assert len(mail.outbox) == 1


def test_the_auditor_prints_the_newest_head_and_takes_a_record_that_checks_without_the_service(
    cast, client, standing_clock
):
    standing_clock(MONDAY)
    client.force_login(cast.auditor)
    for address in (reverse("head_sheet"), reverse("record_file", args=[cast.worker.uid])):
        assert "No seal is signed yet" in client.get(address, follow=True).content.decode()
    sealing.seal(at=MONDAY, thorough=True)

    sheet = client.get(reverse("head_sheet"))
    assert (sheet["Content-Type"], sheet.content[:5]) == ("application/pdf", b"%PDF-")

    printed = client.get(reverse("record_pdf", args=[cast.worker.uid]))
    assert (printed["Content-Type"], printed.content[:5]) == ("application/pdf", b"%PDF-")
    assert AccessEntry.objects.latest("pk").subject == f"printed record of worker:{cast.worker.uid}"

    taken = client.get(reverse("record_file", args=[cast.worker.uid]))
    record = json.loads(taken.content)
    assert check(record, trusted=record["head"]["key"]) == len(record["entries"]) > 0
    look = AccessEntry.objects.latest("pk")
    assert (look.user, look.kind, look.about) == (cast.auditor, "export", cast.worker.uid)


def test_the_history_is_narrowed_to_one_kind_of_entry(cast, client, standing_clock):
    standing_clock(MONDAY)
    something_happens(cast)
    client.force_login(cast.auditor)
    told = client.get(reverse("history"), {"what": "Worker"}).context["operations"]
    assert {line.what.partition(" ")[0] for one in told for line in one.lines} == {"worker"}
    assert client.get(reverse("history"), {"what": "Nothing"}).status_code == 422


def test_the_form_of_the_history_is_folded_until_somebody_has_asked(cast, client, standing_clock):
    standing_clock(MONDAY)
    client.force_login(cast.auditor)
    assert "<details>\n<summary>Search" in client.get(reverse("history")).content.decode()
    assert (
        "<details open>\n<summary>Search" in client.get(reverse("history"), {"who": "nurse"}).content.decode()
    )
