"""One exposure by two sets of criteria: side by side on its page, the stricter of each line in force."""

from datetime import timedelta

import pytest
from django.core.exceptions import PermissionDenied
from django.urls import reverse

from exposure.attend.models import Alert
from exposure.classify.models import Assessment
from exposure.pipeline.classify import assess_also, confirm_breach
from exposure.refusal import BadSubmission, NotYet
from exposure.report.models import CaseStatement
from exposure.web.nurse.report_words import describe
from exposure.web.nurse.side_by_side import columns_of, rows_of
from tests.cast import MONDAY, adopt, doing
from tests.walk import LOW, confirm, report

pytestmark = pytest.mark.database


@pytest.fixture(autouse=True)
def mers_too(cast, standing_clock):
    standing_clock(MONDAY)
    with doing("command:tests"):
        adopt(cast.site, "mers-2019.2", MONDAY - timedelta(days=2))


def also(cast, breach, by=None, **changes):
    by = by or cast.physician
    sent = {"pathogen": "mers", "reason": "Returned from a ward with MERS.", **changes}
    with doing(by):
        return assess_also(breach=breach, by=by, at=MONDAY, **sent)


def table(breach):
    return {row.label: [(cell.text, cell.strictest) for _pathogen, cell in row.cells]
            for row in rows_of(columns_of(breach, describe(breach).current))}  # fmt: skip


def test_a_physicians_wish_opens_a_second_follow_up_beside_the_first(cast):
    breach = report(cast).breach
    made = also(cast, breach)
    assert (made.pathogen, made.reason) == ("mers", "Returned from a ward with MERS.")
    assert {one.follow_up.pathogen: one.last_day.isoformat() for one in breach.exposures.all()} == {
        "ebola": "2026-03-23",  # 21 days (ebola 2023.1)
        "mers": "2026-03-16",  # 14 days (mers 2019.2)
    }


def test_a_case_with_two_pathogens_shows_both_sets_and_the_stricter_of_each_line(cast):
    with doing("command:tests", at=MONDAY - timedelta(days=1)):
        CaseStatement.objects.create(case=cast.case, pathogen="mers", status="suspected")
    breach = report(cast).breach
    shown = table(breach)
    assert shown["Until"] == [("Mon 23 Mar 2026", True), ("Mon 16 Mar 2026", False)]
    assert all(len(cells) == 2 for cells in shown.values())
    for label in ("Treated as", "Restrictions", "Tasks"):  # of these both hold
        assert not any(strictest for _text, strictest in shown[label])


def test_one_set_has_no_table(cast):
    assert table(report(cast).breach) == {}


def test_wishing_again_changes_nothing(cast):
    breach = report(cast).breach
    first, again = also(cast, breach), also(cast, breach, by=cast.physician2, reason="Another.")
    assert first == again
    assert Assessment.objects.filter(pathogen="mers").count() == 1


@pytest.mark.parametrize("changes", [{"pathogen": "lassa"}, {"pathogen": ""}, {"reason": " "}])
def test_what_the_site_does_not_work_with_and_no_reason_are_refused_at_the_field(cast, changes):
    breach = report(cast).breach
    with pytest.raises(BadSubmission) as refused:
        also(cast, breach, **changes)
    assert [problem.pointer for problem in refused.value.problems] == [f"/{next(iter(changes))}"]
    assert breach.assessments.count() == 1


def test_a_withdrawn_report_is_assessed_by_nothing_more(client, cast):
    breach = report(cast).breach
    with doing(cast.nurse):
        breach.withdrawn_at = MONDAY
        breach.save()
    with pytest.raises(NotYet, match="no_longer_asked"):
        also(cast, breach)
    client.force_login(cast.physician)
    assert client.get(reverse("breach_also", args=[breach.uid])).status_code == 404


@pytest.mark.parametrize("who", ["nurse", "observer", "outsider", "lead", "auditor", "administrator"])
def test_it_is_a_physicians_wish(cast, who):
    breach = report(cast).breach
    with pytest.raises(PermissionDenied):
        also(cast, breach, by=getattr(cast, who))


def test_the_further_set_is_asked_on_the_confirmation_and_settled_by_it(cast):
    breach = report(cast).breach
    also(cast, breach)
    confirm(
        cast, report(cast, worker=None, person={"name": "Rhona Sedge"})
    )  # somebody else's changes nothing here
    assert set(breach.assessments.filter(kind="report").values_list("pathogen", flat=True)) == {"ebola"}
    with doing(cast.nurse):
        confirm_breach(breach=breach, by=cast.nurse, note="Spoke.", at=MONDAY)
    assert set(breach.assessments.filter(kind="confirmation").values_list("pathogen", flat=True)) == {
        "ebola",
        "mers",
    }


def test_the_page_shows_the_table_and_offers_other_criteria_to_a_physician_only(client, cast):
    breach = report(cast, facts=LOW).breach
    page, form = reverse("breach", args=[breach.uid]), reverse("breach_also", args=[breach.uid])
    client.force_login(cast.nurse)
    assert form not in client.get(page).content.decode()
    client.force_login(cast.physician)
    assert form in client.get(page).content.decode()
    sent = client.post(form, {"pathogen": "mers", "reason": "Returned from a ward with MERS."}, follow=True)
    words = sent.content.decode()
    assert "Assessed by these criteria too." in words
    assert "Side by side" in words
    assert form not in words  # none is left
    assert not Alert.objects.filter(cause=Alert.Cause.UNASSESSED).exists()
