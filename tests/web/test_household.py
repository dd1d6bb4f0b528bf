"""The sheet for the people at home: approved by a physician, in the worker's language, and what stands is never older
than what was approved last."""

import pytest
from django.core.exceptions import PermissionDenied
from django.urls import reverse

from exposure.pipeline import guide, remind
from exposure.places.household import advice_at, sentences
from exposure.places.models import HouseholdAdvice
from exposure.refusal import BadSubmission, Conflict
from tests.cast import MONDAY, doing
from tests.pipeline.test_races import at_once
from tests.web.test_physician import petra, seen  # noqa: F401
from tests.web.wim import EVENING, Browser, monitored, words

pytestmark = pytest.mark.database

ENGLISH = "They sleep in a room of their own.\n\n  Their laundry is washed apart.  "
FRENCH = "Ils dorment dans une chambre à part."
UNSIGNED = "Until a physician has signed below, what stands above is general advice."


def approve(cast, english=ENGLISH, french=FRENCH, *, by=None, replaces=None, at=MONDAY):
    by = by or cast.physician
    with doing(by, at=at):
        return guide.approve_advice(
            site=cast.site, english=english, french=french, replaces=replaces, by=by, at=at
        )


@pytest.fixture
def wim(cast, client, standing_clock):
    monitored(cast)
    return Browser(cast.worker.user, client, standing_clock)


def sheet(wim):
    return words(wim.get("household", EVENING))


@pytest.mark.parametrize(
    ("english", "french", "language", "found"),
    [
        (ENGLISH, FRENCH, "en", ("en", "They sleep in a room of their own. Their laundry is washed apart.")),
        (ENGLISH, FRENCH, "fr", ("fr", FRENCH)),
        (ENGLISH, "", "fr", ("en", "They sleep in a room of their own. Their laundry is washed apart.")),
        ("", FRENCH, "en-gb", ("fr", FRENCH)),
        (" \n ", FRENCH, "en", ("fr", FRENCH)),
    ],
)
def test_everybody_reads_their_language_or_else_the_other(cast, english, french, language, found):
    shown = sentences(approve(cast, english, french), language)
    assert (shown.language, " ".join(shown.lines)) == found


def test_the_sheet_says_what_was_approved_by_whom_and_when(cast, wim):
    assert UNSIGNED in sheet(wim)
    approve(cast)
    page = sheet(wim)
    assert "They sleep in a room of their own. Their laundry is washed apart." in page
    assert f"Approved by {cast.physician}, physician of occupational health, on" in page
    assert "2 March 2026" in page
    assert UNSIGNED not in page
    with doing(wim.user):
        remind.change_settings(worker=cast.worker, by=wim.user, at=MONDAY, language="fr")
    french = sheet(wim)
    assert FRENCH in french
    assert f"Approuvé par {cast.physician}, médecin de la santé au travail, le" in french


def test_what_was_taken_back_stands_on_no_sheet(cast, wim):
    standing = approve(cast)
    approve(cast, "", " ", replaces=standing.uid)
    page = sheet(wim)
    assert UNSIGNED in page
    assert "They sleep" not in page
    assert sentences(advice_at(cast.site), "en") is None


def test_another_sites_text_stands_on_no_sheet_of_this_one(cast, wim):
    with doing(cast.physician):
        HouseholdAdvice.objects.create(site=cast.other_site, english="Not yours.", approved_by=cast.physician)
    assert "Not yours." not in sheet(wim)


def test_the_same_again_is_what_stands_and_another_physicians_text_a_conflict(cast):
    first = approve(cast)
    assert approve(cast) == first
    assert approve(cast, replaces=first.uid) == first
    for stale in (None, cast.site.uid):
        with pytest.raises(Conflict) as refused:
            approve(cast, "Another.", "", by=cast.physician2, replaces=stale)
        assert refused.value.standing == first
    second = approve(cast, "Another.", "", by=cast.physician2, replaces=first.uid)
    assert (advice_at(cast.site), second.replaces) == (second, first)
    assert HouseholdAdvice.objects.count() == 2


def test_the_same_text_by_somebody_else_is_their_own_approval(cast):
    first = approve(cast)
    second = approve(cast, by=cast.physician2, replaces=first.uid)
    assert second.approved_by == cast.physician2


@pytest.mark.parametrize(
    "who", ["nurse", "observer", "lead", "auditor", "administrator", "outsider", "worker"]
)
def test_only_a_physician_of_the_site_approves(cast, who):
    by = cast.worker.user if who == "worker" else getattr(cast, who)
    with pytest.raises(PermissionDenied):
        approve(cast, by=by)
    assert not HouseholdAdvice.objects.exists()


def test_nothing_is_approved_where_nothing_was_written_and_nothing_stands(cast):
    with pytest.raises(BadSubmission) as refused:
        approve(cast, " ", "")
    assert [problem.pointer for problem in refused.value.problems] == ["/english"]


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("stands", [False, True])
def test_of_two_who_approve_at_once_one_text_stands_and_the_other_learns_it(cast, stands):
    replaces = approve(cast).uid if stands else None
    done = at_once(
        lambda: approve(cast, "One.", "", replaces=replaces),
        lambda: approve(cast, "Other.", "", by=cast.physician2, replaces=replaces),
    )
    [refused] = [outcome for outcome in done if isinstance(outcome, Conflict)]
    [standing] = [outcome for outcome in done if isinstance(outcome, HouseholdAdvice)]
    assert refused.standing == advice_at(cast.site) == standing


def test_the_physician_writes_approves_and_sees_what_stood_before(cast, petra):  # noqa: F811
    form = reverse("approve_advice", args=[cast.site.code])
    assert "No text is approved here." in seen(petra.get(reverse("household_advice")))
    assert "Write what the people at home do." in seen(petra.post(form, {}), status=422)
    petra.post(form, {"english": ENGLISH, "french": FRENCH})
    shown = seen(petra.get(form))
    assert "They sleep in a room of their own." in shown, "one goes on from what stands"
    petra.post(form, {"english": "Another.", "replaces": advice_at(cast.site).uid})
    page = seen(petra.get(reverse("household_advice")))
    assert page.index("Another.") < page.index("What stood before") < page.index("They sleep")
    assert f"Approved by {cast.physician}" in page


def test_what_was_approved_meanwhile_is_shown_and_what_was_typed_stays_to_be_approved(cast, petra):  # noqa: F811
    form = reverse("approve_advice", args=[cast.site.code])
    petra.get(form)
    theirs = approve(cast, "Theirs.", "", by=cast.physician2)
    answer = petra.post(form, {"english": "Mine <b>.", "french": ""})
    page = seen(answer, status=409)
    assert "Another text was approved meanwhile" in page
    assert "Theirs." in page
    assert "Mine &lt;b&gt;." in answer.content.decode()
    petra.post(form, answer.context["form"].data)
    assert (advice_at(cast.site).english, advice_at(cast.site).replaces) == ("Mine <b>.", theirs)


def test_a_text_that_would_not_fit_the_sheet_is_answered_at_its_field_and_stays(cast, petra):  # noqa: F811
    answer = petra.post(reverse("approve_advice", args=[cast.site.code]), {"english": "x" * 4001})
    assert answer.status_code == 422
    assert "x" * 4001 in answer.content.decode()
    assert not HouseholdAdvice.objects.exists()
