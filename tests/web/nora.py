"""The steps before a page of the nurse, and what stands on one."""

import re
from datetime import timedelta
from html import unescape

from django.urls import reverse

from exposure.attend.models import Promise
from exposure.followup.models import FollowUp
from exposure.people.models import Worker
from exposure.pipeline import classify, clear, complete, follow, tell
from exposure.pipeline.report import report_breach
from tests.cast import MONDAY, doing
from tests.web.isolation import without_isolation

HOUR = timedelta(hours=1)
DAY = timedelta(days=1)
TOKEN = re.compile(r'name="form_owner" value="([^"]+)"')
ID = re.compile(r'name="submission_id" value="([^"]+)"')


class Browser:
    """Somebody's browser; every request has its instant."""

    def __init__(self, client, clock):
        self.client, self.clock = client, clock

    def sign_in(self, user):
        self.client.force_login(user)
        return self

    def open(self, name, *args, at=MONDAY, **query):
        self.clock(at)
        return self.client.get(reverse(name, args=args), query)

    def send(self, name, *args, at=MONDAY, **fields):
        self.clock(at)
        return self.client.post(reverse(name, args=args), fields, follow=True)


def report(cast, at=MONDAY, **changes):
    with doing(cast.observer, at=at):
        body = cast.body(occurred_at=(at - timedelta(minutes=20)).isoformat(), **changes)
        return report_breach(body=body, reporter=cast.observer, at=at).breach


def follow_up_of(breach):
    return FollowUp.objects.get(exposures__breach=breach)


def measure(cast, at, temperature="36.8", **changes):
    with doing(cast.worker.user, at=at):
        body = cast.reading(temperature=temperature, **changes)
        return follow.log_reading(body=body, worker=cast.worker, entered_by=cast.worker.user, at=at)


def confirmed(cast, breach, at=MONDAY):
    with doing(cast.nurse, at=at):
        tell.tell_worker(breach=breach, how="phone", told_at=at, by=cast.nurse, at=at)
        classify.confirm_breach(breach=breach, by=cast.nurse, at=at)
    return breach


def someone(cast, name="Tess Marl", number="SG-2000", user=None):
    with doing("command:tests"):
        return Worker.objects.create(
            site=cast.site, name=name, number=number, user=user, phone="+351 900 000 043"
        )


def words(response):
    """The main column as it is read: tags off, spaces single."""
    main = response.content.decode().partition("<main")[2].partition("</main>")[0]
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", without_isolation(main))).split())


def rows_of(response):
    """The rows of all tables' bodies, as they are read."""
    bodies = re.findall(r"<tbody[^>]*>(.*?)</tbody>", response.content.decode(), re.DOTALL)
    return [
        " ".join(unescape(re.sub(r"<[^>]+>", " ", without_isolation(row))).split())
        for body in bodies
        for row in body.split("<tr>")[1:]
    ]


def waiting(nurse, *, at=MONDAY):
    """What waits in Needs action, line by line, without whom it is for."""
    page = nurse.open("needs_action", at=at).content.decode()
    every = re.findall(r"<td data-label=\"What\">.*?</tr>", page, re.DOTALL)
    return [" ".join(unescape(re.sub(r"<[^>]+>", " ", without_isolation(row))).split()) for row in every]


def cleared(cast):
    """Wim's 21 days with every reading, signed by the physician on the last evening."""
    breach = confirmed(cast, report(cast))
    follow_up = follow_up_of(breach)
    with doing(cast.nurse):
        for task in Promise.objects.filter(kind="task", exposure__follow_up=follow_up):
            complete.complete_task(task=task, note="", by=cast.nurse, at=MONDAY)
    for check in follow_up.checks.all():
        measure(cast, check.due_at, taken_at=check.due_at.isoformat())
    signed = check.due_at + HOUR
    with doing(cast.physician, at=signed):
        clear.sign_clearance(follow_up=follow_up, by=cast.physician, at=signed)
    follow_up.refresh_from_db()
    return follow_up
