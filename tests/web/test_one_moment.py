"""A page that asks several times answers as of one moment (PostgreSQL 15, "Transaction Isolation", repeatable read)."""

from datetime import timedelta
from threading import Thread

import pytest
from django.db import connection
from django.urls import reverse

from exposure.web.worker import views
from tests.walk import follow_up_told_and_confirmed, log
from tests.web.wim import words

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.mark.skipif(
    "connection.vendor != 'postgresql'", reason="elsewhere readers are not kept apart from writers"
)
def test_a_reading_that_comes_while_my_days_are_read_is_in_all_of_the_page_or_in_none(
    cast, client, standing_clock, monkeypatch
):
    follow_up = follow_up_told_and_confirmed(cast)
    check = follow_up.checks.order_by("opens_at").first()
    standing_clock(check.due_at + timedelta(minutes=5))
    usual = views.readings_of

    def meanwhile(worker):
        def send():
            log(cast, at=check.due_at, temperature="37.2")
            connection.close()

        sending = Thread(target=send)
        sending.start()
        sending.join()
        return usual(worker)

    client.force_login(cast.worker.user)
    monkeypatch.setattr(views, "readings_of", meanwhile)
    first = words(client.get(reverse("my_days")))
    assert follow_up.checks.get(pk=check.pk).fills.exists(), "it has come"
    assert "37.2" not in first
    monkeypatch.undo()
    standing_clock(check.due_at + timedelta(minutes=5))
    assert "37.2" in words(client.get(reverse("my_days")))
