"""One breach, in a real browser, from the station to a signed clearance."""

import re
from datetime import timedelta

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.db import transaction

from exposure.attend.alerts import raise_alert
from exposure.attend.models import Alert
from exposure.followup.models import FollowUp
from exposure.pipeline import attend, complete, follow
from tests.cast import MONDAY, doing
from tests.web.nora import someone

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
FINDINGS = {"resultTypes": ["violations"]}
TWICE = """[...document.querySelectorAll("[id]")].map(one => one.id)
  .filter((id, place, every) => every.indexOf(id) !== place)"""


def accessible(page) -> None:
    """No violation of the WCAG rules that axe-core can see (axe-core's default rules)."""
    page.wait_for_load_state("domcontentloaded")
    found = Axe().run(page, options=FINDINGS)
    assert found.violations_count == 0, found.generate_report()
    assert page.evaluate(TWICE) == [], "no two things have one id: a label would name the other"


def test_from_the_station_to_clearance(cast, sign_in, standing_clock):
    standing_clock(MONDAY)
    tablet = sign_in("observer", 820, 1180)
    reference = report_a_torn_glove(tablet)

    phone = sign_in("worker", 390, 844)
    phone.goto("/today/")
    assert "Please ring" in phone.content()
    assert "ebola" not in phone.content().lower()

    standing_clock(MONDAY + timedelta(minutes=20))
    desk = sign_in("nurse")
    tell_and_confirm(desk, reference)

    evening = standing_clock(MONDAY + timedelta(hours=10))
    phone.goto("/today/")
    log(phone, "38.1")
    phone.get_by_role("heading", name="Stop", exact=False).first.wait_for()
    accessible(phone)

    desk.goto("/needs-action/")
    assert "fever" in desk.locator("tbody tr").first.inner_text().lower()
    accessible(desk)
    desk.locator("tbody tr").first.get_by_role("link", name="Fever").click()
    desk.get_by_role("button", name="I have it").click()
    desk.goto(desk.url)
    desk.get_by_role("radio", name="Evaluated", exact=True).check()
    desk.get_by_label("What was found?").fill("Seen; malaria found and treated.")
    desk.get_by_role("button", name="Close the alert").click()
    assert evening

    finish_the_days(cast)
    last_evening = standing_clock(MONDAY + timedelta(days=21, hours=11))
    doctor = sign_in("physician")
    doctor.goto(f"/people/{cast.worker.uid}/")
    accessible(doctor)
    doctor.get_by_role("link", name=re.compile("^Sign")).first.click()
    accessible(doctor)
    doctor.locator("main").get_by_role("button", name=re.compile("^Sign")).click()
    doctor.wait_for_url("**/people/**")
    assert last_evening
    phone.goto("/what-this-means/")
    assert "Mon 23 Mar 2026, midnight" in phone.content()

    standing_clock(MONDAY + timedelta(days=22))
    phone.goto("/today/")
    assert "cleared" in phone.get_by_role("heading", level=1).inner_text().lower()
    accessible(phone)


def report_a_torn_glove(page) -> str:
    page.goto("/stations/heron/")
    accessible(page)
    page.get_by_role("link", name="Start a removal").click()
    accessible(page)
    page.get_by_role("button", name=re.compile("powered", re.I)).click()
    accessible(page)
    page.get_by_role("button", name="Real").click()
    accessible(page)
    page.get_by_role("button", name="By number").click()
    page.locator("#id_number").fill("SG-1042")
    accessible(page)
    page.get_by_role("button", name="Start the removal").click()
    page.get_by_role("button", name="Done").click()
    page.get_by_role("button", name="Something went wrong").click()
    page.locator("button[name=failure]").first.click()
    while page.get_by_role("link", name="Back to the removal").count():
        page.get_by_role("link", name="Back to the removal").click()
    while page.get_by_role("button", name=re.compile("^(Done|The worker is out|Removal finished)")).count():
        page.get_by_role(
            "button", name=re.compile("^(Done|The worker is out|Removal finished)")
        ).first.click()
    for _page in range(13):
        if page.locator(".reference").count():
            break
        answer(page)
    reference = page.locator(".reference").inner_text().strip()
    assert "Ring occupational health now" in page.content()
    assert "high" not in page.locator("main").inner_text().lower()
    accessible(page)
    return reference


def answer(page) -> None:
    """One page of the report: its question, its first aid, or the last look."""
    accessible(page)
    if page.locator(".send").count():
        page.get_by_role("button", name="No", exact=True).click()
    elif page.get_by_role("button", name="Done, or being done").count():
        page.get_by_role("button", name="Done, or being done").click()
    else:
        offered = [
            page.get_by_role("button", name=re.compile(words, re.I)) for words in ("splash", "whole skin")
        ]
        chosen = [button for button in offered if button.count()]
        (chosen[0] if chosen else page.get_by_role("button", name="Don't know")).first.click()


def test_a_list_that_changes_by_itself_puts_nothing_else_under_the_finger(sign_in, cast, standing_clock):
    standing_clock(MONDAY)
    tess = someone(cast)
    for worker in (cast.worker, tess):
        with transaction.atomic(), doing("command:tests", at=MONDAY):
            raise_alert(worker, "call_me", "Please ring.", site=cast.site, at=MONDAY)
    desk = sign_in("nurse")
    desk.goto("/needs-action/")
    mine = desk.get_by_role("button", name=re.compile("asks to be called, Wim Alder"))
    mine.focus()
    said = "document.activeElement.textContent.trim()"
    look_again(desk)
    assert "Wim Alder" in desk.evaluate(said), "what is still there keeps the focus"
    with doing(cast.physician, at=MONDAY):
        attend.close_alert(
            alert=Alert.objects.get(worker=cast.worker), outcome="evaluated", note="Rang.",
            by=cast.physician, at=MONDAY,
        )  # fmt: skip
    look_again(desk)
    mine.wait_for(state="detached")
    assert desk.evaluate("document.activeElement.matches('a, button, input, summary')") is False
    desk.keyboard.press("Enter")
    assert desk.url.endswith("/needs-action/")


def look_again(page) -> None:
    with page.expect_response("**/needs-action/"):
        page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
    page.wait_for_timeout(300)


def tell_and_confirm(page, reference: str) -> None:
    page.goto("/reports/")
    page.get_by_role("link", name=reference).click()
    accessible(page)
    page.get_by_label("By telephone", exact=False).check()
    page.get_by_role("button", name="The worker was told").click()
    page.get_by_role("link", name="Confirm the report").click()
    page.get_by_role("button", name=re.compile("confirm", re.I)).last.click()
    assert page.get_by_role("heading", name="Confirmed").is_visible()


def log(page, temperature: str) -> None:
    accessible(page)
    page.get_by_label("Temperature").fill(temperature)
    page.get_by_label("Where taken").select_option("oral")
    page.get_by_role("button", name="No symptoms, send").click()


def finish_the_days(cast) -> None:
    """The readings and tasks of three weeks, as they would have come in."""
    follow_up = FollowUp.objects.get()
    for check in follow_up.checks.filter(withdrawn_at=None, fills=None).order_by("opens_at"):
        at = check.due_at
        with doing(cast.worker.user, at=at):
            body = cast.reading(taken_at=at.isoformat())
            follow.log_reading(body=body, worker=cast.worker, entered_by=cast.worker.user, at=at)
    with doing(cast.nurse, at=at):
        for exposure in follow_up.exposures.all():
            for task in exposure.promises.filter(kind="task"):
                complete.complete_task(task=task, note="", by=cast.nurse, at=at)


def test_a_page_that_tries_what_its_policy_forbids_is_noticed(sign_in, refused, cast):
    """Without this, that no other story sees one would say nothing."""
    page = sign_in("worker")
    page.evaluate(
        "() => { const added = document.createElement('script'); added.text = 'window.ran = true';"
        " document.body.append(added); }"
    )
    page.wait_for_timeout(200)
    assert page.evaluate("window.ran") is None
    assert len(refused) == 1
    refused.clear()
