"""Decisions that came while another one stood: kept beside it, and shown with who sent what and when."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.http import HttpRequest
from django.utils.formats import date_format
from django.utils.timezone import localtime
from django.utils.translation import gettext_lazy as _

from exposure.attend.models import Alert, AlertEntry, OtherDecision
from exposure.attend.standing import name_of
from exposure.people.access import visible
from exposure.people.models import Worker
from exposure.people.policy import View
from exposure.report.models import Breach, Case, CaseStatement, Told

DEEDS = {
    "acknowledge": _("who has the alert"),
    "take": _("who has the alert"),
    "tell": _("how the worker was told"),
    "close": _("closing the alert"),
    "look": _("the next look"),
    "hand_over": _("who is given it"),
    "not_applicable": _("the task"),
    "not_listed": _("who the person is"),
    "complete": _("the task"),
    "excuse": _("why a reading is missing"),
    "confirm": _("confirming the report"),
    "override": _("another tier"),
    "withdrawal": _("the withdrawal"),
    "state_case": _("what the case has"),
    "correct": _("when the contact was"),
    "link": _("who the person is"),
    "birth_year": _("the year of birth"),
    "evaluated": _("the evaluation"),
    "admitted": _("the stay in hospital"),
    "return": _("what was found"),
    "reopen": _("why it goes on"),
}
VALUES: dict[str, dict[Any, Any]] = {
    "how": dict(Told.HOW),
    "by": dict(Told.HOW),
    "outcome": dict(Alert.Outcome.choices),
    "kind": dict(AlertEntry.Kind.choices),
    "status": dict(CaseStatement.Status.choices),
    "accepted": {True: _("the report is withdrawn"), False: _("the report stands")},
}
INSTANTS = ("at", "occurred_at")
PLAIN = ("to", "note", "reason", "tier", "pathogen", "birth_year")  # read without their name


@dataclass(frozen=True)
class DecisionWords:
    """One decision that was kept: by whom, when, about what, and what was sent."""

    at: datetime
    actor: str
    about: str
    sent: str

    @property
    def who(self) -> str:
        return name_of(self.actor)


def in_words(rows: Iterable[OtherDecision]) -> list[DecisionWords]:
    """The decisions, in the order of the rows."""
    return [
        DecisionWords(
            row.recorded_at,
            row.recorded_by,
            str(DEEDS.get(row.deed, row.deed)),
            " · ".join(_sent(row.sent)),
        )
        for row in rows
    ]


def _sent(sent: dict[str, Any]) -> Iterator[str]:
    for name, value in sent.items():
        if isinstance(value, dict):
            yield from _sent(value)
        elif name in INSTANTS and value:
            yield date_format(localtime(datetime.fromisoformat(value)), "D j M Y, H:i")
        elif value not in (None, "") and name != "same_as":
            yield str(VALUES.get(name, {}).get(value, value if name in PLAIN else f"{name}: {value}"))


def about_person(request: HttpRequest, worker: Worker) -> list[DecisionWords]:
    """Those about the worker that the reader may see."""
    people = [worker.pk, *worker.also.values_list("pk", flat=True)]
    return _seen(request, worker__in=people)


def about_report(request: HttpRequest, breach: Breach) -> list[DecisionWords]:
    """Those about the report, its tellings, tiers and withdrawals."""
    subjects = [
        f"breach:{breach.uid}",
        *(f"told:{uid}" for uid in breach.tellings.values_list("uid", flat=True)),
        *(f"assessment:{uid}" for uid in breach.assessments.values_list("uid", flat=True)),
        *(
            f"withdrawaldecision:{uid}"
            for uid in breach.withdrawal_requests.exclude(decision=None).values_list(
                "decision__uid", flat=True
            )
        ),
    ]
    return _seen(request, subject__in=subjects)


def about_alert(request: HttpRequest, alert: Alert) -> list[DecisionWords]:
    """Those about the alert, and about what came to it."""
    entries = alert.entries.values_list("uid", flat=True)
    return _seen(request, subject__in=[f"alert:{alert.uid}", *(f"alertentry:{uid}" for uid in entries)])


def about_case(request: HttpRequest, case: Case) -> list[DecisionWords]:
    """Those about what the case has."""
    statements = case.statements.values_list("uid", flat=True)
    return _seen(request, subject__in=[f"casestatement:{uid}" for uid in statements])


def _seen(request: HttpRequest, **about: Any) -> list[DecisionWords]:
    rows = OtherDecision.objects.filter(**about)
    return in_words(visible(request.user, rows, View.CLINICAL, at=request.at))
