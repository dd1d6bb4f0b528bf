"""The pages by which somebody typed in by name is linked to the person on the list."""

from datetime import timedelta

import pytest

from exposure.followup.models import FollowUp
from exposure.people.models import Role, Worker
from exposure.pipeline import follow
from tests.cast import MONDAY, doing
from tests.walk import confirm, log, report, tell
from tests.web.isolation import without_isolation

pytestmark = pytest.mark.database


@pytest.fixture
def typed(cast):
    """W. Alder of an agency, reported without a number; nobody has said yet who that is."""
    person = {"name": "W. Alder", "phone": "+351 900 000 077", "employer": "Brightwell Cleaning"}
    return report(cast, worker=None, person=person).breach.worker


@pytest.fixture
def nurse(cast, client, standing_clock):
    standing_clock(MONDAY + timedelta(hours=1))
    client.force_login(cast.nurse)
    return client


def link(typed, cast):
    return f"/people/{typed.uid}/link/{cast.worker.uid}/"


def page(client, address):
    answer = client.get(address)
    assert answer.status_code == 200
    return without_isolation(answer.content.decode())


def test_the_page_of_somebody_typed_in_asks_whether_they_are_on_the_list(cast, nurse, typed):
    question = "Is this somebody on the list?"
    assert question in page(nurse, f"/people/{typed.uid}/")
    assert question not in page(nurse, f"/people/{cast.worker.uid}/")


def test_the_name_as_typed_is_looked_for_first(cast, nurse, typed):
    assert link(typed, cast) in page(nurse, f"/people/{typed.uid}/link/")


@pytest.mark.parametrize(
    ("sought", "found"),
    [("alder wim", True), ("sg-1042", True), ("900 000 042", True), ("Wim Elder", False), ("", False)],
)
def test_people_are_found_by_every_word_of_name_number_or_telephone(cast, nurse, typed, sought, found):
    answer = nurse.get(f"/people/{typed.uid}/link/", {"find": sought})
    assert (link(typed, cast) in answer.content.decode()) is found


def test_neither_the_person_themselves_nor_anybody_linked_is_offered(cast, nurse, typed):
    other = report(cast, worker=None, person={"name": "W. Alder"}).breach.worker
    nurse.post(link(other, cast))
    offered = page(nurse, f"/people/{typed.uid}/link/")
    assert f"/link/{other.uid}/" not in offered
    assert f"/link/{typed.uid}/" not in offered
    assert nurse.get(f"/people/{typed.uid}/link/{other.uid}/").status_code == 404


def test_before_it_is_done_the_page_says_what_will_happen_and_does_nothing(cast, nurse, typed):
    reported = report(cast)
    tell(cast, reported)
    confirm(cast, reported)
    at = MONDAY + timedelta(minutes=30)
    with doing(cast.nurse, at=at):
        body = cast.reading(temperature="38.4")
        follow.log_reading(body=body, worker=typed, entered_by=cast.nurse, at=at)
    said = page(nurse, link(typed, cast))
    assert "Ebola: the two follow-ups become one. The exposure of 2 March moves" in said
    assert f"Report {typed.breaches.get().reference} becomes a report about Wim Alder." in said
    assert "1 reading stays as it was entered" in said
    assert "1 open alert is raised anew" in said
    assert "+351 900 000 077 stays with the old entry" in said
    assert not Worker.objects.filter(same_as__isnull=False).exists()


def test_a_follow_up_that_has_no_other_beside_it_is_said_to_go_on(cast, nurse, typed):
    assert "Ebola: the follow-up, exposure of 2 March, goes on" in page(nurse, link(typed, cast))


def test_a_sign_off_that_would_be_void_is_said_so(cast, nurse, typed):
    tell(cast, reported := report(cast))
    confirm(cast, reported)
    own = FollowUp.objects.get(worker=cast.worker)
    with doing(cast.nurse):
        own.clearances.create(
            kind="completed", signatures_needed=2, effective_at=MONDAY + timedelta(days=22), reasons=[]
        )
    assert "A sign-off that has not taken effect becomes void." in page(nurse, link(typed, cast))


def test_linked_the_old_address_leads_to_the_person_who_is_also_entered_under_the_old_name(
    cast, nurse, typed
):
    done = nurse.post(link(typed, cast))
    person = f"/people/{cast.worker.uid}/"
    assert done.url == person
    for old in (f"/people/{typed.uid}/", f"/people/{typed.uid}/link/", link(typed, cast)):
        assert nurse.get(old).url == person
    assert nurse.post(link(typed, cast)).url == person
    shown = page(nurse, person)
    assert "Also entered as W. Alder, Brightwell Cleaning" in " ".join(shown.split())
    assert FollowUp.objects.get().worker == cast.worker


def test_somebody_on_the_list_is_not_linked_to_another(cast, nurse, typed):
    assert nurse.get(f"/people/{cast.worker.uid}/link/").status_code == 404
    assert nurse.post(f"/people/{cast.worker.uid}/link/{typed.uid}/").status_code == 404


def test_nobody_finds_or_links_to_their_own_record(cast, client, standing_clock, typed):
    standing_clock(MONDAY)
    with doing("command:tests"):
        cast.worker.user.roles.create(kind=Role.Kind.NURSE, site=cast.site, from_at=MONDAY)
    client.force_login(cast.worker.user)
    assert link(typed, cast) not in page(client, f"/people/{typed.uid}/link/")
    assert client.post(link(typed, cast)).status_code == 404
    typed.refresh_from_db()
    assert typed.same_as is None


@pytest.mark.parametrize("who", ["outsider", "observer", "lead"])
def test_it_is_not_there_for_whoever_may_not_see_the_person(cast, client, standing_clock, typed, who):
    standing_clock(MONDAY)
    client.force_login(getattr(cast, who))
    assert client.get(f"/people/{typed.uid}/link/").status_code == 404
    assert client.post(link(typed, cast)).status_code == 404


def test_a_reading_of_the_old_entry_stands_on_the_page_of_the_person(cast, nurse, typed):
    tell(cast, reported := report(cast))
    confirm(cast, reported)
    nurse.post(link(typed, cast))
    log(cast, at=MONDAY + timedelta(hours=1), temperature="37.3")
    assert "37.3" in page(nurse, f"/people/{cast.worker.uid}/")


def test_what_no_database_can_store_is_refused_with_the_name_of_the_field(cast, nurse, typed):
    answer = nurse.get(f"/people/{typed.uid}/link/", {"find": "alder\0"})
    assert answer.status_code == 400
    assert "find" in answer.content.decode()
