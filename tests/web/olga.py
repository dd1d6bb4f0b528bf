"""The observer's pages as somebody without JavaScript walks them, and the steps before one."""

from html.parser import HTMLParser
from urllib.parse import urljoin
from uuid import uuid4

from django.urls import reverse

from exposure.pipeline import report
from exposure.pipeline.remove import mark_step, start_removal
from exposure.places.models import FailureType, Protocol
from exposure.web.observer import questions
from tests.cast import MONDAY, PASSWORD, doing
from tests.web.isolation import without_isolation

SKIN = "fact-skin"
CONTACT = "fact-contact"


class Page(HTMLParser):
    """A page as somebody without JavaScript meets it: the fields of its forms, its links and its words."""

    def __init__(self, client, response):
        super().__init__()
        self.client, self.response = client, response
        self.text = response.content.decode()
        self.address = response.request["PATH_INFO"]
        self.forms, self.words, self.ids, self.links = [], [], set(), []
        self.feed(without_isolation(self.text))

    def handle_starttag(self, tag, attrs):
        attrs = dict(attrs)
        self.ids.add(attrs.get("id"))
        if tag == "form":
            self.forms.append({"action": attrs.get("action") or self.address, "fields": {}, "offered": []})
        elif tag == "a":
            self.links.append(attrs.get("href"))
        elif tag in ("input", "button", "textarea") and attrs.get("name") and self.forms:
            form, value = self.forms[-1], attrs.get("value", "")
            form["offered"].append((attrs["name"], value))
            chosen = attrs.get("type") not in ("radio", "checkbox") or "checked" in attrs
            if tag == "input" and chosen:
                form["fields"][attrs["name"]] = value

    def handle_data(self, data):
        self.words.append(data)

    @property
    def said(self):
        return " ".join(" ".join(self.words).split())

    def form(self, offering):
        """The form that offers a field or button of that name."""
        return next(form for form in self.forms if any(name == offering for name, _ in form["offered"]))

    def send(self, offering, **changes):
        """Fill in and send the form that offers that field; returns the page that one lands on."""
        form = self.form(offering)
        fields = {**form["fields"], **{name.replace("__", "-"): value for name, value in changes.items()}}
        return Page(self.client, self.client.post(form["action"], fields, follow=True))

    def tap(self, name, value):
        return self.send(name, **{name: value})

    def follow(self, end):
        """Go where the first link leads whose address ends so."""
        link = next(link for link in self.links if link.rstrip("/").endswith(end))
        return Page(self.client, self.client.get(urljoin(self.address, link), follow=True))

    @property
    def question(self):
        """The fact that the page asks about, if it asks."""
        named = [form["fields"]["question"] for form in self.forms if "question" in form["fields"]]
        return named[0] if named else None


def start(cast, *, drill=False, worker="cast", protocol="contact"):
    """A removal that Olga watches at Heron."""
    with doing(cast.observer):
        return start_removal(
            station=cast.station,
            protocol=Protocol.objects.get(code=protocol),
            worker=cast.worker if worker == "cast" else worker,
            drill=drill,
            by=cast.observer,
            at=MONDAY,
        )


def marked(cast, removal, *, failure=None, at=MONDAY):
    step = removal.protocol.steps.get(code="gloves-off")
    kind = FailureType.objects.get(code=failure) if failure else None
    with doing(cast.observer, at=at):
        return mark_step(removal=removal, step=step, failure=kind, uid=uuid4(), by=cast.observer, at=at)


def details(page, **changes):
    """Who, what and when of a report about Wim, as its pages ask it one after the other, sent at once."""
    filled = {
        "who": "number",
        "number": "SG-1042",
        "what_happened": "step_skipped",
        "phase": "room",
        "drill": "no",
        "when_asked": "yes",
        **changes,
    }
    return page.send("page", **filled)


def start_with(page, **who):
    """From the station's page: a real removal by the contact protocol of whoever is said."""
    page = page.follow("start").tap("protocol", "contact").tap("drill", "no").tap("who", who["who"])
    return page.send("typing", **who) if len(who) > 1 else page


def answered(page, **answers):
    """Answers the questions as they come, "Don't know" where nothing is given, up to the last page."""
    while page.question:
        page = page.send(
            "question", **{f"fact-{page.question}": answers.get(page.question, questions.UNKNOWN)}
        )
    return page


def reported_by_olga(cast, **changes):
    with doing(cast.observer):
        return report.report_breach(body=cast.body(**changes), reporter=cast.observer, at=MONDAY).breach


def sign_in_again(client, name, address):
    login = {"login": name, "password": PASSWORD, "next": address}
    return client.post(reverse("account_login"), login, follow=True)
