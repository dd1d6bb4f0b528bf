"""The physician's pages about criteria, as somebody with a browser sees them."""

import re
from html import unescape

import pytest
from django.urls import reverse

from exposure.attend.models import Promise
from exposure.classify.models import CriteriaVersion
from exposure.classify.versions import unticked
from exposure.pipeline import classify, guide, report
from tests.cast import FIXTURES, MONDAY, doing
from tests.classify.milder import EBOLA, MILDER
from tests.web.isolation import without_isolation

pytestmark = pytest.mark.database

MPOX = [(FIXTURES / "criteria" / f"mpox-{year}.1.yaml").read_text() for year in (2022, 2024)]
PLAN_OF_THE_LOWEST = (
    "    plan: {monitoring: none, confirm_within: 24h, second_signature: none, clearance: nurse}\n"
)


@pytest.fixture
def petra(cast, client, standing_clock):
    standing_clock(MONDAY)
    client.force_login(cast.physician)
    return client


def seen(response, *, status=200):
    """What stands on the page, as one line."""
    assert response.status_code == status, response
    main = re.search(r"<main.*?</main>", response.content.decode(), re.S)[0]
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", without_isolation(main))).split())


def draft(cast, content=MILDER):
    with doing(cast.physician):
        return guide.draft_criteria(content=content, by=cast.physician, at=MONDAY)


def proposed(cast, content=MILDER, *, replay=True):
    version = draft(cast, content)
    with doing(cast.physician):
        version = guide.propose_criteria(version=version, by=cast.physician, at=MONDAY)
        for row in unticked(version):
            guide.tick_criteria(version=version, row=row, by=cast.physician, at=MONDAY)
        if replay:
            guide.replay_criteria(version=version, site=cast.site, by=cast.physician, at=MONDAY)
    return version


def high_report(cast):
    with doing(cast.observer):
        breach = report.report_breach(body=cast.body(), reporter=cast.observer, at=MONDAY).breach
    with doing(cast.nurse):
        classify.confirm_breach(breach=breach, by=cast.nurse, at=MONDAY)
    return breach


def address(name, version, *more):
    return reverse(f"criteria_{name}", args=[version.uid, *more])


PAGES = [
    lambda version: reverse("criteria"),
    lambda version: reverse("criteria_new"),
    lambda version: address("version", version),
    lambda version: address("try", version),
    lambda version: address("edit", version),
    lambda version: address("memory", version),
    lambda version: address("replay", version, "saltmarsh"),
    lambda version: address("approve", version, "saltmarsh"),
]


@pytest.mark.parametrize("who", ["nurse", "observer", "lead", "auditor", "administrator"])
def test_the_pages_are_for_physicians(cast, client, standing_clock, who):
    standing_clock(MONDAY)
    version = draft(cast)
    client.force_login(getattr(cast, who))
    assert {client.get(page(version)).status_code for page in PAGES} == {403}


def test_every_page_has_one_heading_and_the_usual_caution(cast, petra):
    version = draft(cast)
    for page in PAGES:
        response = petra.get(page(version))
        assert response.content.decode().count("<h1") == 1, page(version)
    assert "licensed clinician decide" in seen(petra.get(address("version", version)))


def test_the_list_says_where_each_version_stands_and_who_works_with_it(cast, petra):
    draft(cast)
    text = seen(petra.get(reverse("criteria")))
    assert "2023.1 Ebola: high-risk exposure, rules of 2023-25 approved Saltmarsh General Hospital" in text
    assert "2026.1 Ebola: high-risk exposure, rules of 2023-25 draft none Petra Birch" in text


def test_a_rule_reads_as_questions_and_answers_with_its_source(cast, petra):
    text = seen(petra.get(address("version", draft(cast))))
    assert "VHF-4 What happened? Choose the last that applies. Near or touching the body" in text
    assert "from memory" in text
    assert "Readings, which occupational health asks for, for 21 days after the last exposure." in text
    assert "Otherwise: “No identified high-risk exposure”" in text


def test_a_finding_stands_in_words_with_its_witness(cast, petra):
    falling = MILDER.replace("when: {contact: [body]}", "when: {contact: [splash]}")
    text = seen(petra.get(address("version", draft(cast, falling))))
    assert (
        "“What happened? Choose the last that applies.” says that later answers are never less serious"
        in text
    )
    assert (
        "For example, “High-risk exposure” for: What happened? Choose the last that applies. A splash" in text
    )
    assert "It cannot be approved like this." in text


def test_answers_in_the_address_give_floor_ceiling_and_the_next_question(cast, petra):
    version = draft(cast, EBOLA.replace('"2023.1"', '"2026.1"'))
    text = seen(petra.get(address("try", version) + "?contact=splash"))
    assert "Between “No identified high-risk exposure” and “High-risk exposure”" in text
    assert "Next question Did anything contaminated reach or pierce the skin" in text
    text = seen(petra.get(address("try", version) + "?contact=splash&skin=intact"))
    assert "At least High-risk exposure At most High-risk exposure" in text
    assert "Rules that hold VHF-1" in text
    assert "No further question can change this." in text


def test_answers_that_cannot_be_true_together_are_refused_in_words(cast, petra):
    version = draft(cast)
    response = petra.get(address("try", version) + "?contact=none&skin=broken")
    assert "Not sent yet" in seen(response)
    assert "verdict" not in response.context


def test_an_unknown_answer_in_the_address_is_refused(cast, petra):
    assert "Not sent yet" in seen(petra.get(address("try", draft(cast)) + "?contact=unheard-of"))


def test_the_difference_between_two_versions_reads_as_sentences_with_their_share(cast, petra):
    old, new = (draft(cast, content) for content in MPOX)
    text = seen(petra.get(address("compare", new, old.uid)))
    assert re.search(r"“[^”]+” becomes “[^”]+” for 2/15 of all sets of answers \(13\.3 %\)", text)


def test_versions_of_two_pathogens_are_not_compared(cast, petra):
    assert petra.get(address("compare", draft(cast), draft(cast, MPOX[0]).uid)).status_code == 404


def test_a_text_with_a_mistake_comes_back_as_typed_with_the_line_of_the_mistake(cast, petra):
    version = draft(cast)
    wrong = MILDER.replace("tier: high\n    when: {skin: [broken", "tier: hihg\n    when: {skin: [broken")
    response = petra.post(address("edit", version), {"content": wrong.replace("\n", "\r\n")})
    text = seen(response)
    assert "Line 82, rules[0].tier: unknown tier 'hihg'; did you mean 'high'?" in text
    assert "82 tier: hihg" in text
    assert response.context["form"]["content"].value().replace("\r\n", "\n") == wrong
    version.refresh_from_db()
    assert version.text == MILDER


def test_a_kept_text_is_the_exact_text_with_plain_line_ends(cast, petra):
    version = draft(cast)
    longer = MILDER + "# looked at\n"
    response = petra.post(address("edit", version), {"content": longer.replace("\n", "\r\n")})
    assert response.url == address("version", version)
    version.refresh_from_db()
    assert version.text == longer


def test_a_new_draft_starts_from_another_version(cast, petra):
    version = CriteriaVersion.objects.get(version="2023.1")
    page = petra.get(reverse("criteria_new") + f"?from={version.uid}")
    assert page.context["form"]["content"].value() == EBOLA
    petra.post(reverse("criteria_new"), {"content": MILDER})
    assert CriteriaVersion.objects.get(version="2026.1").drafted_by == cast.physician.actor


@pytest.mark.parametrize("wrong", ["nonsense", "00000000-0000-0000-0000-000000000000"])
def test_a_draft_from_what_is_not_there_is_not_there(cast, petra, wrong):
    assert petra.get(reverse("criteria_new") + f"?from={wrong}").status_code == 404


def test_a_draft_that_lacks_something_says_what_and_has_no_button_to_propose(cast, petra):
    response = petra.get(address("version", draft(cast, MILDER.replace(PLAN_OF_THE_LOWEST, ""))))
    assert "tiers[0].plan" in seen(response)
    assert address("propose", CriteriaVersion.objects.get(version="2026.1")) not in response.content.decode()


def test_proposing_signs_and_the_text_can_no_longer_be_edited(cast, petra):
    version = draft(cast)
    text = seen(petra.post(address("propose", version), follow=True))
    assert "Proposed, under your signature." in text
    assert "Signed: Petra Birch" in text
    refused = petra.post(address("edit", version), {"content": MILDER + "# more\n"})
    assert "its text stands as it is" in seen(refused)


def test_proposing_is_a_page_that_says_what_it_means_before_anything_happens(cast, petra):
    version = draft(cast)
    assert address("propose", version) in petra.get(address("version", version)).content.decode()
    page = seen(petra.get(address("propose", version)))
    assert "Proposing is a signature." in page
    assert "Sign and propose" in page
    version.refresh_from_db()
    assert version.proposed_at is None
    petra.post(address("propose", version))
    assert "Sign and propose" not in seen(petra.get(address("propose", version)))


def test_the_findings_stand_before_what_a_proposal_makes_final(cast, petra):
    page = seen(petra.get(address("propose", draft(cast))))
    assert page.index("Findings") < page.index("What this makes final") < page.index("Sign and propose")
    gap = draft(cast, MILDER.replace('"2026.1"', '"2026.2"').replace("\notherwise: none", ""))
    page = seen(petra.get(address("propose", gap)))
    assert "For some answers no rule holds. This cannot be accepted." in page
    assert "Sign and propose" not in page


def test_a_draft_is_abandoned_with_a_reason_and_says_so(cast, petra):
    version = draft(cast)
    assert address("abandon", version) in petra.get(address("version", version)).content.decode()
    assert "Not answered yet: Reason" in seen(petra.post(address("abandon", version), {"reason": " "}))
    page = petra.post(address("abandon", version), {"reason": "Another text."}, follow=True)
    assert "Abandoned draft" in seen(page)
    assert address("edit", version) not in page.content.decode()
    assert "it is abandoned" in seen(petra.post(address("edit", version), {"content": MILDER})).lower()


def test_what_was_dropped_between_two_versions_is_the_first_that_their_comparison_says(cast, petra):
    after = draft(cast, MILDER.replace("- id: VHF-1\n", "- id: VHF-9\n"))
    before = CriteriaVersion.objects.get(pathogen="ebola", version="2023.1")
    page = seen(petra.get(reverse("criteria_compare", args=[after.uid, before.uid])))
    assert "Dropped in 2026.1: rule VHF-1. New: rule VHF-9." in page


def test_a_draft_that_lacks_something_is_not_proposed_by_its_page_either(cast, petra):
    version = draft(cast, MILDER.replace(PLAN_OF_THE_LOWEST, ""))
    page = seen(petra.post(address("propose", version)))
    assert "Something must still be written before it can be approved." in page
    version.refresh_from_db()
    assert version.proposed_at is None


def test_asking_for_a_review_without_the_button_leads_to_the_replay(cast, petra):
    response = petra.get(address("review", draft(cast), "saltmarsh"))
    assert response.url == address("replay", CriteriaVersion.objects.get(version="2026.1"), "saltmarsh")


def test_rows_from_memory_are_ticked_one_by_one(cast, petra):
    version = draft(cast)
    with doing(cast.physician):
        guide.propose_criteria(version=version, by=cast.physician, at=MONDAY)
    assert "6 rows wait." in seen(petra.get(address("memory", version)))
    assert "5 rows wait." in seen(petra.post(address("memory", version), {"row": "rules[3]"}, follow=True))
    assert version.ticks.get().row == "rules[3]"


def test_the_replay_names_who_would_move_and_from_where_to_where(cast, petra):
    breach = high_report(cast)
    version = draft(cast)
    text = seen(petra.post(address("replay", version, "saltmarsh"), follow=True))
    assert "1 past report was looked at. 1 would move." in text
    assert "1 report: from “High-risk exposure” to “No identified high-risk exposure”" in text
    assert f"{breach.reference} Wim Alder" in text


def test_the_replay_does_not_show_a_physician_their_own_report(cast, petra):
    with doing("command:tests"):
        cast.worker.user = cast.physician
        cast.worker.save()
    breach = high_report(cast)
    text = seen(petra.post(address("replay", draft(cast), "saltmarsh"), follow=True))
    assert breach.reference not in text
    assert "1 more is counted and not listed here." in text


def test_review_these_people_makes_tasks_for_the_nurse(cast, petra):
    breach = high_report(cast)
    version = draft(cast)
    petra.post(address("replay", version, "saltmarsh"))
    assert "1 task was made" in seen(petra.post(address("review", version, "saltmarsh"), follow=True))
    assert Promise.objects.get(kind="review").breach == breach
    petra.force_login(cast.nurse)
    assert "Look again at the tier: ebola 2026.1 would change it" in seen(
        petra.get(reverse("breach", args=[breach.uid]))
    )


def test_a_site_where_one_is_no_physician_is_not_there(cast, petra):
    version = draft(cast)
    assert petra.get(address("approve", version, "fenwick")).status_code == 404
    assert petra.post(address("replay", version, "fenwick")).status_code == 404


def test_the_editor_is_told_why_they_cannot_sign(cast, petra):
    version = proposed(cast)
    response = petra.get(address("approve", version, "saltmarsh"))
    assert "You wrote this text: somebody else must approve it." in seen(response)
    assert "Sign for" not in seen(response)
    text = seen(petra.post(address("approve", version, "saltmarsh"), follow=True))
    assert "works with" not in text.split("Signatures")[0]


def test_the_other_physician_sees_the_replay_first_then_signs(cast, client, standing_clock):
    standing_clock(MONDAY)
    high_report(cast)
    version = proposed(cast)
    client.force_login(cast.physician2)
    text = seen(client.get(address("approve", version, "saltmarsh")))
    assert text.index("1 would move.") < text.index("Sign for Saltmarsh General Hospital")
    text = seen(client.post(address("approve", version, "saltmarsh"), follow=True))
    assert "Saltmarsh General Hospital works with ebola 2026.1 from now on." in text


def test_without_a_replay_there_is_nothing_to_sign(cast, client, standing_clock):
    standing_clock(MONDAY)
    version = proposed(cast, replay=False)
    client.force_login(cast.physician2)
    text = seen(client.get(address("approve", version, "saltmarsh")))
    assert "Nobody has looked yet at whom it would move at this site." in text
    assert "Sign for" not in text
