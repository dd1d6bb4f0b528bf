"""A report that is being written is kept for its writer, and nobody else, until it is sent or some days are over."""

from datetime import timedelta
from urllib.parse import urlencode
from uuid import uuid4

import pytest
from django.test import Client
from django.urls import reverse

from exposure.people.models import Role, User
from exposure.report.drafts import KEPT, MOST_DRAFTS, draft_of, keep_draft
from exposure.report.models import Breach, ReportDraft
from exposure.tasks import tick
from tests.cast import MONDAY, doing

pytestmark = pytest.mark.database

ADDRESS = "/stations/heron/report/"
WORDS = "The inner glove tore at the cuff."


def signed_in(user):
    client = Client()
    client.force_login(user)
    return client


@pytest.fixture
def fields(cast, standing_clock):
    standing_clock(MONDAY)
    return {
        "submission_id": str(uuid4()), "page": "details", "go": "review", "who": str(cast.worker.uid),
        "narrative": WORDS, "what_happened": "glove_tear", "case": cast.case.code,
        "occurred_at": "2026-03-02T08:40",
    }  # fmt: skip


def page_of(client, fields):
    query = urlencode({"draft": fields["submission_id"], "page": "review"})
    return client.get(f"{ADDRESS}?{query}", follow=True).content.decode()


def test_it_is_there_again_when_the_session_has_ended_and_its_writer_has_signed_in_anew(cast, fields):
    olga = signed_in(cast.observer)
    assert olga.post(ADDRESS, fields).status_code == 302
    olga.session.flush()
    assert WORDS in page_of(signed_in(cast.observer), fields)


def test_nothing_of_it_lies_in_the_session(cast, fields):
    olga = signed_in(cast.observer)
    olga.post(ADDRESS, fields)
    assert WORDS not in str(dict(olga.session))


def test_nobody_else_sees_it_and_their_own_under_the_same_id_is_another(cast, fields):
    signed_in(cast.observer).post(ADDRESS, fields)
    with doing("command:tests"):
        other = User.objects.create_user("second", full_name="Odd Reed")
        Role.objects.create(user=other, site=cast.site, kind=Role.Kind.OBSERVER, from_at=MONDAY)
    odd = signed_in(other)
    assert WORDS not in page_of(odd, fields)
    odd.post(ADDRESS, {**fields, "narrative": "Mine."})
    assert WORDS in page_of(signed_in(cast.observer), fields)
    assert "Mine." in page_of(odd, fields)


def test_it_is_forgotten_once_it_is_sent(cast, fields):
    olga = signed_in(cast.observer)
    olga.post(ADDRESS, fields)
    olga.post(ADDRESS, {**fields, "page": "review", "go": ""})
    assert Breach.objects.get().narrative == WORDS
    assert not ReportDraft.objects.exists()


@pytest.mark.parametrize(("later", "there"), [(KEPT - timedelta(seconds=1), True), (KEPT, False)])
def test_it_is_gone_after_some_days_whoever_wrote_it(cast, fields, standing_clock, later, there):
    signed_in(cast.observer).post(ADDRESS, fields)
    standing_clock(MONDAY + later)
    assert (WORDS in page_of(signed_in(cast.observer), fields)) is there
    tick()
    assert ReportDraft.objects.filter(submission_id=fields["submission_id"]).exists() is there


def test_the_oldest_of_a_writer_make_room_and_nobody_elses(cast):
    keep_draft(cast.nurse.pk, uuid4(), {"narrative": "hers"}, {}, at=MONDAY)
    ids = [uuid4() for _draft in range(MOST_DRAFTS + 2)]
    for number, uid in enumerate(ids):
        keep_draft(cast.observer.pk, uid, {}, {}, at=MONDAY + timedelta(minutes=number))
    kept = [uid for uid in ids if draft_of(cast.observer.pk, uid, at=MONDAY + timedelta(hours=1))]
    assert kept == ids[2:]
    assert ReportDraft.objects.filter(user=cast.nurse).count() == 1


def test_text_that_cannot_be_stored_does_not_lose_it(cast):
    uid = uuid4()
    keep_draft(cast.observer.pk, uid, {"narrative": "a\0b"}, {"\0": "\ud800"}, at=MONDAY)
    assert draft_of(cast.observer.pk, uid, at=MONDAY) == ({"narrative": "a�b"}, {"�": "�"})


@pytest.mark.parametrize("named", ["", "none", "\ud800", "0c3b3fbe-2908-4335-adaf-36e2996d0b13"])
def test_an_address_that_names_no_draft_begins_a_new_report(cast, fields, named):
    olga = signed_in(cast.observer)
    answer = olga.get(ADDRESS, {"draft": named.encode("utf-8", "replace")}, follow=True)
    assert answer.status_code == 200
    assert answer.redirect_chain[0][0].startswith(reverse("report", args=["heron"]))
