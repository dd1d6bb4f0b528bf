"""The history in the words of the other pages."""

import json
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.db.models import Field
from django.utils.text import capfirst
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from exposure.audit.as_of import Stood
from exposure.audit.history import Entry, Operation, Thing
from exposure.web.bidi import spelled_out
from exposure.web.templatetags.look import day, moment

THINGS = {
    "AccessEntry": gettext_lazy("look"),
    "Adoption": gettext_lazy("criteria in use"),
    "Alert": gettext_lazy("alert"),
    "AlertEntry": gettext_lazy("entry of an alert"),
    "ApiToken": gettext_lazy("key to the interface"),
    "Assessment": gettext_lazy("assessment"),
    "Attempt": gettext_lazy("try to send"),
    "AttemptOutcome": gettext_lazy("outcome of a try to send"),
    "Breach": gettext_lazy("breach report"),
    "BrokenGlass": gettext_lazy("record opened by another site"),
    "Call": gettext_lazy("call"),
    "Case": gettext_lazy("case"),
    "CaseStatement": gettext_lazy("statement about a case"),
    "Check": gettext_lazy("expected reading"),
    "Clearance": gettext_lazy("clearance"),
    "CriteriaVersion": gettext_lazy("version of criteria"),
    "Authenticator": gettext_lazy("second factor"),
    "EmailAddress": gettext_lazy("e-mail address of an account"),
    "Event": gettext_lazy("event"),
    "Exposure": gettext_lazy("exposure"),
    "FailureType": gettext_lazy("failure type"),
    "Fill": gettext_lazy("expected reading settled"),
    "FirstAidCard": gettext_lazy("first-aid card"),
    "FollowUp": gettext_lazy("follow-up"),
    "FollowUpState": gettext_lazy("state of a follow-up"),
    "ClockJump": gettext_lazy("clock that was wrong"),
    "DeliveryReport": gettext_lazy("what a gateway said of a message"),
    "Mark": gettext_lazy("mark"),
    "Message": gettext_lazy("message"),
    "OtherContent": gettext_lazy("other content of a report"),
    "PhonedIn": gettext_lazy("told by the reporter by telephone"),
    "PrivateNote": gettext_lazy("note for clinicians"),
    "Protection": gettext_lazy("vaccine or medicine"),
    "Protocol": gettext_lazy("protocol"),
    "Handover": gettext_lazy("hand-over"),
    "HouseholdAdvice": gettext_lazy("advice for the people at home"),
    "Hold": gettext_lazy("legal hold"),
    "Invitation": gettext_lazy("way in for somebody"),
    "OnCall": gettext_lazy("hours on call"),
    "PhonePin": gettext_lazy("short number that opens an account on a phone"),
    "Purge": gettext_lazy("record that went"),
    "PurgeOrder": gettext_lazy("order to purge"),
    "PushSubscription": gettext_lazy("device that shows notifications"),
    "Reading": gettext_lazy("reading"),
    "Reminder": gettext_lazy("reminder"),
    "Removal": gettext_lazy("removal"),
    "Replay": gettext_lazy("replay"),
    "Reply": gettext_lazy("answer to a reminder"),
    "Restriction": gettext_lazy("restriction"),
    "Role": gettext_lazy("role"),
    "Rung": gettext_lazy("time of a reminder"),
    "SavedFilter": gettext_lazy("filter saved by a clinician"),
    "Signature": gettext_lazy("signature"),
    "Site": gettext_lazy("site"),
    "SiteWindow": gettext_lazy("reading window of a site"),
    "Station": gettext_lazy("station"),
    "StationPin": gettext_lazy("digits for the tablets of the stations"),
    "StationProtocol": gettext_lazy("protocol at a station"),
    "Step": gettext_lazy("step"),
    "StepFailure": gettext_lazy("usual failure of a step"),
    "Promise": gettext_lazy("what waits for somebody"),
    "OtherDecision": gettext_lazy("another decision, kept"),
    "Tick": gettext_lazy("comparison with a source"),
    "Told": gettext_lazy("worker told"),
    "UnplacedReading": gettext_lazy("entry that could not be placed"),
    "User": gettext_lazy("account"),
    "WithdrawalDecision": gettext_lazy("decision on a withdrawal"),
    "WithdrawalRequest": gettext_lazy("request to withdraw"),
    "Worker": gettext_lazy("worker"),
    "WorkerWindow": gettext_lazy("reading window of a worker"),
}
# Names of columns that would not be understood.
COLUMNS = {
    "check_row": gettext_lazy("expected reading"),
    "rung": gettext_lazy("which reminder"),
    "rung_at": gettext_lazy("time of the reminder"),
}
KINDS = {
    "created": gettext_lazy("Entered"),
    "changed": gettext_lazy("Changed"),
    "deleted": gettext_lazy("Taken out"),
    "recorded": gettext_lazy("Entered"),
    "withdrawn": gettext_lazy("Withdrawn"),
    "looked": gettext_lazy("Looked at"),
    "door": gettext_lazy("Sign-in"),
}
SAID_BY = {"looked": "subject", "door": "kind"}  # the field of an access entry that says it
EMPTY = "–"


@dataclass(frozen=True)
class Line:
    """One row that was touched: what happened, to what, and (field, before, after) in words."""

    kind: str
    what: str
    changes: list[tuple[str, str, str]]
    withheld: bool = False


@dataclass(frozen=True)
class Told:
    """An operation in words. `only_looked`: nothing was changed by it; `more`: of how many rows no line is given."""

    at: datetime
    who: str
    person: bool
    origin: str
    why: str
    summary: list[str]
    lines: list[Line]
    only_looked: bool
    more: int = 0


def tell(operation: Operation, *, withhold: frozenset[str] = frozenset(), most: int | None = None) -> Told:
    """The operation in words; of models in `withhold` only that something was touched, not what. No more than `most`
    rows one by one."""
    return Told(
        at=operation.at,
        who=operation.who or actor_words(operation.actor),
        person=bool(operation.who),
        origin=operation.origin,
        why=operation.why,
        summary=_summary(operation.entries),
        lines=[_line(entry, withhold) for entry in operation.entries[:most]],
        more=max(0, len(operation.entries) - most) if most is not None else 0,
        only_looked=all(entry.kind == "looked" for entry in operation.entries),
    )


def tell_stood(row: Stood, *, withhold: frozenset[str] = frozenset()) -> tuple[datetime, str, Line]:
    """A row as it stood, in words: since when, by whom, and what it held."""
    return row.entry.at, row.who or actor_words(row.entry.actor), _line(row.entry, withhold)


def actor_words(actor: str) -> str:
    """Who acted, where it was no person whose account still stands."""
    words = {
        "task": _("the service"),
        "command": _("the service, from its command line"),
        "device": _("a device"),
        "user": _("an account that was deleted"),
        "anonymous": _("somebody not signed in"),
        "": _("not stored"),
    }
    return words.get(actor.partition(":")[0], actor)


def thing_words(thing: Thing) -> str:
    """What a row is called; without a name of its own, by the first part of its id."""
    key = str(thing.uid or "")[:8]
    return f"{THINGS[thing.model]} {spelled_out(thing.name) or key}"


def _summary(entries: Iterable[Entry]) -> list[str]:
    """One sentence per kind: "Entered: follow-up, exposure, expected reading (42)"."""
    counts: dict[str, Counter[str]] = {}
    for entry in entries:
        counts.setdefault(str(KINDS[entry.kind]), Counter())[_subject(entry)] += 1
    return [
        f"{kind}: " + ", ".join(what if count == 1 else f"{what} ({count})" for what, count in things.items())
        for kind, things in counts.items()
    ]


def _subject(entry: Entry) -> str:
    if entry.kind in SAID_BY:
        said = (one for one in entry.changes if one.field.name == SAID_BY[entry.kind])
        return next((value_words(one.field, one.after) for one in said), "")
    return str(THINGS[entry.thing.model])


def _line(entry: Entry, withhold: frozenset[str]) -> Line:
    withheld = entry.thing.model in withhold
    changes = [
        (
            capfirst(str(COLUMNS.get(change.field.name, change.field.verbose_name))),
            value_words(change.field, change.before),
            value_words(change.field, change.after),
        )
        for change in ([] if withheld else entry.changes)
    ]
    return Line(str(KINDS[entry.kind]), thing_words(entry.thing), changes, withheld)


def value_words(field: Field, value: Any) -> str:
    """A stored value as people read it, instants in the active time zone."""
    if value in (None, "", [], {}):
        return EMPTY
    if isinstance(value, bool):
        return _("yes") if value else _("no")
    if isinstance(value, Thing):
        return spelled_out(value.name) or thing_words(value)
    if isinstance(value, datetime):
        return moment(value)
    if isinstance(value, date):
        return day(value)
    if isinstance(value, dict | list):
        return spelled_out(json.dumps(value, ensure_ascii=False, indent=1))
    return spelled_out(str(dict(field.flatchoices).get(value, value)))
