"""Needs action and the monitoring list, asked again while they stand open: 304 from one statement until something that
they show was written (RFC 9110, sections 13.1.2 and 15.4.5, for If-None-Match and 304)."""

from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils.html import escape

from exposure.attend.models import Alert
from exposure.audit.models import AccessEntry
from exposure.people.models import Role
from exposure.people.policy import LASTING
from exposure.pipeline import attend, enter
from exposure.web.nurse.live import LASTS
from tests.cast import MONDAY, doing
from tests.walk import follow_up_told_and_confirmed, log

pytestmark = pytest.mark.database
LATER = MONDAY + timedelta(hours=2)
SOON = timedelta(seconds=20)


@pytest.fixture(params=["needs_action", "monitoring"])
def page(request, cast, client, standing_clock):
    """Opens one of the lists, first to see it, then as it asks by itself."""
    follow_up_told_and_confirmed(cast)
    log(cast, at=LATER, temperature="38.4")
    client.force_login(cast.nurse)
    standing_clock(LATER)

    def ask(tag="", at=LATER + SOON):
        standing_clock(at)
        headers = {"If-None-Match": tag, "By-Itself": "1"} if tag else {}
        return client.get(reverse(request.param), headers=headers)

    return ask


def call(cast):
    enter.note_call(worker=cast.worker, answered=True, note="Well.", by=cast.nurse2, at=LATER)


def seen(cast):
    attend.acknowledge_alert(alert=Alert.objects.get(cause="fever"), by=cast.nurse2, at=LATER)


def reading(cast):
    log(cast, at=LATER + timedelta(seconds=5), temperature="38.9")


def named_anew(cast):
    cast.worker.name = "Wim Alder-Fell"
    cast.worker.save()


def test_an_unchanged_list_is_304_from_one_statement_and_nobody_has_looked(page):
    tag = page(at=LATER).headers["ETag"]
    looks = AccessEntry.objects.count()
    with CaptureQueriesContext(connection) as taken:
        again = page(tag)
    assert (again.status_code, again.content, again.headers["As-Of"]) == (304, b"", "11:00")
    assert AccessEntry.objects.count() == looks
    whose = ("django_session", "usersession", 'FROM "exposure_user"', 'FROM "exposure_role"')
    said = [one["sql"] for one in taken]
    figures = [sql for sql in said if "newest_0" in sql]
    assert len(figures) == 1
    assert [sql for sql in said if sql not in figures and not any(table in sql for table in whose)] == []


def test_the_tag_stands_in_the_page_for_the_script(page):
    answer = page(at=LATER)
    assert f'data-live="{escape(answer.headers["ETag"])}"' in answer.content.decode()


@pytest.mark.parametrize("deed", [call, seen, reading, named_anew])
def test_what_somebody_else_did_is_shown_at_the_next_question(cast, page, deed):
    tag = page(at=LATER).headers["ETag"]
    with doing(cast.nurse2, at=LATER):
        deed(cast)
    answer = page(tag)
    assert answer.status_code == 200
    assert answer.headers["ETag"] != tag
    assert page(answer.headers["ETag"]).status_code == 304


def test_what_time_changes_is_no_older_than_two_minutes(page):
    tag = page(at=LATER).headers["ETag"]
    assert page(tag, at=LATER + LASTS - timedelta(seconds=1)).status_code == 304
    assert page(tag, at=LATER + LASTS).status_code == 200
    assert page(tag, at=LATER - SOON).status_code == 200, "of a clock that was put back"


@pytest.mark.parametrize("tag", ['W/"x"', "*", 'W/"1e999.0"', 'W/"nan.x"', "."])
def test_a_tag_that_is_none_of_ours_is_answered_with_the_list(page, tag):
    assert page(tag).status_code == 200


def test_another_reader_and_another_role_have_another_tag(cast, client, page):
    tag = page(at=LATER).headers["ETag"]
    client.force_login(cast.nurse2)
    assert page(tag).status_code == 200
    own = page(at=LATER).headers["ETag"]
    with doing(cast.administrator, at=LATER):
        Role.objects.create(user=cast.nurse2, kind="physician", site=cast.site, from_at=LATER)
    assert page(own).status_code == 200


@pytest.mark.sessions_end
def test_a_list_that_stands_open_keeps_nobody_signed_in(cast, page):
    idle = LASTING["nurse"].idle
    tag = page(at=LATER).headers["ETag"]
    for minutes in range(1, int(idle.total_seconds()) // 60, 4):
        assert page(tag, at=LATER + timedelta(minutes=minutes)).status_code in (200, 304)
    assert page(tag, at=LATER + idle).status_code == 302
