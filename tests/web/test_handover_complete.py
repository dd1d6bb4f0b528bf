"""The hand-over leaves nobody out, tells all that has changed since the list was read, and cuts nothing unsaid."""

import re

import pytest

from exposure.attend.models import Alert, Handover, Promise
from exposure.classify.models import Assessment
from exposure.interop import handover_changes
from exposure.interop.handover import CELL, pdf_of, sheet_of, shortened
from exposure.pipeline import attend, complete, enter, evaluate
from tests.attend.deeds import countersign, end, override
from tests.cast import MONDAY, doing
from tests.walk import LOW, sweep_at
from tests.web.nora import DAY, HOUR, confirmed, follow_up_of, measure, report, words

pytestmark = pytest.mark.database
NOBODY = "Nobody is followed up, and nothing waits."


def the_list(nurse, cast, at):
    return words(nurse.open("handover", cast.site.uid, at=at))


def changes(cast, at):
    return [line for _when, line in sheet_of(cast.site, at=at).changes.lines]


# Who waits beside the list


def test_nobody_is_said_only_where_nothing_waits_either(cast, nurse):
    assert NOBODY in the_list(nurse, cast, MONDAY)
    report(cast, facts=LOW)
    assert NOBODY not in the_list(nurse, cast, MONDAY + HOUR)


def test_a_report_without_a_follow_up_waits_with_name_number_and_telephone(cast, nurse):
    report(cast, facts=LOW)
    early = the_list(nurse, cast, MONDAY + HOUR)
    assert "0 people followed up" in early
    [_, waiting] = early.split("Also waiting")
    assert waiting.index("Tell the worker of report") < waiting.index(
        "Speak with the worker"
    )  # which is due later
    sweep_at(MONDAY + 30 * HOUR)
    late = the_list(nurse, cast, MONDAY + 30 * HOUR)
    [_, waiting] = late.split("Also waiting")
    assert "Wim Alder +351 900 000 042, SG-1042 not yet told; late to confirm" in waiting
    sheet = sheet_of(cast.site, at=MONDAY + 30 * HOUR)
    assert [one.worker for one in sheet.waiting] == [cast.worker]
    assert pdf_of(sheet).startswith(b"%PDF")


def test_an_open_alert_of_somebody_whose_follow_up_has_ended_waits(cast, nurse):
    breach = confirmed(cast, report(cast))
    end(cast, follow_up_of(breach), "left", at=MONDAY + HOUR)
    assert NOBODY in the_list(nurse, cast, MONDAY + 2 * HOUR)
    measure(cast, MONDAY + 2 * HOUR, "39.2")
    assert Alert.objects.filter(closed_at=None).exists()  # no vacuous waiting
    [one] = sheet_of(cast.site, at=MONDAY + 3 * HOUR).waiting
    assert (one.worker, one.urgent) == (cast.worker, True)
    assert "fever" in one.what
    assert NOBODY not in the_list(nurse, cast, MONDAY + 3 * HOUR)


def test_who_is_followed_up_stands_once_and_nobody_reads_of_themselves(cast, nurse):
    confirmed(cast, report(cast))
    measure(cast, MONDAY + HOUR, "39.2")
    sheet = sheet_of(cast.site, at=MONDAY + 2 * HOUR)
    assert (len(sheet.lines), sheet.waiting) == (1, ())
    report(cast, at=MONDAY + HOUR, facts=LOW)  # a second one, which no follow-up comes from
    with doing("command:tests"):
        cast.worker.user = cast.nurse
        cast.worker.save()
    assert "Wim Alder" not in the_list(nurse, cast, MONDAY + 2 * HOUR)


def test_another_sites_waiting_stands_on_its_own_list_alone(cast):
    report(cast, facts=LOW)
    assert sheet_of(cast.other_site, at=MONDAY + HOUR).is_empty


# What has changed, counted from what was read


def test_what_came_between_reading_and_taking_is_a_change(cast, nurse):
    confirmed(cast, report(cast))
    read_at = MONDAY + 8 * HOUR
    page = nurse.open("handover", cast.site.uid, at=read_at).content.decode()
    [sent] = re.findall(r'name="read_at" value="([^"]+)"', page)
    measure(cast, read_at + HOUR / 2, "39.2")
    closed = read_at + HOUR * 0.7
    with doing(cast.nurse, at=closed):
        fever = Alert.objects.get(cause="fever")
        attend.close_alert(alert=fever, outcome="evaluated", note="Seen by me.", by=cast.nurse, at=closed)
    nurse.sign_in(cast.nurse2)
    taken = read_at + HOUR
    nurse.send("handover", cast.site.uid, at=taken, last="", read_at=sent)
    later = the_list(nurse, cast, taken + HOUR)
    assert "Changes since Mon 2 Mar 2026, 17:00" in later
    for said in ("Wim Alder: fever, raised", "Wim Alder: fever, closed"):
        assert said in later


@pytest.mark.parametrize(
    ("sent", "stored"),
    [
        ((MONDAY - HOUR).isoformat(), MONDAY - HOUR),
        ((MONDAY + DAY).isoformat(), MONDAY),  # nobody has read what is still to come
        ("yesterday", MONDAY),
        ("2026-03-02T08:00:00", MONDAY),  # of no zone
        ("2026-13-45T99:00:00Z", MONDAY),
        ("", MONDAY),
    ],
)
def test_what_was_sent_as_the_moment_of_reading(cast, nurse, sent, stored):
    nurse.send("handover", cast.site.uid, at=MONDAY, last="", read_at=sent)
    assert Handover.objects.get().read_at == stored


def test_a_hand_over_from_before_the_moment_was_kept_counts_from_when_it_was_taken():
    assert Handover(recorded_at=MONDAY).as_of == MONDAY
    assert Handover(recorded_at=MONDAY, read_at=MONDAY - HOUR).as_of == MONDAY - HOUR


def evaluated(cast, breach, at):
    with doing(cast.physician, at=at):
        evaluate.begin_evaluation(follow_up=follow_up_of(breach), reason="Fever.", by=cast.physician, at=at)


def returned(cast, breach, at):
    evaluated(cast, breach, at)
    with doing(cast.physician, at=at):
        evaluate.return_to_monitoring(
            follow_up=follow_up_of(breach), finding="A cold.", by=cast.physician, at=at
        )


def admitted(cast, breach, at):
    with doing(cast.physician, at=at):
        evaluate.admit(follow_up=follow_up_of(breach), reason="Fever.", by=cast.physician, at=at)


def task_done(cast, breach, at):
    with doing(cast.nurse, at=at):
        task = Promise.objects.filter(kind="task", exposure__breach=breach).first()
        complete.complete_task(task=task, note="", by=cast.nurse, at=at)


def tier_lowered(cast, breach, at):
    override(cast, breach, "none", at=at)
    countersign(cast, Assessment.objects.filter(kind="override").get(), at=at)


EVENTS = {
    evaluated: ["Wim Alder: being evaluated (Ebola)"],
    returned: ["Wim Alder: being evaluated (Ebola)", "Wim Alder: monitored (Ebola)"],
    admitted: ["Wim Alder: admitted (Ebola)"],
    task_done: ["Wim Alder: done by Nora Teal: "],
    tier_lowered: [
        "Wim Alder: tier No identified high-risk exposure (overridden), with a second signature",
        "Wim Alder: tier No identified high-risk exposure signed by ",
    ],
    lambda cast, breach, at: end(cast, follow_up_of(breach), "lost", at=at): ["Wim Alder: lost (Ebola)"],
    lambda cast, breach, at: report(cast, at=at, facts=LOW): ["Wim Alder: reported ("],
}


@pytest.mark.parametrize(("event", "said"), EVENTS.items())
def test_what_happens_to_somebody_is_told(cast, event, said):
    breach = confirmed(cast, report(cast))
    at = MONDAY + 3 * HOUR
    with doing(cast.nurse, at=MONDAY + HOUR):
        attend.take_list(site=cast.site, seen="", by=cast.nurse, at=MONDAY + HOUR)
    assert changes(cast, at) == []
    event(cast, breach, at)
    told = changes(cast, at)
    for beginning in said:
        assert [line for line in told if line.startswith(beginning)], told


def test_that_somebody_was_told_and_spoken_with_is_told(cast):
    confirmed(cast, report(cast))
    told = changes(cast, MONDAY + HOUR)
    assert "Wim Alder: told, noted by Nora Teal" in told
    assert [line for line in told if line.endswith(" confirmed")]


def test_where_the_changes_are_cut_the_newest_stay_and_the_rest_is_counted(cast, nurse, monkeypatch):
    confirmed(cast, report(cast))
    with doing(cast.nurse, at=MONDAY + HOUR):
        enter.note_call(worker=cast.worker, answered=False, note="", by=cast.nurse, at=MONDAY + HOUR)
    whole = sheet_of(cast.site, at=MONDAY + 2 * HOUR).changes
    monkeypatch.setattr(handover_changes, "MOST", 1)
    cut = sheet_of(cast.site, at=MONDAY + 2 * HOUR).changes
    assert cut.lines == whole.lines[:1]
    assert cut.more == len(whole.lines) - 1 > 0
    assert f"{cut.more} older changes more: see the page of each person." in the_list(
        nurse, cast, MONDAY + 2 * HOUR
    )


# On paper


@pytest.mark.parametrize(
    ("items", "said"),
    [
        ((), ""),
        (("fever",), "fever"),
        (("fever", "symptom"), "fever; symptom"),
        (("a" * 60, "b" * 60, "c" * 60), "a" * 60 + "; +2 more"),
        (("a" * 200,), "a" * (CELL - 1) + "…"),
        (("a" * 200, "b"), "a" * (CELL - len("…; +1 more")) + "…; +1 more"),
    ],
)
def test_what_does_not_fit_into_a_cell_is_counted(items, said):
    assert shortened(items) == said
    assert len(said) <= CELL
