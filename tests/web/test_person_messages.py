"""What was sent to one person, what was not and why, each try, and what came back."""

from datetime import UTC, datetime

import pytest
from django.urls import reverse

from exposure.audit.models import AccessEntry
from exposure.remind import outbox, verdict
from exposure.remind.channels.refusal import Refused
from exposure.remind.models import Reminder
from exposure.web.nurse.messages import WHY_NOT
from tests.cast import doing
from tests.walk import follow_up_told_and_confirmed, hours, log, pass_time

pytestmark = pytest.mark.database

EVENING = datetime(2026, 3, 2, 18, 0, tzinfo=UTC)


@pytest.fixture
def page(cast, client, standing_clock):
    def open_as(user):
        standing_clock(EVENING + hours(5))
        client.force_login(user)
        return client.get(reverse("person_messages", args=[cast.worker.uid]))

    return open_as


def test_every_try_and_every_reason_stands_there(cast, page, monkeypatch):
    follow_up_told_and_confirmed(cast)

    def busy(letter):
        raise Refused("SMTPServerDisconnected", permanent=False)

    with monkeypatch.context() as patch:
        patch.setitem(outbox.CHANNELS, "email", busy)
        pass_time(EVENING)
    log(cast, at=EVENING + hours(1), temperature="39.4")
    pass_time(EVENING + hours(2))
    text = " ".join(page(cast.nurse).content.decode().split())
    assert "Try 1: refused (SMTPServerDisconnected)" in text
    assert "Not sent: the reading had come" in text
    assert "Sent" in text
    assert "Nora Teal" in text


def test_what_never_had_a_message_is_folded_into_one_line(cast, page):
    follow_up_told_and_confirmed(cast)
    with doing(cast.nurse):
        cast.worker.phone_only = True
        cast.worker.save()
    for passed in (0, 2, 3.5):
        pass_time(EVENING + hours(passed))
    text = " ".join(page(cast.nurse).content.decode().split())
    assert text.count("wants to be telephoned only") == 1
    assert "(3 ×)" in text


def test_looking_is_on_record_and_only_clinicians_of_the_site_look(cast, page):
    follow_up_told_and_confirmed(cast)
    before = AccessEntry.objects.count()
    assert page(cast.nurse).status_code == 200
    assert AccessEntry.objects.count() == before + 1
    for stranger in (cast.worker.user, cast.observer, cast.lead, cast.administrator, cast.outsider):
        assert page(stranger).status_code in (403, 404)


def test_every_reason_has_words():
    reasons = {*verdict.REMINDER_REASONS, *verdict.PAGE_REASONS, "overtaken", "no_address"}
    assert set(WHY_NOT) == reasons
    assert Reminder._meta.get_field("skipped_because").max_length >= max(map(len, reasons))
