"""A link that was wrong is undone: all is as it was before, until somebody has written on the record."""

from datetime import timedelta

import pytest
from django.urls import reverse

from exposure.attend.models import Alert, Promise
from exposure.followup.models import Exposure, FollowUp, PrivateNote
from exposure.people.models import Worker
from exposure.pipeline import enter, follow
from exposure.pipeline.link import link_worker
from exposure.pipeline.unlink import unlink_worker
from exposure.refusal import BadSubmission, NotYet
from exposure.report.models import Breach
from tests.cast import MONDAY, doing
from tests.walk import confirm, hours, log, report, tell
from tests.web.nora import words

pytestmark = pytest.mark.database
LINKED, UNDONE = MONDAY + hours(3), MONDAY + hours(4)
WHY = "Two cleaners of one name."


@pytest.fixture
def typed(cast):
    """Somebody typed in by name, with a fever and a private note; Wim, who is on the list, is followed up too."""
    reported = report(cast)
    tell(cast, reported)
    confirm(cast, reported)
    person = {"name": "W. Alder", "phone": "+351 900 000 077"}
    at = MONDAY + hours(1)
    worker = report(cast, at=at, worker=None, person=person, occurred_at=at.isoformat()).breach.worker
    with doing(cast.nurse, at=MONDAY + hours(2)):
        body = cast.reading(temperature="38.4", taken_at=(MONDAY + hours(2)).isoformat())
        follow.log_reading(body=body, worker=worker, entered_by=cast.nurse, at=MONDAY + hours(2))
        enter.note_privately(
            worker=worker, fever_unreliable=True, text="Steroids.", by=cast.nurse, at=MONDAY + hours(2)
        )
    return worker


def link(cast, worker, at=LINKED):
    with doing(cast.nurse, at=at):
        link_worker(worker=worker, same_as=cast.worker, by=cast.nurse, at=at)


def undo(cast, worker, at=UNDONE, reason=WHY, by=None):
    by = by or cast.nurse2
    with doing(by, at=at):
        return unlink_worker(worker=Worker.objects.get(pk=worker.pk), reason=reason, by=by, at=at)


def stands():
    """Who has what: what the link moves, as people see it."""
    return {
        "people": sorted(Worker.objects.values_list("name", "same_as__name", "phone")),
        "reports": sorted(Breach.objects.values_list("reference", "worker__name")),
        "follow-ups": sorted(
            (one.worker.name, str(one.ended_at), one.opened_at, one.states.last().kind)
            for one in FollowUp.objects.all()
        ),
        "exposures": sorted(Exposure.objects.values_list("pk", "follow_up", "follow_up__worker__name")),
        "checks": sorted(
            FollowUp.objects.filter(checks__withdrawn_at=None).values_list("worker__name", "checks__opens_at")
        ),
        "alerts": sorted(
            Alert.objects.filter(closed_at=None, worker__isnull=False).values_list(
                "worker__name", "cause", "because"
            )
        ),
        "promises": sorted(
            Promise.objects.open()
            .exclude(key__startswith="change")
            .values_list("worker__name", "kind", "key", "title")
        ),
        "notes": sorted(
            PrivateNote.objects.exclude(text="").values_list("worker__name", "text", "fever_unreliable")
        ),
    }


def test_everything_is_as_it_was(cast, typed):
    before = stands()
    link(cast, typed)
    assert stands() != before
    undo(cast, typed)
    after = stands()
    for what, rows in before.items():
        assert after[what] == rows, what
    assert typed.alerts.get(closed_at=None, cause="fever").entries.get().reading.worker == typed
    assert not cast.worker.alerts.filter(closed_at=None, cause="fever").exists()


def test_both_directions_stand_in_the_history_with_who_and_why(cast, typed):
    link(cast, typed)
    undo(cast, typed)
    versions = typed.history.order_by("history_id")
    said = [(one.history_user, one.history_change_reason) for one in versions][-2:]
    assert said == [(cast.nurse.actor, "The same person as Wim Alder."), (cast.nurse2.actor, WHY)]


def test_a_sign_in_or_what_the_clock_does_is_nothing_that_was_written(cast, typed, client, standing_clock):
    link(cast, typed)
    standing_clock(UNDONE)
    client.force_login(cast.nurse)
    client.get(reverse("person", args=[cast.worker.uid]))
    assert undo(cast, typed).same_as is None


WRITTEN = {
    "a reading": lambda cast: log(cast, at=LINKED + hours(0.5)),
    "a call": lambda cast: enter.note_call(
        worker=cast.worker, answered=True, note="", by=cast.nurse, at=LINKED + hours(0.5)
    ),
    "a private note": lambda cast: enter.note_privately(
        worker=cast.worker, fever_unreliable=False, text="Asthma.", by=cast.nurse, at=LINKED + hours(0.5)
    ),
    "a vaccine": lambda cast: enter.record_protection(
        worker=cast.worker,
        kind="vaccine",
        what="Trial",
        given_at=MONDAY,
        by=cast.nurse,
        at=LINKED + hours(0.5),
    ),
}


@pytest.mark.parametrize("what", WRITTEN)
def test_after_something_was_written_it_stays_and_the_page_says_what_to_do_instead(
    cast, typed, client, standing_clock, what
):
    link(cast, typed)
    with doing(cast.nurse, at=LINKED + hours(0.5)):
        WRITTEN[what](cast)
    with pytest.raises(NotYet) as refused:
        undo(cast, typed)
    assert refused.value.reasons == ("written_since",)
    standing_clock(UNDONE)
    client.force_login(cast.nurse)
    page = words(client.get(reverse("person_unlink", args=[typed.uid])))
    assert "It can no longer be undone here" in page
    assert "Record the exposure of the other person anew" in page


def test_a_vaccine_that_was_entered_for_both_stays_on_both_records_and_so_the_link(cast, typed):
    with doing(cast.nurse, at=MONDAY + hours(2)):
        enter.record_protection(
            worker=typed, kind="vaccine", what="Trial", given_at=MONDAY, by=cast.nurse, at=MONDAY + hours(2)
        )
    link(cast, typed)
    with pytest.raises(NotYet):
        undo(cast, typed)


def test_what_came_with_another_record_is_undone_there_first(cast, typed):
    other = report(cast, worker=None, person={"name": "Will Alder"}, at=MONDAY).breach.worker
    with doing(cast.nurse, at=LINKED):
        link_worker(worker=other, same_as=typed, by=cast.nurse, at=LINKED)
    link(cast, typed, at=LINKED + timedelta(minutes=5))
    with pytest.raises(NotYet) as refused:
        undo(cast, other)
    assert refused.value.reasons == ("linked_before",)
    undo(cast, typed)
    other.refresh_from_db()
    assert other.same_as == typed
    undo(cast, other, at=UNDONE + hours(1))
    other.refresh_from_db()
    assert other.same_as is None


def test_it_wants_a_reason_and_once_undone_it_is_over(cast, typed):
    link(cast, typed)
    with pytest.raises(BadSubmission) as refused:
        undo(cast, typed, reason=" ")
    assert refused.value.problems[0].pointer == "/reason"
    undo(cast, typed)
    with pytest.raises(NotYet):
        undo(cast, typed)


def test_from_the_persons_page_it_is_undone_and_both_pages_are_there_again(
    cast, typed, client, standing_clock
):
    link(cast, typed)
    standing_clock(UNDONE)
    client.force_login(cast.nurse)
    address = reverse("person_unlink", args=[typed.uid])
    assert address in client.get(reverse("person", args=[cast.worker.uid])).content.decode()
    done = client.post(address, {"reason": WHY}, follow=True)
    assert "The link is undone" in words(done) or "The link is undone" in done.content.decode()
    assert client.get(reverse("person", args=[typed.uid])).status_code == 200
    assert client.get(address).status_code == 404
