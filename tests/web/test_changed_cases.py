"""A case that has changed is one line, whoever waits: queue, case, person and API say the same people."""

import pytest
from django.urls import reverse

from exposure.attend.models import Alert
from exposure.followup.models import FollowUp
from exposure.people.models import Worker
from exposure.pipeline import expose
from exposure.pipeline.report import state_case
from exposure.web.nurse import queue
from exposure.web.nurse.matters import matters
from tests.api.conftest import Caller
from tests.cast import MONDAY, doing
from tests.walk import newest_statement, report
from tests.web.nora import words

pytestmark = pytest.mark.database


@pytest.fixture
def changed(cast, standing_clock):
    """Three people with an exposure to the case; then it is ruled out."""
    standing_clock(MONDAY)
    report(cast)
    with doing(cast.nurse):
        for name in ("Ann Aspen", "Bo Birch"):
            worker = Worker.objects.create(site=cast.site, name=name, number=name[:3])
            expose.record_exposure(
                worker=worker, pathogen="ebola", occurred_at=MONDAY, tier="high", source="contact_list",
                case=cast.case, by=cast.nurse, at=MONDAY,
            )  # fmt: skip
        state_case(
            case=cast.case, pathogen="ebola", status="ruled_out", hours_since_onset=80,
            seen=newest_statement(cast.case, "ebola"), by=cast.nurse, at=MONDAY,
        )  # fmt: skip
    return cast.case


def people_of(cast, case, user):
    """Those that the queue, the case's page and the API name, which must agree."""
    client = Caller(user)
    of_case = [one for one in matters(queue.lines(user, at=MONDAY)) if one.case is not None]
    in_queue = {line.worker.name for one in of_case for line in one.lines}
    wanted = {str(line.alert.uid) for one in of_case for line in one.lines}
    assert set(client.get(f"cases/{case.code}/").json()["awaiting_decision"]) == wanted
    listed = [
        one for one in client.get("alerts/", open="true").json()["results"] if one["cause"] == "case_changed"
    ]
    assert {one["id"] for one in listed if one["cases"] == [case.code]} == wanted
    return in_queue, of_case


def test_the_case_is_one_line_with_its_people_and_each_is_decided_by_a_physician_from_its_page(
    cast, changed, client
):
    in_queue, [matter] = people_of(cast, changed, cast.physician)
    assert (in_queue, matter.people) == ({"Wim Alder", "Ann Aspen", "Bo Birch"}, 3)
    client.force_login(cast.physician)
    page = client.get(reverse("needs_action"))
    assert "3 people wait for a physician's decision" in words(page)
    assert page.content.decode().count(f'id="case-{changed.uid}"') == 1
    case = client.get(reverse("case", args=[changed.uid])).content.decode()
    assert case.count("?from=case-") == 3
    alert = Alert.objects.get(cause="case_changed", follow_up__worker__name="Ann Aspen")
    address = f"{reverse('alert_close', args=[alert.uid])}?from=case-{changed.uid}"
    assert address in case
    answer = client.post(address, {"outcome": "decided", "note": "Goes on.", "times": "1"})
    assert answer.url == f"{reverse('case', args=[changed.uid])}#linked"
    in_queue, [matter] = people_of(cast, changed, cast.physician)
    assert (in_queue, matter.people) == ({"Wim Alder", "Bo Birch"}, 2)


def test_a_nurse_sees_the_line_and_who_decides_and_decides_nothing(cast, changed, client):
    in_queue, _matters = people_of(cast, changed, cast.nurse)
    assert len(in_queue) == 3
    client.force_login(cast.nurse)
    page = words(client.get(reverse("case", args=[changed.uid])))
    assert page.count("a physician decides") == 3
    alert = Alert.objects.filter(cause="case_changed").first()
    assert client.get(reverse("alert_close", args=[alert.uid])).status_code == 403


def test_whoever_has_ended_is_still_asked_about_on_the_cases_page(cast, changed, client):
    with doing("command:tests"):
        follow_up = FollowUp.objects.get(worker__name="Bo Birch")
        follow_up.ended_at = MONDAY
        follow_up.save()
    client.force_login(cast.physician)
    assert len(people_of(cast, changed, cast.physician)[0]) == 3
    assert client.get(reverse("case", args=[changed.uid])).content.decode().count("?from=case-") == 3


def test_of_a_case_at_another_site_nothing_is_seen(cast, changed):
    assert matters(queue.lines(cast.outsider, at=MONDAY)) == []
