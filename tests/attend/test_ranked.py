"""What the lists are ordered and filtered by is the same as what everything that was recorded says."""

from datetime import timedelta
from operator import attrgetter

import pytest

from exposure.attend.ranked import ranked
from exposure.attend.recent import recent
from exposure.attend.wanting import wanting
from exposure.attend.watched import watched
from exposure.attend.worst_first import WorstFirst
from exposure.followup.models import FollowUp
from tests.api.test_flagged import ward  # noqa: F401
from tests.cast import MONDAY
from tests.walk import follow_up_told_and_confirmed, log

pytestmark = pytest.mark.database
MOMENTS = [timedelta(hours=hours) for hours in (0, 9, 12, 25, 34, 72, 300, 22 * 24)]


def said(found):
    return [(flag.cause, flag.seen, flag.count, flag.day) for flag in found]


@pytest.mark.parametrize("later", MOMENTS, ids=str)
def test_what_is_wrong_is_the_same_asked_of_the_database_as_read_from_every_reading(ward, later):  # noqa: F811
    at = MONDAY + later
    everybody = FollowUp.objects.order_by("pk").select_related("worker", "site")
    whole, listed = watched(everybody, at=at), ranked(everybody, at=at)
    shown = recent(listed, at=at)
    assert len(whole) > 5
    for one, short, row in zip(whole, listed, shown, strict=True):
        assert short.signs == one.signs
        assert said(short.found) == said(one.found) == said(row.found)
        assert (short.day, short.in_force and short.in_force.pk) == (
            one.overview.day,
            one.overview.in_force and one.overview.in_force.pk,
        )
        assert row.due_at == one.due_at
        assert row.overview.last_contact_at == one.overview.last_contact_at
        newest = one.overview.last_reading
        assert (row.overview.last_reading and row.overview.last_reading.pk) == (newest and newest.pk)
        known = {line.check.pk: (line.state, line.alert) for line in one.overview.lines}
        assert all(known[line.check.pk] == (line.state, line.alert) for line in row.overview.lines)


@pytest.mark.parametrize("later", MOMENTS, ids=str)
def test_nobody_in_whom_something_is_wrong_is_left_out_by_what_the_database_says_of_them(ward, later):  # noqa: F811
    at = MONDAY + later
    everybody = FollowUp.objects.select_related("worker", "site")
    wrong = {one.overview.follow_up.pk for one in watched(everybody, at=at) if one.found}
    assert wrong <= set(wanting(everybody, at=at))


@pytest.mark.parametrize("later", MOMENTS, ids=str)
def test_page_by_page_everybody_stands_once_and_the_worst_first(ward, later):  # noqa: F811
    at = MONDAY + later
    everybody = FollowUp.objects.all()
    whole = sorted(ranked(everybody, at=at), key=attrgetter("badness"))
    listed = WorstFirst(everybody, at=at)
    pages = [one for start in range(0, len(listed), 2) for one in listed[start : start + 2]]
    wrong = [one for one in whole if one.found]
    assert listed.wrong == pages[: len(wrong)] == wrong
    well = sorted((one.row.name, one.row.pk) for one in whole if not one.found)
    assert [(one.row.name, one.row.pk) for one in pages[len(wrong) :]] == well


def test_of_whom_nothing_is_to_be_said_nothing_is_read(cast):
    follow_up = follow_up_told_and_confirmed(cast)
    first, second = follow_up.checks.order_by("opens_at")[:2]
    for check in (first, second):
        log(cast, at=check.due_at)
    everybody = FollowUp.objects.all()
    assert wanting(everybody, at=second.due_at) == []
    assert wanting(everybody, at=second.due_at + timedelta(days=1)) == [follow_up.pk]


def test_the_ward_has_every_kind_of_flag(ward):  # noqa: F811
    at = MONDAY + timedelta(hours=34)
    causes = {flag.cause for one in ranked(FollowUp.objects.all(), at=at) for flag in one.found}
    assert {"fever", "missing", "unconfirmed"} <= causes
