"""A report while it is being filled in.

The hidden fields of each page carry all of it, so that the same fields give the same report however often they
arrive. Between pages it is also kept for its writer, so that every page has an address of its own and the back
button finds it, after a session that ended too: pages are never stored by the browser, and one that came by POST
would be gone.
"""

import uuid
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.contrib.auth import SESSION_KEY
from django.contrib.sessions.backends.base import SessionBase
from django.utils.translation import gettext as _

from exposure import clock, wording
from exposure.places.models import Station
from exposure.report.drafts import draft_of, forget_draft, keep_draft
from exposure.report.models import Breach, Mark
from exposure.report.submission import read_instant
from exposure.web.local_time import TYPED, LocalTimeInput, instants
from exposure.web.observer.here import by_number
from exposure.web.observer.questions import UNKNOWN

FIELDS = (
    "submission_id", "event", "mark", "case", "criteria_version", "who", "number", "name", "phone", "employer",
    "unlisted", "reach_asked", "aid_for", "aid_begun", "when_asked",
    "what_happened", "phase", "occurred_at", "drill", "first_aid", "narrative", "anyone_else",
)  # fmt: skip
ANSWER = "fact-"  # before a fact's name


@dataclass
class Draft:
    """`values`: what was typed and chosen, by field; `answers`: fact -> answer as chosen, in the order given."""

    values: dict[str, str]
    answers: dict[str, str] = field(default_factory=dict)

    @classmethod
    def of(cls, data: Mapping[str, str]) -> "Draft":
        """The draft that a form sent. Without a readable id it gets one: a report is never lost for that."""
        values = {name: data[name] for name in FIELDS if name in data}
        if "occurred_at" in values:
            values["occurred_at"] = LocalTimeInput().value_from_datadict(data, {}, "occurred_at")
        try:
            values["submission_id"] = str(uuid.UUID(values.get("submission_id", "")))
        except ValueError:
            values["submission_id"] = str(uuid.uuid4())
        answers = {name.removeprefix(ANSWER): data[name] for name in data if name.startswith(ANSWER)}
        return cls(values, answers)

    @classmethod
    def new(cls, *, case: str, zone: ZoneInfo, at: datetime) -> "Draft":
        """An empty report of something that happened a moment ago."""
        return cls({"submission_id": str(uuid.uuid4()), "case": case, "occurred_at": local(at, zone)})

    @classmethod
    def of_mark(cls, mark: Mark, *, case: str, zone: ZoneInfo) -> "Draft":
        """The report of a mark: one mark, one report, so the mark's id is the report's."""
        removal = mark.removal
        known = {"aid_begun": mark.aid_begun_at.isoformat()} if mark.aid_begun_at else {}
        if removal.worker is not None and removal.unlisted:
            known |= {"unlisted": str(removal.worker.uid), "name": removal.worker.name}
        return cls(
            {
                **known,
                "submission_id": str(mark.uid),
                "mark": str(mark.uid),
                "case": case,
                "who": str(removal.worker.uid) if removal.worker else "",
                "what_happened": mark.failure.code if mark.failure else "",
                "phase": Breach.Phase.REMOVAL,
                "occurred_at": local(mark.marked_at, zone),
                "drill": "yes" if removal.drill else "no",
            }
        )

    @classmethod
    def beside(cls, breach: Breach, *, zone: ZoneInfo) -> "Draft":
        """The report of somebody else who was touched at the same moment: one event with that report."""
        return cls(
            {
                "submission_id": str(uuid.uuid4()),
                "event": str(breach.event.uid if breach.event else breach.uid),
                "case": breach.case.code if breach.case else "",
                "phase": breach.phase,
                "occurred_at": local(breach.happened_at, zone),
                "when_asked": "yes",
                "drill": "yes" if breach.drill else "no",
            }
        )

    def hidden(self, *shown: str) -> list[tuple[str, str]]:
        """(name, value) of every field but those that the page itself shows."""
        fields = [(name, value) for name, value in self.values.items() if name not in shown]
        answers = [(ANSWER + name, value) for name, value in self.answers.items()]
        return fields + [pair for pair in answers if pair[0] not in shown]

    def text(self, name: str) -> str:
        return self.values.get(name, "").strip()

    @property
    def id(self) -> uuid.UUID:
        return uuid.UUID(self.values["submission_id"])

    @property
    def case(self) -> str:
        """The code of the case; empty where there is none or nobody knows which."""
        return self.text("case").removeprefix(UNKNOWN)

    @property
    def on_no_list(self) -> bool:
        """Whether who is named is on no list, and how to reach them is asked on a page of its own."""
        kind = self.text("who")
        if kind == "number":
            return by_number(self.text("number")) is None
        return bool(kind) and kind == self.text("unlisted")

    def moment(self, zone: ZoneInfo) -> datetime | None:
        """When it happened, aware, or None where nothing readable was typed."""
        moment = read_instant(self.text("occurred_at"))
        if moment is not None and moment.tzinfo is None:
            moment = moment.replace(tzinfo=zone)
        return moment

    def body(self, station: Station, mark: Mark | None, facts: dict[str, Any]) -> dict[str, Any]:
        """What the pipeline takes. Nothing is left out because it looks odd."""
        zone = ZoneInfo(station.site.zone)
        moment = self.moment(zone)
        return {
            "submission_id": self.values["submission_id"],
            "station": station.code,
            **self._who(),
            "occurred_at": moment.isoformat() if moment else self.text("occurred_at") or None,
            "case": self.case or None,
            "phase": self.text("phase") or None,
            "drill": self.text("drill") == "yes",
            "step": mark.step.code if mark else None,
            "removal": str(mark.removal.uid) if mark else None,
            "event": self.text("event") or None,
            "criteria_version": self.text("criteria_version") or None,
            "facts": facts,
            "what_happened": self.text("what_happened") or None,
            "first_aid": [code for code in [self.text("first_aid")] if code],
            "narrative": self._narrative(zone),
        }

    def _who(self) -> dict[str, Any]:
        kind = self.text("who")
        person = {name: self.text(name) for name in ("name", "phone", "employer")}
        if kind == "number":
            worker = by_number(self.text("number"))
            if worker is not None:
                return {"worker": worker.number}
            return {"worker": self.text("number"), "person": {**person, "name": ""}}
        if kind == "name":
            return {"person": person}
        if kind and kind == self.text("unlisted"):
            return {"worker": kind, "person": person}
        return {"worker": kind if kind not in ("", "nobody") else None}

    @property
    def aid_begun(self) -> datetime | None:
        """When rinsing or washing began, aware."""
        moment = read_instant(self.text("aid_begun"))
        return moment if moment is not None and moment.tzinfo is not None else None

    def _narrative(self, zone: ZoneInfo) -> str:
        begun = self.aid_begun
        with wording.kept():
            others = {
                "yes": _("Somebody else was touched or splashed too."),
                "unknown": _("It is not known whether somebody else was touched or splashed."),
            }
            clock_time = begun.astimezone(zone).strftime("%H:%M") if begun else ""
            aid = _("First aid begun at %(time)s.") % {"time": clock_time} if clock_time else ""
        lines = [self.text("narrative"), others.get(self.text("anyone_else"), ""), aid]
        return "\n".join(line for line in lines if line)


def put_by(session: SessionBase, draft: Draft) -> None:
    """Keep the draft for the next page."""
    keep_draft(_writer(session), draft.id, draft.values, draft.answers, at=clock.now())


def take_up(session: SessionBase, submission_id: str) -> Draft | None:
    """This person's draft with that id, as it was put by."""
    try:
        kept = draft_of(_writer(session), uuid.UUID(submission_id), at=clock.now())
    except ValueError:
        return None
    return Draft(*kept) if kept else None


def let_go(session: SessionBase, draft: Draft) -> None:
    """It is sent."""
    forget_draft(_writer(session), draft.id)


def _writer(session: SessionBase) -> int:
    """Who is signed in with the session."""
    return int(session[SESSION_KEY])


def local(moment: datetime, zone: ZoneInfo) -> str:
    """A moment on the site's clock as the browser's picker writes it; with its offset where that comes twice."""
    shown = moment.astimezone(zone)
    twice = len(instants(shown.replace(tzinfo=None, fold=0), zone)) > 1
    return shown.isoformat(timespec="minutes") if twice else shown.strftime(TYPED)
