"""Somebody else was touched too: the next report is tied to the first, and a nurse sees them together."""

import pytest
from django.urls import reverse

from exposure.people.models import Worker
from exposure.report.models import Breach, Event
from tests.cast import MONDAY, doing
from tests.walk import report
from tests.web.isolation import without_isolation
from tests.web.olga import Page, answered, details

pytestmark = pytest.mark.database


def test_whoever_was_touched_too_is_reported_in_one_event_with_the_first_however_many(olga):
    page = answered(details(olga("report", "heron"))).send("anyone_else", anyone_else="yes")
    for _other in range(2):
        newest = Breach.objects.order_by("pk").last()
        page = Page(
            page.client,
            page.client.get(f"{reverse('report', args=['heron'])}?beside={newest.uid}", follow=True),
        )
        page = answered(details(page, number="", who="nobody")).send("anyone_else", anyone_else="yes")
    first = Breach.objects.order_by("pk").first()
    assert Event.objects.get().uid == first.uid
    assert Event.objects.get().breaches.count() == Breach.objects.count() == 3
    assert not any("unknown_event" in one.flags for one in Breach.objects.all())


def test_the_page_of_a_report_links_those_reported_together_with_it_but_not_ones_own(
    client, cast, standing_clock
):
    standing_clock(MONDAY)
    with doing("command:tests"):
        own = Worker.objects.create(site=cast.site, user=cast.nurse, number="SG-7", name="Nora Teal")
    first = report(cast).breach
    second = report(cast, worker=None, person={"name": "Rhona Sedge"}, event=str(first.uid)).breach
    hers = report(cast, worker=own.number, event=str(first.uid)).breach
    alone = report(cast).breach
    address = {one: reverse("breach", args=[one.uid]) for one in (first, second, hers, alone)}
    client.force_login(cast.nurse)
    page = " ".join(client.get(address[first]).content.decode().split())
    assert "Reported together with" in page
    assert f'href="{address[second]}">{second.reference}</a>, Rhona Sedge' in without_isolation(page)
    assert address[hers] not in page
    assert hers.reference not in page
    assert "Reported together with" not in client.get(address[alone]).content.decode()
    client.force_login(cast.nurse2)
    page = client.get(address[second]).content.decode()
    assert address[first] in page
    assert address[hers] in page
