"""No page of any role is wider than a narrow screen with large text, 320 px and 200 % (WCAG 2.2, 1.4.4 and 1.4.10), and
none breaks a rule that axe-core knows."""

import re
from collections.abc import Iterator
from datetime import datetime, timedelta
from itertools import chain, islice, product
from urllib.parse import urldefrag, urljoin, urlsplit

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.conf import settings
from django.test import Client
from django.urls import Resolver404, get_resolver, resolve, reverse

from exposure import clock
from exposure.classify.models import CriteriaVersion
from exposure.management.scenario import load_demo
from exposure.people.access import accounts, visible
from exposure.people.models import User, Worker
from exposure.people.policy import View
from exposure.people.saved_filters import save_filter
from exposure.pipeline import classify, expose, guide, link
from exposure.pipeline.reply import reply
from exposure.pipeline.report import ask_withdrawal
from exposure.remind.links import digest, secret_of
from exposure.remind.models import Message, Reminder, Reply
from exposure.report.models import Breach
from exposure.web import urls
from exposure.web.nurse import urls as nurse
from tests.browser.test_numbers import TOO_WIDE
from tests.browser.test_walk import FINDINGS, TWICE
from tests.cast import doing
from tests.classify.milder import MILDER

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

ROLES = ("", "worker", "observer", "nurse", "physician", "lead", "auditor", "administrator")
# What no link leads to in the demo.
ELSEWHERE = {
    "reading_taken": "after a reading is sent",
    "telephoned": "a button alone",
    "kept_reading": "asked for by the page itself",
    "offline": "kept by the browser",
    "reported": "after a report is sent",
    "mark": "while a removal runs",
    "removal": "while a removal runs",
    "criteria_review": "a button alone",
    "contact_list_example": "a file",
    "clearance_letter": "a file",
    "service_worker": "a file",
    "manifest": "a file",
    "tablet_manifest": "a file",
    "tablet_pack": "asked for by the page itself",
    "tablet_worker": "a file",
    "remove_filter": "a button alone",
    "record_file": "a file",
    "record_pdf": "a file",
    "copy_paper": "a file",
    "copy_file": "a file",
    "receipt_file": "a file",
    "language": "a button alone",
    "devices": "a button alone",
    "device_end": "a button alone",
    "key_end": "a button alone",
    "session_end": "a button alone",
    "sessions_end_others": "a button alone",
    "station_device_key": "a button alone",
    "station_device_end": "a button alone",
    "confirm_mobile": "after another number is given",
    "open_by_pin": "on a phone that opens by six digits",
    "end_pin": "a button alone",
    "end_on_call": "a button alone",
    "session_left": "asked by the pages",
    "settle_role": "a button alone",
    "lift_hold": "while a hold stands",
    "purge_order": "once an order was given",
    "invitation": "from a link that was handed out",
    "violations": "for browsers",
    "text_delivery": "for the text gateway",
    "text_answer": "for the text gateway",
}
LINKS = "links => links.map(link => link.getAttribute('href'))"


def name_of(address: str) -> str:
    """The name of the page at an address of ours; "" for what is none."""
    try:
        match = resolve(urlsplit(address).path)
    except Resolver404:
        return ""
    return match.url_name if match.url_name in OURS else ""


def names(patterns: object = None) -> set[str]:
    """Of every page, those of the sign-in library included; or of those that `patterns` holds."""
    return {name for name in get_resolver(patterns).reverse_dict if isinstance(name, str)}


OURS = names()


def opened(page, address: str) -> str:
    """The name of the page that opens there."""
    assert page.goto(address).status == 200, address
    return name_of(address)


def pages_of(page) -> Iterator[str]:
    """One page after the other that links lead to from the first, one of each name; `page` stands on it."""
    waiting, seen = ["/"], set()
    while waiting:
        address = urldefrag(waiting.pop(0)).url
        name = name_of(address)
        if not name or name in seen:
            continue
        seen.add(name)
        if ELSEWHERE.get(name) == "a file":
            continue
        yield opened(page, address)
        here = urlsplit(page.url).path
        waiting += [urljoin(here, href) for href in page.eval_on_selector_all("a[href]", LINKS)]


def begun() -> dict[str, list[str]]:
    """What nobody has begun in the demo: a withdrawal asked for, a tier that waits for a second signature, an exposure
    elsewhere, a draft of criteria. Returns for a role addresses that no link of one's first pages leads to."""
    at, physician = clock.now(), User.objects.get(name="physician2")
    administrator = User.objects.get(name="administrator")
    administered = accounts(administrator, User.objects.all(), at=at).exclude(pk=administrator.pk)[0]
    told = {"by": physician, "at": at}
    whose_pages = User.objects.get(name="physician")
    breach = Breach.objects.filter(reported_by__isnull=False, assessments__treated_as="high").first()
    with doing(breach.reported_by, at=at):
        ask_withdrawal(breach=breach, reason="Another glove.", by=breach.reported_by, at=at)
    unlisted = Worker.objects.get(number=None)
    with doing(physician, at=at):
        typed = Worker.objects.create(site=breach.worker.site, name="Typed Twice")
        link.link_worker(worker=typed, same_as=breach.worker, **told)
        lower = {"pathogen": "ebola", "tier": "none", "reason": "A whole layer lay between."}
        classify.override_tier(breach=breach, **lower, standing=breach.assessments.last().uid, **told)
        elsewhere = {"pathogen": "ebola", "tier": "high", "occurred_at": at - timedelta(hours=3)}
        expose.record_exposure(worker=breach.worker, **elsewhere, **told)
        draft = guide.draft_criteria(content=MILDER, **told)
        saved = save_filter(name="A" * 60, chosen={"group": "tier"}, by=whose_pages, at=at)
    reminded = a_reminder_of(breach.worker, at)
    other = CriteriaVersion.objects.filter(pathogen=draft.pathogen).exclude(pk=draft.pk).first()
    return {
        "": [reverse("reply", args=[reminded]), reverse("replied", args=[reminded, "ill"])],
        "administrator": [reverse("invite_account", args=[administered.uid])],
        "auditor": [reverse("worker_history", args=[breach.worker.uid])],
        "physician": [
            reverse("search") + "?find=a",
            reverse("saved_filters") + "?group=tier",
            reverse("rename_filter", args=[saved.uid]),
            reverse("invite_worker", args=[unlisted.uid]),
            reverse("person_link", args=[unlisted.uid]),
            reverse("person_unlink", args=[typed.uid]),
            reverse("criteria_compare", args=[draft.uid, other.uid]),
            *(
                reverse(name, args=[draft.uid])
                for name in ("criteria_edit", "criteria_propose", "criteria_abandon")
            ),
        ],
    }


def a_reminder_of(worker: Worker, at: datetime) -> str:
    """The secret in the link of a reminder that they have answered with "I feel ill"."""
    with doing("command:tests", at=at):
        rung = {"rung": "due", "rung_at": at, "slot_opens_at": at}
        reminder = Reminder.objects.create(worker=worker, **rung)
        message = Message.objects.create(
            site=worker.site, worker=worker, reminder=reminder, channel="email", address="wim@example.org",
            created_at=at, due_at=at, pointless_at=at + timedelta(hours=1),
        )  # fmt: skip
        secret = secret_of(message)
        Message.objects.filter(pk=message.pk).update(link_sha256=digest(secret), sent_at=at)
        ill = {"kind": "ill", "road": Reply.Road.LINK, "reference": None}
        reply(worker=worker, message=message, **ill, at=at)
    return secret


def deeds_of(client: Client, user: User) -> Iterator[str]:
    """An address of every page on which something is done, for a row of the demo where it can be."""
    pathogens = [*CriteriaVersion.objects.values_list("pathogen", flat=True).distinct()]
    for deed in nurse.DEEDS:
        wanted = set(re.findall(r"<\w+:(\w+)>", deed.address))
        rows = visible(user, deed.rows, View.CLINICAL, at=clock.now())
        addresses = (
            reverse(deed.name, kwargs={name: said[name] for name in wanted})
            for row, pathogen in product(rows[:40], pathogens if "pathogen" in wanted else [""])
            for known in (Worker.objects.filter(number__isnull=False) if "known" in wanted else [row])[:20]
            for said in [{"uid": row.uid, "pathogen": pathogen, "known": known.uid}]
        )
        yield from islice((address for address in addresses if client.get(address).status_code == 200), 1)


def against_wcag(page) -> list[str]:
    """What axe-core (its default rules) finds on the page, and ids that stand there twice; a PDF is no page."""
    if page.evaluate("document.contentType") != "text/html":
        return []
    return [
        broken["id"] for broken in Axe().run(page, options=FINDINGS).response["violations"]
    ] + page.evaluate(TWICE)


def test_no_page_of_the_demo_is_wider_than_a_narrow_screen_with_large_text_and_axe_finds_nothing(
    browser, live_server
):
    load_demo(at=clock.now())
    begun_for = begun()
    found, wide, broken = set(), {}, {}
    for role in ROLES:
        client = Client()
        context = browser.new_context(base_url=live_server.url, viewport={"width": 320, "height": 640})
        if role:
            user = User.objects.get(name=role)
            client.force_login(user)
            session = client.cookies[settings.SESSION_COOKIE_NAME].value
            cookie = {"name": settings.SESSION_COOKIE_NAME, "value": session, "url": live_server.url}
            context.add_cookies([cookie])
        context.set_default_timeout(120_000)
        page = context.new_page()
        deeds = deeds_of(client, user) if role == "physician" else ()
        addresses = chain(begun_for.get(role, ()), deeds)
        for name in chain(pages_of(page), (opened(page, address) for address in addresses)):
            page.evaluate("document.documentElement.style.fontSize = '200%'")
            page.evaluate("for (const part of document.querySelectorAll('details')) part.open = true")
            if name not in found:
                broken |= {(role, name): what} if (what := against_wcag(page)) else {}
            found.add(name)
            if page.evaluate("document.documentElement.scrollWidth > document.documentElement.clientWidth"):
                wide[role, name] = page.evaluate(TOO_WIDE)[-2:]
        context.close()
    assert wide == {}
    assert broken == {}
    assert sorted(names(urls) - found) == sorted(ELSEWHERE)
