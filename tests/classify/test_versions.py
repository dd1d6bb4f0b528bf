"""From draft to a site's practice under two signatures, and every refusal on the way.

What must be refused stands in the product's own contract (lifecycle of criteria); who is a physician where is the
cast's. Common practice, no source: two people decide, and nobody approves what they wrote.
"""

import random
from datetime import timedelta

import pytest
from django.core.exceptions import PermissionDenied
from django.db import connection

from exposure.attend.models import Promise
from exposure.classify.assess import adopted, criteria_of, propose_text
from exposure.classify.criteria import CriteriaError, forget
from exposure.classify.models import Adoption, CriteriaVersion, Signature
from exposure.classify.versions import memory_rows, obstacles_to_approval, unticked
from exposure.people.models import Role, User
from exposure.pipeline import guide, report
from exposure.refusal import BadSubmission, NotYet
from exposure.report.models import Breach
from tests.cast import FIXTURES, MONDAY, doing
from tests.classify.documents import large_document, written

pytestmark = pytest.mark.database

EBOLA = (FIXTURES / "criteria" / "ebola-2023.1.yaml").read_text()
NEXT = EBOLA.replace('version: "2023.1"', 'version: "2026.1"')
LATER = MONDAY + timedelta(hours=1)


def draft(cast, content=NEXT, by=None):
    by = by or cast.physician
    with doing(by):
        return guide.draft_criteria(content=content, by=by, at=MONDAY)


def propose(cast, version, by=None):
    by = by or cast.physician
    with doing(by):
        return guide.propose_criteria(version=version, by=by, at=MONDAY)


def test_a_proposal_asks_somebody_at_the_proposers_site_for_the_second_signature(cast):
    version = propose(cast, draft(cast))
    [asked] = Promise.objects.filter(version=version)
    assert (asked.site, asked.due_at) == (cast.site, MONDAY + timedelta(days=7))


def prepare(cast, version, site=None):
    """Everything that approval wants beside two people: each row ticked, and a replay."""
    with doing(cast.physician):
        for row in unticked(version):
            guide.tick_criteria(version=version, row=row, by=cast.physician, at=MONDAY)
        guide.replay_criteria(version=version, site=site or cast.site, by=cast.physician, at=MONDAY)


def approve(cast, version, by=None, at=MONDAY, site=None):
    by = by or cast.physician2
    with doing(by, at=at):
        return guide.approve_criteria(version=version, site=site or cast.site, by=by, at=at)


def proposed(cast, content=NEXT):
    """Written and proposed by Petra, ready for Pavel."""
    version = propose(cast, draft(cast, content))
    prepare(cast, version)
    return version


def third(cast):
    """One more physician of the site."""
    with doing("command:tests"):
        user = User.objects.create_user("physician3", None, full_name="Pia Larch", email="pia@example.org")
        Role.objects.create(
            user=user, site=cast.site, kind=Role.Kind.PHYSICIAN, from_at=MONDAY - timedelta(days=1)
        )
    return user


def refused(error):
    return set(error.value.reasons)


# Draft


def test_a_draft_keeps_its_exact_text_and_its_editor(cast):
    version = draft(cast)
    assert version.text == NEXT
    assert version.drafted_by == cast.physician.actor
    assert (version.proposed_at, version.approved_at) == (None, None)


@pytest.mark.parametrize(
    ("wrong", "line", "says"),
    [
        (
            NEXT.replace("tier: high\n    when: {skin: [intact", "tier: hihg\n    when: {skin: [intact"),
            82,
            "hihg",
        ),
        (EBOLA, 4, "stands already"),
        (NEXT.replace('version: "2026.1"', f'version: "{"9" * 61}"'), 4, "at most 60"),
    ],
    ids=["a misspelt tier", "a version that stands already", "a version that is too long"],
)
def test_a_text_that_cannot_be_kept_is_refused_at_its_line(cast, wrong, line, says):
    with pytest.raises(CriteriaError) as error:
        draft(cast, wrong)
    assert (error.value.line, says in error.value.message) == (line, True)
    assert not CriteriaVersion.objects.filter(version="2026.1").exists()


def test_whoever_edits_a_draft_last_is_its_editor(cast):
    version = draft(cast)
    with doing(cast.physician2):
        edited = guide.edit_criteria(
            version=version, content=NEXT + "# looked at\n", by=cast.physician2, at=MONDAY
        )
    assert edited.drafted_by == cast.physician2.actor
    assert edited.sha256 != version.sha256


def test_saving_the_same_text_makes_nobody_its_editor(cast):
    version = draft(cast)
    with doing(cast.physician2):
        same = guide.edit_criteria(version=version, content=NEXT, by=cast.physician2, at=MONDAY)
    assert same.drafted_by == cast.physician.actor


def test_a_proposed_text_can_no_longer_be_edited(cast):
    version = propose(cast, draft(cast))
    with doing(cast.physician), pytest.raises(NotYet) as error:
        guide.edit_criteria(version=version, content=NEXT + "# more\n", by=cast.physician, at=MONDAY)
    assert refused(error) == {"proposed"}
    version.refresh_from_db()
    assert version.text == NEXT


@pytest.mark.parametrize("who", ["nurse", "observer", "lead", "auditor", "administrator"])
def test_only_physicians_draft_propose_tick_and_approve(cast, who):
    version, by = proposed(cast), getattr(cast, who)
    deeds = [
        lambda: guide.draft_criteria(content=NEXT, by=by, at=MONDAY),
        lambda: guide.edit_criteria(version=version, content=NEXT, by=by, at=MONDAY),
        lambda: guide.propose_criteria(version=version, by=by, at=MONDAY),
        lambda: guide.tick_criteria(version=version, row="rules[3]", by=by, at=MONDAY),
        lambda: guide.replay_criteria(version=version, site=cast.site, by=by, at=MONDAY),
        lambda: guide.approve_criteria(version=version, site=cast.site, by=by, at=MONDAY),
    ]
    for deed in deeds:
        with doing(by), pytest.raises(PermissionDenied):
            deed()


# Proposed


def test_a_draft_that_lacks_a_plan_is_not_proposed(cast):
    lacking = NEXT.replace(
        "    plan: {monitoring: none, confirm_within: 24h, second_signature: none, clearance: nurse}\n", ""
    )
    with pytest.raises(NotYet) as error:
        propose(cast, draft(cast, lacking))
    assert refused(error) == {"lacking"}


def test_withdrawn_guidance_is_not_proposed(cast):
    with pytest.raises(NotYet) as error:
        propose(cast, draft(cast, NEXT.replace("status: current", "status: withdrawn")))
    assert refused(error) == {"withdrawn"}


def test_a_stored_text_that_no_longer_reads_is_not_proposed(cast):
    version = draft(cast)
    with connection.cursor() as cursor:
        cursor.execute("UPDATE exposure_criteriaversion SET text = 'pathogen: [' WHERE id = %s", [version.pk])
    with pytest.raises(NotYet) as error:
        propose(cast, version)
    assert refused(error) == {"malformed"}


def test_proposing_twice_changes_nothing(cast):
    version = propose(cast, draft(cast))
    again = propose(cast, version)
    assert again.proposed_at == MONDAY
    assert Signature.objects.filter(subject=f"criteriaversion:{version.uid}").count() == 1


def test_somebody_else_cannot_propose_what_is_proposed(cast):
    version = propose(cast, draft(cast))
    with pytest.raises(NotYet) as error:
        propose(cast, version, by=cast.physician2)
    assert refused(error) == {"proposed"}


def test_rows_that_do_not_say_seen_are_from_memory(cast):
    criteria = criteria_of(draft(cast))
    assert memory_rows(criteria) == ("profile", "tiers[0]", "tiers[1]", "rules[3]", "rules[4]", "rules[5]")


def test_a_draft_cannot_be_ticked_because_its_rows_may_still_move(cast):
    version = draft(cast)
    with doing(cast.physician), pytest.raises(NotYet) as error:
        guide.tick_criteria(version=version, row="rules[3]", by=cast.physician, at=MONDAY)
    assert refused(error) == {"not_proposed"}


def test_a_row_that_was_seen_cannot_be_ticked(cast):
    version = propose(cast, draft(cast))
    with doing(cast.physician), pytest.raises(BadSubmission):
        guide.tick_criteria(version=version, row="rules[0]", by=cast.physician, at=MONDAY)


# Approved


def test_the_site_works_with_a_version_once_another_physician_has_approved_the_proposal(cast):
    version = proposed(cast)
    adoption = approve(cast, version)
    assert (adoption.site, adoption.from_at, adoption.until_at) == (cast.site, MONDAY, None)
    assert adopted(cast.site, "ebola", at=MONDAY) == version
    version.refresh_from_db()
    assert version.approved_at == MONDAY


def test_the_first_of_two_signatures_puts_nothing_in_force(cast):
    with doing("command:publish"):
        version = propose_text(NEXT, by="command:publish", at=MONDAY, proposed=True)
    prepare(cast, version)
    assert approve(cast, version, by=cast.physician) is None
    assert adopted(cast.site, "ebola", at=MONDAY).version == "2023.1"
    assert approve(cast, version, by=cast.physician2).version == version


def test_the_same_person_cannot_sign_twice(cast):
    with doing("command:publish"):
        version = propose_text(NEXT, by="command:publish", at=MONDAY, proposed=True)
    prepare(cast, version)
    approve(cast, version, by=cast.physician)
    with pytest.raises(NotYet) as error:
        approve(cast, version, by=cast.physician, at=LATER)
    assert refused(error) == {"same_person"}


def test_whoever_proposed_has_signed_and_cannot_approve(cast):
    version = draft(cast)
    version = propose(cast, version, by=cast.physician2)
    prepare(cast, version)
    with pytest.raises(NotYet) as error:
        approve(cast, version, by=cast.physician2)
    assert refused(error) == {"same_person"}


def test_the_editor_does_not_approve_even_where_somebody_else_proposed(cast):
    version = propose(cast, draft(cast, by=cast.physician), by=cast.physician2)
    prepare(cast, version)
    with pytest.raises(NotYet) as error:
        approve(cast, version, by=cast.physician)
    assert refused(error) == {"editor"}
    assert approve(cast, version, by=third(cast)).version == version


def test_a_signature_of_a_physician_of_another_site_does_not_count_here(cast):
    with doing("command:tests"):
        Role.objects.create(
            user=cast.outsider, site=cast.other_site, kind=Role.Kind.PHYSICIAN, from_at=MONDAY
        )
    version = propose(cast, draft(cast, by=cast.outsider), by=cast.outsider)
    prepare(cast, version)
    with pytest.raises(PermissionDenied):
        approve(cast, version, by=cast.outsider)
    assert approve(cast, version, by=cast.physician) is None
    assert approve(cast, version, by=cast.physician2) is not None


def test_a_draft_cannot_be_approved(cast):
    with pytest.raises(NotYet) as error:
        approve(cast, draft(cast))
    assert refused(error) == {"not_proposed"}


def test_a_gap_is_never_acceptable(cast):
    version = draft(cast, NEXT.replace("\notherwise: none", ""))
    with pytest.raises(NotYet) as error:
        propose(cast, version)
    assert refused(error) == {"gap"}


def test_an_abandoned_draft_is_kept_and_goes_no_further(cast):
    version = draft(cast)
    with doing(cast.physician):
        said = {"version": version, "reason": "Another text.", "by": cast.physician, "at": MONDAY}
        assert guide.abandon_criteria(**said) == guide.abandon_criteria(**said)
    version.refresh_from_db()
    assert (version.retired_at, version.history.latest().history_change_reason) == (MONDAY, "Another text.")
    with pytest.raises(NotYet) as error:
        propose(cast, version)
    assert refused(error) == {"abandoned"}
    with doing(cast.physician), pytest.raises(NotYet) as error:
        guide.edit_criteria(version=version, content=NEXT, by=cast.physician, at=MONDAY)
    assert refused(error) == {"abandoned"}
    other = proposed(cast, NEXT.replace('"2026.1"', '"2026.9"'))
    with doing(cast.physician), pytest.raises(NotYet) as error:
        guide.abandon_criteria(version=other, reason="x", by=cast.physician, at=MONDAY)
    assert refused(error) == {"proposed"}


FALLING = NEXT.replace("when: {contact: [body]}", "when: {contact: [splash]}")


def test_a_later_answer_that_lowers_the_tier_is_refused(cast):
    version = proposed(cast, FALLING)
    with pytest.raises(NotYet) as error:
        approve(cast, version)
    assert refused(error) == {"not_monotone"}


def test_a_later_answer_that_lowers_the_tier_is_taken_where_the_file_accepts_it(cast):
    kept = (
        FALLING + 'accepted: [{finding: not_monotone, about: contact, because: "Invented for this test."}]\n'
    )
    assert approve(cast, proposed(cast, kept)) is not None


def test_withdrawn_guidance_is_not_approved(cast):
    with doing("command:publish"):
        content = (FIXTURES / "criteria" / "ebola-2014.1.yaml").read_text()
        version = propose_text(content, by="command:publish", at=MONDAY, proposed=True)
    prepare(cast, version)
    with pytest.raises(NotYet) as error:
        approve(cast, version)
    assert "withdrawn" in refused(error)


def test_a_single_row_from_memory_that_nobody_ticked_stands_in_the_way(cast):
    version = propose(cast, draft(cast))
    with doing(cast.physician):
        for row in memory_rows(criteria_of(version))[1:]:
            guide.tick_criteria(version=version, row=row, by=cast.physician, at=MONDAY)
        guide.replay_criteria(version=version, site=cast.site, by=cast.physician, at=MONDAY)
    with pytest.raises(NotYet) as error:
        approve(cast, version)
    assert refused(error) == {"unticked"}
    with doing(cast.physician2):
        guide.tick_criteria(version=version, row="profile", by=cast.physician2, at=MONDAY)
    assert approve(cast, version) is not None


@pytest.mark.parametrize("columns", ["text = text || '# more'", "text = text || '# more', sha256 = %s"])
def test_a_text_changed_after_its_proposal_is_refused_whatever_its_sum_says(cast, columns):
    version = proposed(cast)
    values = ["0" * 64] if "%s" in columns else []
    with connection.cursor() as cursor:
        cursor.execute(f"UPDATE exposure_criteriaversion SET {columns} WHERE id = %s", [*values, version.pk])
    with pytest.raises(NotYet) as error:
        approve(cast, version)
    assert refused(error) == {"text_changed"}


def test_a_replay_at_another_site_does_not_stand_for_this_one(cast):
    with doing("command:tests"):
        Role.objects.create(
            user=cast.physician, site=cast.other_site, kind=Role.Kind.PHYSICIAN, from_at=MONDAY
        )
    version = propose(cast, draft(cast))
    prepare(cast, version, site=cast.other_site)
    with pytest.raises(NotYet) as error:
        approve(cast, version)
    assert refused(error) == {"not_replayed"}


def test_a_replay_of_an_earlier_text_does_not_stand_for_the_proposed_one(cast):
    version = draft(cast)
    with doing(cast.physician):
        guide.replay_criteria(version=version, site=cast.site, by=cast.physician, at=MONDAY)
        version = guide.edit_criteria(
            version=version, content=NEXT + "# more\n", by=cast.physician, at=MONDAY
        )
    version = propose(cast, version)
    with doing(cast.physician):
        for row in unticked(version):
            guide.tick_criteria(version=version, row=row, by=cast.physician, at=MONDAY)
    with pytest.raises(NotYet) as error:
        approve(cast, version)
    assert refused(error) == {"not_replayed"}


# Adopted and retired


def test_adopting_a_newer_version_ends_the_former_at_that_instant_and_retires_it(cast):
    approve(cast, proposed(cast), at=LATER)
    former = Adoption.objects.get(site=cast.site, version__version="2023.1")
    assert former.until_at == LATER
    assert former.version.retired_at == LATER
    assert Adoption.objects.filter(site=cast.site, pathogen="ebola", until_at=None).count() == 1


def test_until_that_instant_the_former_version_is_the_one_in_force(cast):
    version = proposed(cast)
    approve(cast, version, at=LATER)
    assert adopted(cast.site, "ebola", at=LATER - timedelta(seconds=1)).version == "2023.1"
    assert adopted(cast.site, "ebola", at=LATER) == version


def test_a_version_that_another_site_still_works_with_is_not_retired(cast):
    former = CriteriaVersion.objects.get(version="2023.1")
    with doing("command:tests"):
        Adoption.objects.create(site=cast.other_site, pathogen="ebola", version=former, from_at=MONDAY)
    approve(cast, proposed(cast), at=LATER)
    former.refresh_from_db()
    assert former.retired_at is None


def test_a_retired_version_does_not_come_back(cast):
    approve(cast, proposed(cast))
    former = CriteriaVersion.objects.get(version="2023.1")
    with pytest.raises(NotYet) as error:
        approve(cast, former)
    assert refused(error) == {"retired"}


def test_approving_what_the_site_works_with_already_changes_nothing(cast):
    version = proposed(cast)
    assert approve(cast, version, at=LATER) == approve(cast, version)
    assert Adoption.objects.filter(version=version).count() == 1


def test_a_report_assessed_before_keeps_its_version(cast):
    with doing(cast.observer):
        report.report_breach(body=cast.body(), reporter=cast.observer, at=MONDAY)
    approve(cast, proposed(cast), at=LATER)
    assert [one.version.version for one in Breach.objects.get().assessments.all()] == ["2023.1"]


def test_both_signatures_stay_readable(cast):
    version = proposed(cast)
    adoption = approve(cast, version)
    subjects = {f"criteriaversion:{version.uid}": "physician", f"adoption:{adoption.uid}": "physician2"}
    signed = Signature.objects.filter(subject__in=subjects)
    assert {one.subject: one.user.name for one in signed} == subjects


def test_what_cannot_be_proved_is_neither_proposed_nor_approved(cast, monkeypatch):
    version = proposed(cast)
    monkeypatch.setattr("exposure.classify.criteria.MOST_WORK", 1)
    forget()
    assert obstacles_to_approval(version, cast.site, by=cast.physician2, at=MONDAY) == ("entangled",)
    with pytest.raises(NotYet) as error:
        approve(cast, version)
    assert refused(error) == {"entangled"}
    monkeypatch.setattr("exposure.classify.builder.MOST_STATES", 1)
    forget()
    other = draft(cast, written(large_document(random.Random(1), facts=4, rules=4)))
    with pytest.raises(NotYet) as error:
        propose(cast, other)
    assert refused(error) == {"entangled"}
    forget()
