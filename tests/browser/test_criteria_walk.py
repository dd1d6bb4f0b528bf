"""In a real browser: one physician writes criteria, is shown what is wrong, mends it, looks whom it would move and
proposes; the other compares the rows from memory with their sources, sees the same and approves."""

import re

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

from exposure.classify.assess import adopted
from exposure.pipeline.report import report_breach
from tests.cast import MONDAY, doing
from tests.classify.milder import confirm, report

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

WHOLE_SKIN = "when: {skin: [intact, broken, mucosa, pierced]}"
ONLY_BROKEN = "when: {skin: [broken, mucosa, pierced]}"
POSSIBLE = "when: {skin: [possible]}"


def accessible(page):
    """No violation of the WCAG rules that axe-core can see (axe-core's default rules)."""
    found = Axe().run(page, options={"resultTypes": ["violations"]})
    assert found.violations_count == 0, found.generate_report()


def test_from_an_edit_with_a_finding_to_approval_by_the_other_physician(cast, sign_in, standing_clock):
    standing_clock(MONDAY)
    breach = report(cast)
    confirm(cast, breach)

    petra = sign_in("physician")
    petra.get_by_role("link", name="Criteria").click()
    petra.get_by_role("link", name="2023.1").click()
    petra.get_by_role("link", name="New draft from this").click()
    text = petra.get_by_label("Criteria").input_value()

    # A slip of the pen: the line is named, what was typed stays.
    petra.get_by_label("Criteria").fill(
        text.replace('"2023.1"', '"2026.1"').replace(WHOLE_SKIN, "when: {skn: []}")
    )
    petra.get_by_role("button", name="Keep this text").click()
    expect(petra.get_by_role("alert")).to_contain_text("Line 83")
    accessible(petra)
    expect(petra.get_by_label("Criteria")).to_have_value(
        text.replace('"2023.1"', '"2026.1"').replace(WHOLE_SKIN, "when: {skn: []}")
    )

    # Readable, yet wrong: whole skin would be less serious than skin that was only perhaps reached.
    drafted = text.replace('"2023.1"', '"2026.1"').replace(WHOLE_SKIN, ONLY_BROKEN)
    petra.get_by_label("Criteria").fill(drafted)
    petra.get_by_role("button", name="Keep this text").click()
    expect(petra.locator("main")).to_contain_text("yet a later one can lower the tier")
    expect(petra.locator("main")).to_contain_text("It cannot be approved like this.")
    accessible(petra)

    petra.get_by_role("link", name="Edit as text").click()
    petra.get_by_label("Criteria").fill(drafted.replace(POSSIBLE, "when: {skin: [pierced]}"))
    petra.get_by_role("button", name="Keep this text").click()
    expect(petra.locator("main")).not_to_contain_text("It cannot be approved like this.")

    petra.get_by_role("link", name="Whom would it move?").click()
    petra.get_by_role("button", name="Look at all past reports").click()
    expect(petra.locator("main")).to_contain_text(
        "1 report: from “High-risk exposure” to “No identified high-risk exposure”"
    )
    expect(petra.get_by_role("link", name=breach.reference)).to_be_visible()
    accessible(petra)

    petra.get_by_role("link", name="Back to the version").click()
    petra.get_by_role("link", name="Propose").click()
    petra.get_by_role("button", name="Sign and propose").click()
    expect(petra.locator("main")).to_contain_text("The text can no longer be changed.")
    petra.get_by_role("link", name="Approve").click()
    expect(petra.locator("main")).to_contain_text("You wrote this text: somebody else must approve it.")

    pavel = sign_in("physician2")
    pavel.get_by_role("link", name="Criteria").click()
    pavel.get_by_role("link", name="2026.1").click()
    pavel.get_by_role("link", name="Rows from memory").click()
    for left in range(6, 0, -1):
        expect(pavel.locator("main")).to_contain_text(f"{left} row")
        pavel.get_by_role("button", name="I have compared it").first.click()
    expect(pavel.locator("main")).to_contain_text("0 rows wait.")
    accessible(pavel)
    pavel.get_by_role("link", name="Ebola 2026.1").click()
    pavel.get_by_role("link", name="Approve").click()
    expect(pavel.locator("main")).to_contain_text("1 would move.")
    accessible(pavel)
    pavel.get_by_role("button", name="Sign for Saltmarsh General Hospital").click()
    expect(pavel.locator("main")).to_contain_text(
        re.compile("Saltmarsh General Hospital.? works with ebola 2026.1 from now on.")
    )

    assert adopted(cast.site, "ebola", at=MONDAY).version == "2026.1"
    with doing(cast.observer):
        fresh = report_breach(body=cast.body(), reporter=cast.observer, at=MONDAY)
    assert [(one.version.version, one.tier) for one in fresh.assessments] == [("2026.1", "none")]
    assert breach.assessments.last().treated_as == "high"
