"""Two sites and one person: what a site sees of another's record, from when, until when, and who decides.

Wim is known at his own site, Northgate here; the cast's site is where he is exposed.
"""

from datetime import timedelta

import pytest
from django.core.exceptions import PermissionDenied
from django.test import Client

from exposure.models import (
    Alert,
    Assessment,
    Breach,
    Call,
    Case,
    Exposure,
    FollowUp,
    OtherDecision,
    PrivateNote,
    Protection,
    Reading,
    Worker,
)
from exposure.people.access import may_on, require_on, shows, visible
from exposure.people.models import BrokenGlass, Role, User
from exposure.people.policy import AS_CLINICIAN, IN_LISTS, PARTS, PATHS, Deed, Part, View
from exposure.pipeline import attend, classify, enter, follow, link
from tests.cast import MONDAY, doing
from tests.walk import hours, report, sweep_at, tell
from tests.web.isolation import without_isolation

pytestmark = pytest.mark.database
SAID = "Slipped while the door was open."
LATER = MONDAY + hours(1)
NOTED = "Takes steroids at home."


@pytest.fixture
def visitor(cast):
    """Somebody of the other site; `cast.outsider` is their nurse, `cast.nurse` the nurse of the site they visit."""
    with doing("command:tests"):
        account = User.objects.create_user("vera", full_name="Vera Holm")
        return Worker.objects.create(
            site=cast.other_site, user=account, number="NG-31", name="Vera Holm", phone="+351 900 000 077"
        )


@pytest.fixture
def reported(cast, visitor):
    """A report here about the visitor: the follow-up is opened here."""
    return report(cast, worker=visitor.number, narrative=SAID, shoe_size=43)


@pytest.fixture
def at_home(cast, visitor):
    """The visitor's own site follows them up too, for something else, and has noted this and that."""
    with doing(cast.outsider):
        Protection.objects.create(worker=visitor, kind="vaccine", what="Hepatitis B", given_at=MONDAY)
        enter.note_privately(worker=visitor, fever_unreliable=False, text=NOTED, by=cast.outsider, at=MONDAY)
        enter.note_call(worker=visitor, answered=True, note=NOTED, by=cast.outsider, at=MONDAY)
        follow_up = FollowUp.objects.create(
            site=cast.other_site, worker=visitor, pathogen="nipah", opened_at=MONDAY
        )
        Alert.objects.create(
            site=cast.other_site, follow_up=follow_up, cause="silence", because="Silent.", raised_at=MONDAY,
            round_at=MONDAY, dated_at=MONDAY,
        )  # fmt: skip
        follow.log_reading(
            body=cast.reading(temperature="36.9"),
            worker=visitor,
            entered_by=cast.outsider,
            at=MONDAY + hours(1),
        )
    return follow_up


def seen_by(user, model, *views, at=LATER):
    return set(visible(user, model.objects.all(), *(views or IN_LISTS), at=at))


def test_every_side_sees_only_parts_that_the_table_gives_it(cast):
    assert set(PARTS) == set(View)
    for name, paths in PATHS.items():
        if paths.followed:
            assert paths.part in PARTS[View.FOLLOWING], name
        if paths.worker:
            assert paths.part in PARTS[View.GLASS], name
    hidden = set(Part) - PARTS[View.FOLLOWING]
    assert hidden == {Part.PLACES, Part.NARRATIVE, Part.CALLS, Part.NOTES}


def test_the_site_where_it_happened_sees_the_person_and_their_own_site_does_not_see_the_report(
    cast, visitor, reported
):
    breach, follow_up = reported.breach, reported.follow_ups[0]
    assert follow_up.site == cast.site
    assert visitor in seen_by(cast.nurse, Worker)
    assert seen_by(cast.nurse, Breach) == {breach}
    assert visitor in seen_by(cast.outsider, Worker)
    assert visitor in seen_by(cast.auditor, Worker, View.AUDIT)
    assert visitor not in seen_by(cast.administrator, Worker, View.SETUP)
    for model in (Breach, Assessment, FollowUp, Exposure, Alert, Reading):
        assert not seen_by(cast.outsider, model), model


def test_who_follows_the_same_person_sees_what_is_needed_to_follow(cast, visitor, reported, at_home):
    assert at_home in seen_by(cast.nurse, FollowUp)
    assert {one.follow_up for one in seen_by(cast.nurse, Alert) if one.follow_up} >= {at_home}
    assert len(seen_by(cast.nurse, Reading)) == 1
    assert len(seen_by(cast.nurse, Protection)) == 1
    for model in (PrivateNote, Call, OtherDecision):
        assert not seen_by(cast.nurse, model), model
    assert reported.follow_ups[0] in seen_by(cast.outsider, FollowUp)
    assert not seen_by(cast.outsider, Breach), "the report is for another follow-up"
    assert not seen_by(cast.outsider, Case)


@pytest.mark.parametrize(("after", "sees"), [(-1, True), (1, False)])
def test_it_ends_with_the_follow_up(cast, visitor, reported, at_home, after, sees):
    ended = MONDAY + hours(24)
    with doing(cast.nurse):
        own = reported.follow_ups[0]
        own.ended_at = ended
        own.save()
    at, long_after = ended + timedelta(seconds=after), MONDAY + timedelta(days=40)
    with doing(cast.outsider):
        follow.log_reading(
            body=cast.reading(taken_at=long_after.isoformat()),
            worker=visitor,
            entered_by=cast.outsider,
            at=long_after,
        )
    assert (at_home in seen_by(cast.nurse, FollowUp, at=at)) is sees
    later = Reading.objects.latest("taken_at")
    assert (later in seen_by(cast.nurse, Reading, at=at)) is sees
    assert own in seen_by(cast.nurse, FollowUp, at=at), "its own record stays its own"
    assert visitor in seen_by(cast.nurse, Worker, at=at)
    assert may_on(cast.nurse, Deed.CALL, visitor, at=at) is sees


def test_a_follow_up_of_another_site_that_has_ended_is_not_shown(cast, visitor, reported, at_home):
    with doing(cast.outsider):
        at_home.ended_at = MONDAY
        at_home.save()
    assert at_home not in seen_by(cast.nurse, FollowUp)


@pytest.fixture
def joined(cast, visitor):
    """The visitor's own site follows them up for the same disease: a report here joins that follow-up."""
    with doing(cast.outsider):
        follow_up = FollowUp.objects.create(
            site=cast.other_site, worker=visitor, pathogen="ebola", opened_at=MONDAY
        )
    reported = report(cast, worker=visitor.number, narrative=SAID)
    assert list(reported.follow_ups) == [follow_up]
    return reported


def test_a_report_that_joins_a_follow_up_elsewhere_is_seen_by_both_and_its_words_where_they_were_said(
    cast, joined
):
    for user in (cast.nurse, cast.outsider):
        assert seen_by(user, Breach) == {joined.breach}
        assert seen_by(user, Assessment)
    assert shows(cast.nurse, joined.breach, Part.NARRATIVE, at=MONDAY)
    assert not shows(cast.outsider, joined.breach, Part.NARRATIVE, at=MONDAY)


@pytest.mark.parametrize("who", ["nurse", "outsider"])
def test_either_site_confirms_it(cast, joined, who):
    user = getattr(cast, who)
    with doing(user):
        classify.confirm_breach(breach=joined.breach, by=user, note="Spoke.", at=MONDAY)
    joined.breach.refresh_from_db()
    assert joined.breach.confirmed_by == user


def test_a_third_site_neither_sees_nor_confirms_it(cast, joined):
    with doing("command:tests"):
        third = User.objects.create_user("third", full_name="Theo Third")
        site = type(cast.site).objects.create(code="southgate", name="Southgate", zone="Europe/Lisbon")
        Role.objects.create(user=third, site=site, kind=Role.Kind.NURSE, from_at=MONDAY)
    assert not seen_by(third, Breach)
    with doing(third), pytest.raises(PermissionDenied):
        classify.confirm_breach(breach=joined.breach, by=third, at=MONDAY)


def test_the_private_note_is_their_own_sites_to_write(cast, visitor, reported, at_home):
    with doing(cast.nurse), pytest.raises(PermissionDenied):
        enter.note_privately(worker=visitor, fever_unreliable=True, text="", by=cast.nurse, at=MONDAY)
    assert PrivateNote.objects.get().text == NOTED


# Every door


@pytest.fixture
def pages(cast, standing_clock):
    standing_clock(MONDAY + hours(1))

    def of(who):
        client = Client()
        client.force_login(getattr(cast, who))
        return client

    return of


def words_of(client, address, *, status=200):
    answer = client.get(address)
    assert answer.status_code == status, address
    return without_isolation(answer.content.decode())


def test_the_persons_page_tells_each_site_its_own_words_only(cast, visitor, reported, at_home, pages):
    address = f"/people/{visitor.uid}/"
    here, home = words_of(pages("nurse"), address), words_of(pages("outsider"), address)
    assert SAID in here
    assert SAID not in home
    assert NOTED in home
    assert NOTED not in here
    assert "Private note" not in here
    assert "Hepatitis B" in here
    assert f"Nipah, followed up by {cast.other_site.name}" in here
    assert f"Ebola, followed up by {cast.site.name}" in home


def test_their_history_tells_each_site_its_own_entries_only(cast, visitor, reported, at_home, pages):
    address = f"/history/people/{visitor.uid}/"
    here, home = words_of(pages("nurse"), address), words_of(pages("outsider"), address)
    assert SAID in here
    assert SAID not in home
    assert NOTED in home
    assert NOTED not in here


def test_the_page_of_a_joined_report_keeps_its_words_from_the_other_site(cast, joined, pages):
    address = f"/reports/{joined.breach.uid}/"
    here, there = words_of(pages("nurse"), address), words_of(pages("outsider"), address)
    assert SAID in here
    assert cast.case.code in here
    assert SAID not in there
    assert cast.case.code not in there
    assert "Confirm the report" in there


def test_so_does_the_api(cast, joined, pages):
    address = f"/api/v1/breaches/{joined.breach.uid}/"
    here, there = pages("nurse").get(address).json(), pages("outsider").get(address).json()
    assert (here["narrative"], here["case"]) == (SAID, cast.case.code)
    assert (there["narrative"], there["case"]) == ("", None)
    assert there["person"]["name"] == "Vera Holm"
    follow_up = f"/api/v1/follow-ups/{joined.follow_ups[0].uid}/"
    assert SAID not in pages("outsider").get(f"{follow_up}exposures/").content.decode()


def test_the_private_notes_page_is_not_opened_to_who_may_not_write_it(visitor, reported, at_home, pages):
    address = f"/people/{visitor.uid}/private-note/"
    assert NOTED not in words_of(pages("nurse"), address, status=403)
    assert NOTED in words_of(pages("outsider"), address)


def test_a_contact_list_tells_nothing_of_people_of_another_site(cast, visitor, at_home, pages):
    rows = "number,last_contact,tier\nNG-31,2026-03-01,high\nNG-99,2026-03-01,high\n"
    answer = pages("nurse").post(
        f"/cases/{cast.case.uid}/contact-list/",
        {"text": rows, "pathogen": "ebola", "source": "contact_list"},
    )
    words = answer.content.decode()
    assert "NG-31" in words
    assert "Vera Holm" not in words
    assert "has a follow-up already" not in words
    assert "somebody of another site" in words


def test_needs_action_lists_what_the_site_may_do(cast, joined, pages):
    for who in ("nurse", "outsider"):
        assert "report to confirm" in words_of(pages(who), "/needs-action/").lower(), who


def test_needs_action_does_not_list_the_others_alerts(cast, reported, at_home, pages):
    assert "Silent." in words_of(pages("outsider"), "/needs-action/")
    assert "Silent." not in words_of(pages("nurse"), "/needs-action/")


def test_a_site_of_which_glass_was_broken_is_seen_for_an_hour(cast, visitor, reported):
    with doing(cast.outsider):
        BrokenGlass.objects.create(
            user=cast.outsider, worker=visitor, reason="Collapsed here.", until_at=MONDAY + hours(1)
        )
    within, after = MONDAY + timedelta(minutes=59), MONDAY + hours(1)
    assert seen_by(cast.outsider, Breach, *AS_CLINICIAN, at=within) == {reported.breach}
    assert not seen_by(cast.outsider, Breach, *AS_CLINICIAN, at=after)
    assert not seen_by(cast.outsider, Breach, *IN_LISTS, at=within)
    assert not seen_by(cast.nurse2, PrivateNote, View.GLASS, at=within)
    with pytest.raises(PermissionDenied):
        require_on(cast.outsider, Deed.CONFIRM, reported.breach, at=within)


def test_readings_are_entered_into_ones_own_record_after_it_has_ended(cast, visitor, reported):
    with doing(cast.nurse):
        own = reported.follow_ups[0]
        own.ended_at = MONDAY + hours(20)
        own.save()
    assert may_on(cast.nurse, Deed.ENTER_READING, visitor, at=MONDAY + hours(21))
    assert not may_on(cast.outsider, Deed.CONFIRM, reported.breach, at=MONDAY + hours(21))


def test_linking_somebody_of_another_site_is_refused(cast, visitor):
    unlisted = report(cast, worker=None, person={"name": "V. Holm"}).breach.worker
    with doing(cast.nurse), pytest.raises(PermissionDenied):
        link.link_worker(worker=unlisted, same_as=visitor, by=cast.nurse, at=MONDAY)


def test_breaking_the_glass_asks_why_and_everybody_concerned_sees_it(cast, visitor, reported, pages):
    tell(cast, reported)
    address = f"/people/{visitor.uid}/"
    third = pages("outsider")
    with doing("command:tests"):
        visitor.site = cast.site
        visitor.save()
    assert third.get(address).status_code == 404
    for said, complaint in (
        ({"number": "NG-31", "reason": ""}, "required"),
        ({"number": "NG-31", "reason": "x"}, "somebody else can judge"),
        ({"number": "NG-00", "reason": "Collapsed at our door."}, "Nobody has this number"),
    ):
        assert complaint in third.post("/people/open/", said).content.decode()
    assert not BrokenGlass.objects.exists()
    why = {"number": "ng-31", "reason": "Collapsed at our door."}
    assert third.post("/people/open/", why)["Location"] == address
    assert third.post("/people/open/", why)["Location"] == address
    [broken] = BrokenGlass.objects.all()
    assert broken.until_at - broken.recorded_at == timedelta(minutes=60)
    assert SAID in words_of(third, address)
    assert "Collapsed at our door." in words_of(third, address)
    client = Client()
    client.force_login(visitor.user)
    theirs = words_of(client, "/what-this-means/")
    assert "Xenia Fern of another site opened it" in theirs
    assert "Collapsed at our door." in theirs
    assert "Collapsed at our door." in words_of(pages("auditor"), f"/history/people/{visitor.uid}/")


@pytest.mark.parametrize("who", ["observer", "lead", "auditor", "administrator"])
def test_only_clinicians_break_the_glass(pages, who):
    why = {"number": "NG-31", "reason": "Collapsed at our door."}
    assert pages(who).get("/people/open/").status_code == 403
    assert pages(who).post("/people/open/", why).status_code == 403


def test_nobody_breaks_the_glass_of_their_own_record(cast, pages):
    with doing("command:tests"):
        Worker.objects.create(site=cast.other_site, user=cast.nurse, number="NG-7", name="Nora Teal")
    sent = pages("nurse").post("/people/open/", {"number": "NG-7", "reason": "I want to see it."})
    assert "This is you" in sent.content.decode()
    assert not BrokenGlass.objects.exists()


def test_the_page_of_another_sites_alert_says_whose_it_is_and_offers_no_deed(cast, reported, at_home, pages):
    alert = at_home.alerts.get()
    here, home = (words_of(pages(who), f"/alerts/{alert.uid}/") for who in ("nurse", "outsider"))
    assert "Another site looks after this" in here
    assert "I have it" not in here
    assert "I have it" in home
    assert pages("nurse").post(f"/alerts/{alert.uid}/have/", {"times": 1}).status_code == 403


def test_what_was_written_when_an_alert_was_closed_is_its_sites(cast, reported, at_home, pages):
    with doing(cast.outsider, at=LATER):
        attend.close_alert(
            alert=at_home.alerts.get(), outcome="evaluated", note=NOTED, by=cast.outsider, at=LATER
        )
    address = f"/alerts/{at_home.alerts.get().uid}/"
    assert NOTED in words_of(pages("outsider"), address)
    assert NOTED not in words_of(pages("nurse"), address)
    assert NOTED not in pages("nurse").get("/api/v1/alerts/").content.decode()
    assert NOTED not in pages("nurse").get(f"/api/v1/follow-ups/{at_home.uid}/").content.decode()


def test_who_runs_the_service_sees_messages_without_names(cast, visitor, pages):
    tell(cast, report(cast))
    sweep_at(MONDAY + hours(9))
    assert "Wim Alder" in words_of(pages("nurse"), "/messages/")
    words = words_of(pages("administrator"), "/messages/")
    assert "somebody who is followed up" in words
    assert "Wim Alder" not in words


def test_why_a_tier_was_set_is_told_where_it_was_set(cast, joined, pages):
    with doing(cast.physician):
        classify.override_tier(
            breach=joined.breach, pathogen="ebola", tier="high", reason=NOTED, by=cast.physician, at=MONDAY
        )
    for address in (f"/reports/{joined.breach.uid}/", f"/api/v1/breaches/{joined.breach.uid}/"):
        assert NOTED in words_of(pages("physician"), address), address
        assert NOTED not in words_of(pages("outsider"), address), address
    assert NOTED not in words_of(pages("outsider"), f"/people/{joined.breach.worker.uid}/")
