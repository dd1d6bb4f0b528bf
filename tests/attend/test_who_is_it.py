"""Somebody typed in by name: who it is stays asked until they are linked, or somebody says that they are on no list."""

import pytest
from django.core.exceptions import PermissionDenied
from django.urls import reverse

from exposure.attend.models import OtherDecision, Promise
from exposure.followup.contact_list import read_contact_list
from exposure.people.models import Worker
from exposure.pipeline import enter, expose, follow, link
from exposure.refusal import Conflict, NotYet
from exposure.web.nurse import queue, waits
from tests.cast import MONDAY, doing
from tests.walk import confirm, hours, report, tell
from tests.web.isolation import without_isolation

pytestmark = pytest.mark.database
LATER = MONDAY + hours(1)
# The same telephone as Wim's, +351 900 000 042, as people write it.
PERSON = {"name": "W. Alder", "phone": "900000042", "employer": "Brightwell Cleaning"}


def reported(cast):
    made = report(cast, worker=None, person=PERSON)
    tell(cast, made)
    confirm(cast, made)
    return made.breach.worker


def on_a_contact_list(cast):
    text = "name,phone,employer,last_contact,tier\nW. Alder,900000042,Brightwell Cleaning,2026-03-01,high\n"
    with doing(cast.nurse):
        [exposure] = expose.record_contact_list(
            rows=read_contact_list(text), case=cast.case, pathogen="ebola", by=cast.nurse, at=MONDAY
        )
    return exposure.follow_up.worker


def on_the_list(cast):
    return report(cast).breach.worker


def in_a_drill(cast):
    return report(cast, worker=None, person=PERSON, drill=True).breach.worker


def asked():
    return Promise.objects.open().filter(kind="identify")


@pytest.mark.parametrize(
    ("enters", "is_asked"),
    [(reported, True), (on_a_contact_list, True), (on_the_list, False), (in_a_drill, False)],
    ids=lambda value: getattr(value, "__name__", None),
)
def test_it_is_asked_of_whoever_came_without_a_number_by_whatever_door(cast, enters, is_asked):
    worker = enters(cast)
    lines = [line for line in queue.lines(cast.nurse, at=LATER) if line.cause == waits.TO_IDENTIFY]
    assert [line.worker for line in lines] == [worker] * is_asked


@pytest.mark.parametrize("enters", [reported, on_a_contact_list])
def test_linked_it_is_asked_no_more(cast, enters):
    worker = enters(cast)
    with doing(cast.nurse, at=LATER):
        link.link_worker(worker=worker, same_as=cast.worker, by=cast.nurse, at=LATER)
    assert not asked().exists()


def test_linked_to_somebody_else_without_a_number_it_is_asked_of_that_one(cast):
    worker = reported(cast)
    with doing("command:tests"):
        other = Worker.objects.create(site=cast.site, name="Vera Stone")
    with doing(cast.nurse, at=LATER):
        link.link_worker(worker=worker, same_as=other, by=cast.nurse, at=LATER)
    assert [promise.worker for promise in asked()] == [other]


def test_a_clinician_says_that_they_are_on_no_list(cast, client, standing_clock):
    worker = reported(cast)
    standing_clock(LATER)
    client.force_login(cast.nurse)
    deed = reverse("person_not_listed", args=[worker.uid])
    search = client.get(reverse("person_link", args=[worker.uid])).content.decode()
    assert deed in search
    assert client.get(deed).status_code == 200
    assert client.post(deed, {"note": "Of an agency."}).status_code == 302
    kept = Promise.objects.get(kind="identify")
    assert (kept.kept_at, kept.kept_by, kept.note) == (LATER, cast.nurse, "Of an agency.")
    report(cast, worker=str(worker.uid))  # settles anew
    assert not asked().exists()


def test_another_word_on_it_is_kept_and_said_and_who_may_not_says_nothing(cast):
    worker = reported(cast)
    with doing(cast.nurse, at=LATER):
        enter.note_unlisted(worker=worker, note="Of an agency.", by=cast.nurse, at=LATER)
    with doing(cast.nurse2, at=LATER), pytest.raises(Conflict):
        enter.note_unlisted(worker=worker, note="A visitor.", by=cast.nurse2, at=LATER)
    assert OtherDecision.objects.get().sent == {"note": "A visitor."}
    with doing(cast.outsider, at=LATER), pytest.raises(PermissionDenied):
        enter.note_unlisted(worker=worker, by=cast.outsider, at=LATER)
    with doing(cast.nurse, at=LATER), pytest.raises(NotYet):
        enter.note_unlisted(worker=cast.worker, by=cast.nurse, at=LATER)


@pytest.mark.parametrize("sought", [None, "900000042", "+351900000042", "00351 900 000 042"])
def test_whoever_has_the_same_telephone_is_offered_however_it_is_written(
    cast, client, standing_clock, sought
):
    with doing("command:tests"):
        cast.worker.name = "Somebody Else"
        cast.worker.save()
    worker = reported(cast)
    standing_clock(LATER)
    client.force_login(cast.nurse)
    page = client.get(reverse("person_link", args=[worker.uid]), {"find": sought} if sought else {})
    assert reverse("person_link_to", args=[worker.uid, cast.worker.uid]) in page.content.decode()
    assert "the same number" in page.content.decode()


def test_both_records_stand_side_by_side_with_what_is_in_them(cast, client, standing_clock):
    worker, known = reported(cast), report(cast).breach
    with doing(cast.nurse, at=LATER):
        body = cast.reading(temperature="38.9", taken_at=LATER.isoformat())
        follow.log_reading(body=body, worker=cast.worker, entered_by=cast.nurse, at=LATER)
    standing_clock(LATER)
    client.force_login(cast.nurse)
    page = client.get(reverse("person_link_to", args=[worker.uid, cast.worker.uid]))
    page = without_isolation(page.content.decode())
    for said in (
        worker.breaches.get().reference,
        known.reference,
        "Ebola, since 2 Mar 2026",
        "38.9",
        "Fever",
    ):
        assert said in page
