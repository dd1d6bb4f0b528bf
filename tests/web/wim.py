"""Wim with a browser, and what the others do to him: helpers of the tests of a worker's pages."""

import re
from datetime import timedelta
from html import unescape

from django.urls import reverse

from exposure.followup.models import FollowUp
from exposure.pipeline import classify
from exposure.pipeline.follow import log_reading
from exposure.pipeline.report import report_breach
from exposure.pipeline.tell import tell_worker
from tests.cast import MONDAY, doing
from tests.web.isolation import without_isolation

EVENING = MONDAY.replace(hour=19)
TUESDAY_MORNING = MONDAY + timedelta(hours=22)  # 07:00
TOKEN = re.compile(r'name="form_owner" value="([^"]+)"')
ID = re.compile(r'name="submission_id" value="([^"]+)"')


class Browser:
    def __init__(self, user, client, clock):
        self.user, self.client, self.clock = user, client, clock
        client.force_login(user)

    def get(self, name, at, **kwargs):
        self.clock(at)
        return self.client.get(reverse(name, kwargs=kwargs))

    def send(self, at, follow=True, **fields):
        """Send the reading form as it comes when it is opened at `at`."""
        page = self.get("today", at).content.decode()
        return self.post(at, follow, submission_id=ID.search(page)[1], **fields)

    def post(self, at, follow=True, **fields):
        self.clock(at)
        normal = {"temperature": "36.8", "unit": "C", "method": "oral", "symptoms": ["none"]}
        return self.client.post(reverse("today"), {**normal, **fields}, follow=follow)


def report(cast, at=MONDAY, **changes):
    with doing(cast.observer, at=at):
        return report_breach(body=cast.body(**changes), reporter=cast.observer, at=at).breach


def tell(cast, breach, at=MONDAY):
    with doing(cast.nurse, at=at):
        tell_worker(breach=breach, how="phone", told_at=at, by=cast.nurse, at=at)


def confirm(cast, breach, at=MONDAY):
    with doing(cast.nurse, at=at):
        classify.confirm_breach(breach=breach, by=cast.nurse, at=at)


def monitored(cast):
    breach = report(cast)
    tell(cast, breach)
    confirm(cast, breach)
    return FollowUp.objects.get(pathogen="ebola")


def enter(cast, at, **changes):
    with doing(cast.worker.user, at=at):
        body = cast.reading(**changes)
        return log_reading(body=body, worker=cast.worker, entered_by=cast.worker.user, at=at)


def shown(response):
    """The page without what a template element keeps back until the page itself needs it."""
    return re.sub(r"<template\b.*?</template>", "", response.content.decode(), flags=re.S)


def words(response):
    """The visible text of the main part."""
    main = re.search(r"<main.*</main>", shown(response), re.S)[0]
    without_inline = re.sub(r"</?(?:a|b|time)\b[^>]*>", "", main)
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", without_isolation(without_inline))).split())


def h1(response):
    """The one heading that says what there is to do."""
    (heading,) = re.findall(r"<h1[^>]*>(.*?)</h1>", shown(response), re.S)
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", without_isolation(heading))).split())


def errors(response, field):
    return " ".join(response.context["form"].errors.get(field, []))
