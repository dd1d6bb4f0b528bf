"""Every page on which a clinician does something, over the whole table: who finds it, and what it says when somebody
else was before."""

import re
from dataclasses import replace
from datetime import timedelta
from html import unescape
from types import ModuleType
from uuid import uuid4

import pytest
from django.test import Client
from django.urls import include, path, reverse

from exposure.attend.models import Alert, Promise
from exposure.classify.models import Assessment
from exposure.followup.models import Check, Exposure, FollowUp, Reading
from exposure.people.models import Role, Worker
from exposure.pipeline import classify, expose, follow
from exposure.pipeline.report import ask_withdrawal, report_breach
from exposure.refusal import Conflict
from exposure.report.models import Breach, Case
from exposure.web import urls as all_urls
from exposure.web.nurse import urls
from exposure.web.nurse.deed import pattern
from tests.cast import MONDAY, adopt, doing
from tests.web.isolation import without_isolation

pytestmark = pytest.mark.database

HOUR = timedelta(hours=1)
READING = {
    "submission_id": str(uuid4()),
    "taken_at": "2026-03-02T10:30",
    "temperature": "36.8",
    "unit": "C",
    "method": "oral",
}
WHY = {"reason": "Spoken with the worker."}
# What is sent to each page: a form that can be sent.
SENT = {
    "alert_acknowledge": {},
    "alert_look": {"kind": "watch", "hours": "2", "note": "Paracetamol wears off."},
    "alert_close": {"outcome": "evaluated", "note": "Looked at."},
    "breach_told": {"how": "phone", "told_at": "2026-03-02T08:55"},
    "breach_confirm": {"fact_contact": "breach", "fact_skin": "no", "note": "Inner glove dry."},
    "breach_answers": {"fact_contact": "breach", "fact_skin": "no"},
    "breach_override": {"tier": "high", **WHY},
    "breach_also": {"pathogen": "mers", **WHY},
    "countersign": {},
    "breach_withdrawal": {"accepted": "yes", **WHY},
    "person_call": {"answered": "no", "note": "Rang twice."},
    "person_times": {"choice": "site"},
    "person_exposure": {
        "tier": "ebola:high",
        "occurred_at": "2026-03-01T18:00",
        "note": "Elsewhere.",
        "told": "phone",
    },
    "person_birth_year": {"birth_year": "1984"},
    "person_protection": {"kind": "vaccine", "what": "Trial vaccine", "given_at": "2026-03-01T18:00"},
    "person_note": {"text": "Splenectomy."},
    "person_reading": READING,
    "reading_amend": {**READING, "reason": "Misheard."},
    "task_done": {"note": "By telephone."},
    "task_not_applicable": WHY,
    "alert_hand_over": {"to": "nurse2"},
    "hand_over": {"to": "Ned Plum"},
    "excuse": WHY,
    "exposure_correct": {"occurred_at": "2026-03-01T18:00", **WHY},
    "exposure_told": {"how": "phone"},
    "clear": {},
    "follow_up_return": {"diagnosis": "Malaria."},
    "follow_up_end": {"kind": "left", "basis": "agreed", **WHY},
    "follow_up_reopen": WHY,
    "follow_up_evaluation": WHY,
    "follow_up_admission": WHY,
    "change_told": {"how": "phone"},
    "person_link_to": {},
    "person_not_listed": {},
    "person_unlink": WHY,
    "case_close": {},
    "case_state": {"status": "confirmed", "note": "Second test."},
}
MORE = {"pathogen": "ebola"}  # what an address holds beside the uid


def words(response):
    main = response.content.decode().partition("<main")[2].partition("</main>")[0]
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", without_isolation(main))).split())


@pytest.fixture
def rows(cast, standing_clock):
    """Page -> the row that it is opened for."""
    standing_clock(MONDAY + 2 * HOUR)
    with doing("command:tests"):
        adopt(cast.site, "mers-2019.2", MONDAY - 24 * HOUR)
    with doing(cast.observer):
        breach = report_breach(body=cast.body(), reporter=cast.observer, at=MONDAY).breach
        ask_withdrawal(breach=breach, reason="Another glove.", by=cast.observer, at=MONDAY)
    with doing(cast.worker.user, at=MONDAY + HOUR):
        body = cast.reading(temperature="38.4")
        follow.log_reading(body=body, worker=cast.worker, entered_by=cast.worker.user, at=MONDAY + HOUR)
    with doing(cast.nurse, at=MONDAY + HOUR):
        own = {"breach": breach, "by": cast.nurse, "at": MONDAY + HOUR}
        classify.confirm_breach(**own, note="As reported.")
        classify.override_tier(**own, pathogen="ebola", tier="none", reason="Never touched it.")
        expose.record_exposure(
            worker=cast.worker, pathogen="ebola", occurred_at=MONDAY - 30 * HOUR, tier="high",
            by=cast.nurse, at=MONDAY + HOUR,
        )  # fmt: skip
        typed = Worker.objects.create(site=cast.site, name="Wim Elder")
        linked = Worker.objects.create(site=cast.site, name="W. Elder", same_as=cast.worker)
        change = Promise.objects.create(
            site=cast.site, worker=cast.worker, follow_up=FollowUp.objects.get(), kind="tell",
            key=f"change:dates:{uuid4()}", title="Tell the worker: the dates have changed", asked_at=MONDAY,
        )  # fmt: skip
    by_model = {
        Alert: Alert.objects.get(cause="fever"),
        Breach: breach,
        Assessment: Assessment.objects.get(second_signature_needed=True),
        Worker: cast.worker,
        Reading: Reading.objects.get(),
        Promise: Promise.objects.filter(kind="task", void_at=None).first(),
        Check: Check.objects.filter(withdrawn_at=None).first(),
        Exposure: Exposure.objects.get(breach=None),
        FollowUp: FollowUp.objects.get(),
        Case: cast.case,
    }
    named = {
        "person_unlink": linked,
        "person_link_to": typed,
        "person_not_listed": typed,
        "change_told": change,
    }
    return {page.name: named.get(page.name) or by_model[page.rows.model] for page in urls.DEEDS}


def address_of(page, row, cast):
    wanted = re.findall(r"<\w+:(\w+)>", page.address)
    more = {**MORE, "known": cast.worker.uid}
    return reverse(page.name, kwargs={name: row.uid if name == "uid" else more[name] for name in wanted})


def test_every_page_has_a_form_here_that_can_be_sent():
    assert set(SENT) == {page.name for page in urls.DEEDS}


def test_every_page_opens_for_a_physician_of_the_site_and_is_not_there_for_another_site_nor_without_role(
    cast, rows
):
    ours, theirs, observer = Client(), Client(), Client()
    ours.force_login(cast.physician)
    theirs.force_login(cast.outsider)
    observer.force_login(cast.observer)
    for page in urls.DEEDS:
        address = address_of(page, rows[page.name], cast)
        assert ours.get(address).status_code == 200, page.name
        for stranger in (theirs, observer):
            assert stranger.get(address).status_code == 404, page.name
            assert stranger.post(address, SENT[page.name]).status_code == 404, page.name


def test_every_page_says_who_was_before_with_what_and_keeps_what_was_typed(cast, rows, settings):
    standing = Breach.objects.get()

    def another_stands(**_sent):
        raise Conflict(standing)

    refusing = ModuleType("refusing_urls")
    refusing.urlpatterns = [
        *(pattern(replace(page, use_case=another_stands)) for page in urls.DEEDS),
        path("", include(all_urls)),
    ]
    settings.ROOT_URLCONF = refusing
    client = Client()
    client.force_login(cast.physician)
    for page in urls.DEEDS:
        answer = client.post(address_of(page, rows[page.name], cast), SENT[page.name])
        assert answer.status_code == 200, page.name
        shown = words(answer)
        assert "Somebody was before you (Nora Teal, Mon 2 Mar, 10:00): As reported." in shown, page.name
        assert "What you sent is kept beside it." in shown, page.name
        for typed in (SENT[page.name].get("note"), SENT[page.name].get("reason")):
            assert typed is None or typed in answer.content.decode(), page.name


def test_the_form_within_a_report_says_who_told_the_worker_before(cast, rows, client):
    breach = rows["breach_told"]
    for user, how in ((cast.nurse, "phone"), (cast.nurse2, "person")):
        client.force_login(user)
        sent = {"how": how, "told_at": "2026-03-02T08:55"}
        answer = client.post(reverse("breach_told", args=[breach.uid]), sent, follow=True)
    assert answer.status_code == 200
    assert "Somebody was before you (Nora Teal, Mon 2 Mar, 08:55): by telephone" in words(answer)
    report = words(client.get(reverse("breach", args=[breach.uid])))
    assert "Another decision, kept" in report
    assert "How the worker was told" in report
    assert "in person" in report
    assert "Ned Plum, Mon 2 Mar 2026, 11:00" in report


def test_a_second_tier_that_knows_of_the_first_is_taken(cast, rows, client):
    """The page names the assessment that it showed, so that the second clinician departs from it knowingly."""
    breach = rows["breach_override"]
    client.force_login(cast.physician)
    address = reverse("breach_override", args=[breach.uid, "ebola"])
    standing = re.search(r'name="standing" value="([^"]+)"', client.get(address).content.decode())[1]
    refused = client.post(address, {"tier": "high", **WHY, "standing": str(uuid4())})
    assert "Somebody was before you (Nora Teal" in words(refused)
    assert client.post(address, {"tier": "high", **WHY, "standing": standing}).status_code == 302
    assert breach.assessments.last().tier == "high"


def test_after_a_conflict_the_page_shows_what_stands_and_the_same_button_decides_knowingly(
    cast, rows, client
):
    breach = rows["breach_override"]
    client.force_login(cast.physician)
    address = reverse("breach_override", args=[breach.uid, "ebola"])
    sent = {"tier": "high", "reason": "I saw the glove."}
    refused = client.post(address, {**sent, "standing": str(uuid4())})
    standing = refused.context["form"]["standing"].value()
    assert standing == str(breach.assessments.filter(pathogen="ebola").last().uid)
    assert f'name="standing" value="{standing}"' in refused.content.decode()
    assert client.post(address, {**sent, "standing": standing}).status_code == 302


def test_a_second_other_time_of_an_exposure_is_refused_with_the_first_and_kept(cast, rows, client):
    exposure = rows["exposure_correct"]
    address = reverse("exposure_correct", args=[exposure.uid])
    for user, time, reason in (
        (cast.nurse, "2026-03-01T18:00", "Ward book."),
        (cast.nurse2, "2026-03-01T19:30", "Wim's diary."),
    ):
        client.force_login(user)
        answer = client.post(address, {"occurred_at": time, "reason": reason})
    assert answer.status_code == 200
    assert "Somebody was before you (Nora Teal, Mon 2 Mar, 11:00): Sun 1 Mar, 18:00: Ward book." in words(
        answer
    )
    assert "Wim's diary." in words(answer)
    page = words(client.get(reverse("person", args=[cast.worker.uid])))
    assert "Another decision, kept: when the contact was" in page
    assert "Sun 1 Mar 2026, 19:30" in page
    assert page.count("Wim's diary.") == 1


def test_what_was_kept_beside_a_closed_alert_is_shown_there_and_in_the_story_to_that_site_alone(
    cast, rows, client
):
    alert = rows["alert_close"]
    for user, outcome, note in (
        (cast.nurse, "evaluated", "A cold."),
        (cast.nurse2, "entry_error", "Typed 38 for 36."),
    ):
        client.force_login(user)
        answer = client.post(reverse("alert_close", args=[alert.uid]), {"outcome": outcome, "note": note})
    assert "Somebody was before you (Nora Teal" in words(answer)
    for name, uid in (("alert", alert.uid), ("person", cast.worker.uid)):
        page = words(client.get(reverse(name, args=[uid])))
        assert "Another decision, kept" in page
        assert "entry error" in page
        assert "Typed 38 for 36." in page
    with doing("command:tests"):
        FollowUp.objects.create(
            site=cast.other_site, worker=cast.worker, pathogen="bloodborne", opened_at=MONDAY
        )
    client.force_login(cast.outsider)
    page = client.get(reverse("person", args=[cast.worker.uid]))
    assert page.status_code == 200
    assert "Typed 38 for 36." not in page.content.decode()


def test_opening_a_case_is_for_clinicians(cast, client):
    for user, status in ((cast.observer, 403), (cast.nurse, 200)):
        client.force_login(user)
        assert client.get(reverse("case_open")).status_code == status
    assert Role.objects.filter(user=cast.observer).get().kind == "observer"
