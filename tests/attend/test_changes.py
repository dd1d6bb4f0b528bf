"""Who was told otherwise hears of a lowered tier, an end and other dates: asked until somebody has told them."""

from datetime import timedelta

import pytest
from django.urls import reverse

from exposure.attend.changes import CHANGE
from exposure.attend.models import Alert, OtherDecision, Promise
from exposure.clear.models import Clearance
from exposure.pipeline import classify, clear, expose
from exposure.pipeline import report as reports
from exposure.pipeline.call import note_call, open_to
from exposure.pipeline.tell import tell_of_change
from exposure.refusal import Conflict, NotYet
from exposure.web.nurse import queue, waits
from tests.cast import MONDAY, adopt, doing
from tests.walk import confirm, follow_up_told_and_confirmed, hours, log_to_the_end, report, sweep_at, tell

pytestmark = pytest.mark.database
LATER = MONDAY + hours(1)
LOWERED = "Tell the worker: the tier was lowered"
ENDED = "Tell the worker: the follow-up has ended"
MOVED = "Tell the worker: the dates have changed"
GOES_ON = "Tell the worker: the follow-up goes on"


def asked():
    return list(Promise.objects.open().filter(key__startswith=CHANGE).values_list("title", flat=True))


def override(cast, breach, tier="none", pathogen="ebola", at=LATER):
    with doing(cast.physician, at=at):
        assessment = classify.override_tier(
            breach=breach, pathogen=pathogen, tier=tier, reason="I saw it.", by=cast.physician, at=at
        )
    if assessment.second_signature_needed:
        with doing(cast.physician2, at=at):
            classify.countersign(assessment=assessment, by=cast.physician2, at=at)


def correct(cast, exposure, by=timedelta(days=-1), at=LATER):
    with doing(cast.nurse, at=at):
        moment = exposure.occurred_at + by
        return expose.correct_exposure(
            exposure=exposure, occurred_at=moment, reason="The roster says so.", by=cast.nurse, at=at
        )


def end(cast, follow_up, kind, at=LATER):
    with doing(cast.physician, at=at):
        said = {"kind": kind, "reason": "As found.", "basis": "agreed", "accepted_by": "The ward."}
        clear.end_follow_up(follow_up=follow_up, by=cast.physician, at=at, **said)


def elsewhere(cast, told="phone", tier="high", pathogen="ebola"):
    """An exposure of a contact list, or outside, that no report led to."""
    with doing(cast.nurse):
        said = {"pathogen": pathogen, "tier": tier, "occurred_at": MONDAY - timedelta(days=2), "told": told}
        return expose.record_exposure(worker=cast.worker, by=cast.nurse, at=MONDAY, **said)


def two_sign_none(cast):
    override(cast, follow_up_told_and_confirmed(cast).exposures.get().breach)


def two_sign_none_beside_another(cast):
    breach = follow_up_told_and_confirmed(cast).exposures.get().breach
    elsewhere(cast)
    override(cast, breach)


def one_tier_lower(cast):
    with doing("command:tests"):
        adopt(cast.site, "lassa-2018.1", MONDAY - timedelta(days=1))
    reported = report(cast, pathogen="lassa", facts={})
    tell(cast, reported)
    confirm(cast, reported)
    override(cast, reported.breach, "low", "lassa")


def further_answers(cast):
    """A clinician's answers lower it, and wait for nobody where the plan asks for one signature."""
    breach = follow_up_told_and_confirmed(cast).exposures.get().breach
    with doing(cast.physician, at=LATER):
        made = classify.answer_facts(
            breach=breach, facts={"contact": "none", "skin": "no"}, by=cast.physician, at=LATER
        )
    with doing(cast.physician2, at=LATER):
        for assessment in made:
            classify.countersign(assessment=assessment, by=cast.physician2, at=LATER)


def withdrawn(cast):
    breach = follow_up_told_and_confirmed(cast).exposures.get().breach
    with doing(cast.observer, at=LATER):
        request = reports.ask_withdrawal(breach=breach, reason="A slip.", by=cast.observer, at=LATER)
    with doing(cast.nurse, at=LATER):
        classify.decide_withdrawal(request=request, accepted=True, reason="Spoke.", by=cast.nurse, at=LATER)


def signed(cast):
    follow_up = follow_up_told_and_confirmed(cast)
    last = log_to_the_end(cast, follow_up)
    with doing(cast.physician, at=last):
        clear.sign_clearance(follow_up=follow_up, by=cast.physician, at=last)
    assert Clearance.objects.get().signed_at == last


def ruled_out(cast):
    end(cast, follow_up_told_and_confirmed(cast), "ruled_out")


def handed_over(cast):
    end(cast, follow_up_told_and_confirmed(cast), "handed_over")


def corrected(cast):
    correct(cast, follow_up_told_and_confirmed(cast).exposures.get())


def corrected_in_the_list(cast):
    correct(cast, elsewhere(cast))


def corrected_by_minutes(cast):
    correct(cast, follow_up_told_and_confirmed(cast).exposures.get(), timedelta(minutes=-5))


def never_told(cast):
    reported = report(cast)
    confirm(cast, reported)
    override(cast, reported.breach)


def list_never_told(cast):
    correct(cast, elsewhere(cast, told=""))


def spoken_with(cast):
    """The confirmation itself lowers it: who was spoken with knows."""
    reported = report(cast, facts={})
    tell(cast, reported)
    confirm(cast, reported, facts={"contact": "none", "skin": "no"}, at=LATER)


def dies(cast):
    end(cast, follow_up_told_and_confirmed(cast), "died")


def dies_before_anybody_tells(cast):
    follow_up = follow_up_told_and_confirmed(cast)
    correct(cast, follow_up.exposures.get())
    end(cast, follow_up, "died", at=LATER + hours(1))


def lost(cast):
    end(cast, follow_up_told_and_confirmed(cast), "lost")


@pytest.mark.parametrize(
    ("happens", "titles"),
    [
        (two_sign_none, [ENDED]),
        (two_sign_none_beside_another, [LOWERED]),
        (one_tier_lower, [LOWERED]),
        (further_answers, [ENDED]),
        (withdrawn, [ENDED]),
        (signed, [ENDED]),
        (ruled_out, [ENDED]),
        (handed_over, [ENDED]),
        (corrected, [MOVED]),
        (corrected_in_the_list, [MOVED]),
        (corrected_by_minutes, []),
        (never_told, []),
        (list_never_told, []),
        (spoken_with, []),
        (dies, []),
        (dies_before_anybody_tells, []),
        (lost, []),
    ],
    ids=lambda value: getattr(value, "__name__", None),
)
def test_whatever_changes_for_who_was_told_is_told_and_alarms_nobody(cast, happens, titles):
    happens(cast)
    assert asked() == titles
    sweep_at(MONDAY + timedelta(days=30))
    assert asked() == titles
    never = {never_told, list_never_told}  # the first telling is late, and says so
    assert Alert.objects.filter(cause="untold").exists() is (happens in never)


@pytest.fixture
def change(cast):
    ruled_out(cast)
    return Promise.objects.get(key__startswith=CHANGE)


def test_it_stands_in_needs_action_and_in_the_calls_until_someone_says_so(
    cast, client, standing_clock, change
):
    standing_clock(LATER)
    client.force_login(cast.nurse)
    deed = reverse("change_told", args=[change.uid])
    for page in ("needs_action", "calls"):
        assert ENDED in client.get(reverse(page)).content.decode()
    assert deed in client.get(reverse("person", args=[cast.worker.uid])).content.decode()
    assert client.get(deed).status_code == 200
    assert client.post(deed, {"how": "person"}).status_code == 302
    change.refresh_from_db()
    assert (change.kept_at, change.kept_by, change.note) == (LATER, cast.nurse, "person")
    assert ENDED not in client.get(reverse("needs_action")).content.decode()


def test_the_call_that_tells_settles_it(cast, change):
    settles = open_to(cast.nurse, cast.worker, at=LATER).values()
    assert change in settles
    with doing(cast.nurse, at=LATER):
        note_call(worker=cast.worker, answered=True, note="Spoke.", settles=settles, by=cast.nurse, at=LATER)
    assert asked() == []


def test_another_word_on_how_is_kept_and_said(cast, change):
    for by, how in ((cast.nurse, "phone"), (cast.nurse, "phone")):
        with doing(by, at=LATER):
            tell_of_change(telling=change, how=how, by=by, at=LATER)
    with doing(cast.nurse2, at=LATER), pytest.raises(Conflict):
        tell_of_change(telling=change, how="person", by=cast.nurse2, at=LATER)
    assert OtherDecision.objects.get().sent == {"how": "person"}


def test_a_later_change_of_the_same_kind_takes_its_place(cast):
    first = correct(cast, follow_up_told_and_confirmed(cast).exposures.get())
    earlier = Promise.objects.get(key__startswith=CHANGE)
    correct(cast, first, at=LATER + hours(1))
    earlier.refresh_from_db()
    assert (asked(), earlier.void_because) == ([MOVED], "replaced")
    with doing(cast.nurse, at=LATER), pytest.raises(NotYet):
        tell_of_change(telling=earlier, how="phone", by=cast.nurse, at=LATER + hours(1))


@pytest.mark.parametrize(("heard", "titles"), [(True, [GOES_ON]), (False, [])])
def test_an_end_taken_back_is_told_to_whom_the_end_was(cast, change, heard, titles):
    if heard:
        with doing(cast.nurse, at=LATER):
            tell_of_change(telling=change, how="phone", by=cast.nurse, at=LATER)
    with doing(cast.physician, at=LATER):
        later = LATER + hours(1)
        clear.reopen(follow_up=change.follow_up, reason="Too early.", by=cast.physician, at=later)
    assert asked() == titles


def test_nobody_of_another_site_is_shown_it(cast, change):
    assert [line.cause for line in queue.lines(cast.nurse, at=LATER)] == [waits.TO_TELL]
    assert queue.lines(cast.outsider, at=LATER) == []
