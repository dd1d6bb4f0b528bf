"""A task that does not apply, and one that cannot be done yet."""

from datetime import timedelta

import pytest
from django.urls import reverse

from exposure.attend.models import Promise
from exposure.pipeline import call, complete
from exposure.refusal import BadSubmission
from tests.api.conftest import Caller
from tests.cast import MONDAY, doing
from tests.walk import report
from tests.web.nora import words

pytestmark = pytest.mark.database


@pytest.fixture
def task(cast, standing_clock):
    standing_clock(MONDAY)
    return report(cast).breach.exposures.get().promises.filter(kind="task").first()


def later(task, hours=24):
    """Only from then on it can be done."""
    with doing("command:tests"):
        task.not_before = MONDAY + timedelta(hours=hours)
        task.save()
    return task


def test_what_does_not_apply_counts_as_done_and_says_why_where_it_is_signed(cast, task, client):
    client.force_login(cast.nurse)
    assert "Not answered yet: Reason" in words(
        client.post(reverse("task_not_applicable", args=[task.uid]), {})
    )
    client.post(reverse("task_not_applicable", args=[task.uid]), {"reason": "Vaccinated last year."})
    task.refresh_from_db()
    assert (task.not_applicable, task.kept_by, task.note) == (True, cast.nurse, "Vaccinated last year.")
    assert task not in Promise.objects.open()
    follow_up = task.exposure.follow_up
    signed = words(client.get(reverse("clear", args=[follow_up.uid])))
    assert f"{task.title}: does not apply: Vaccinated last year. (Nora Teal" in signed
    person = words(client.get(reverse("person", args=[cast.worker.uid])))
    assert "Does not apply: Vaccinated last year." in person
    assert f"Does not apply: {task.title}" in person
    [found] = [
        one for one in Caller(cast.nurse).get("tasks/").json()["results"] if one["id"] == str(task.uid)
    ]
    assert (found["not_applicable"], found["note"]) == (True, "Vaccinated last year.")


def test_a_task_is_not_done_before_its_time_which_is_said_with_its_zone(cast, task, client):
    later(task)
    client.force_login(cast.nurse)
    page = words(client.post(reverse("task_done", args=[task.uid]), {"note": "Done early."}))
    assert f"This cannot be done yet: not before Tue 3 Mar 2026, 09:00 ({cast.site.zone})." in page
    answer = Caller(cast.nurse).post(f"tasks/{task.uid}/complete/", {"note": "Done early."})
    assert (answer.status_code, answer["Content-Type"]) == (400, "application/problem+json")
    assert [error["pointer"] for error in answer.json()["errors"]] == ["#/not_before"]
    task.refresh_from_db()
    assert task.kept_at is None


@pytest.mark.parametrize(("seconds", "taken"), [(-1, False), (0, True)])
def test_it_can_be_done_from_that_very_second_on(cast, task, seconds, taken):
    at = later(task).not_before + timedelta(seconds=seconds)
    with doing(cast.nurse, at=at):
        if taken:
            complete.complete_task(task=task, note="", by=cast.nurse, at=at)
        else:
            with pytest.raises(BadSubmission):
                complete.complete_task(task=task, note="", by=cast.nurse, at=at)
    task.refresh_from_db()
    assert (task.kept_at is not None) is taken


def test_nor_by_a_call_but_one_that_does_not_apply_may_be_said_so_before(cast, task):
    later(task)
    assert f"promise:{task.uid}:0" not in call.open_to(
        cast.nurse, cast.worker, [f"promise:{task.uid}:0"], at=MONDAY
    )
    answer = Caller(cast.nurse).post(f"tasks/{task.uid}/not-applicable/", {"reason": "Is pregnant."})
    assert (answer.status_code, answer.json()["not_applicable"]) == (200, True)
