"""What stands, in words: who decided, when and what, or what has happened since, for whoever decides otherwise."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.utils.formats import date_format
from django.utils.timezone import localtime
from django.utils.translation import gettext as _

from exposure.attend.models import Alert, AlertEntry, Promise
from exposure.classify.assess import tier_label
from exposure.classify.models import Assessment
from exposure.followup.models import Exposure, Fill, FollowUpState
from exposure.people.models import User, Worker
from exposure.report.models import Breach, CaseStatement, Told, WithdrawalDecision


@dataclass(frozen=True)
class Standing:
    """`kind` and `uid` name the row; `by` is a name, `at` the instant of the decision, `what` the decision in words.
    Not `is_decision`: nobody has decided otherwise, but something has happened that the writer had not seen."""

    kind: str
    uid: str
    by: str
    at: datetime | None
    what: str
    is_decision: bool = True


def describe(row: Any) -> Standing:
    """The decision that stands in the row."""
    by, at, what = _decision(row)
    return Standing(row._meta.model_name, str(row.uid), by, at, what, not isinstance(row, AlertEntry))


def _decision(row: Any) -> tuple[str, datetime | None, str]:
    match row:
        case Alert(closed_at=datetime()):
            outcome = _("Closed: %(outcome)s. %(note)s") % {
                "outcome": row.get_outcome_display(),
                "note": row.note,
            }
            return str(row.closed_by), row.closed_at, outcome.strip()
        case AlertEntry():
            return name_of(row.recorded_by), row.recorded_at, row.alert.words
        case Alert(acknowledged_at=None, held_by=User()):
            given = row.entries.filter(kind=AlertEntry.Kind.GIVEN).order_by("-recorded_at", "-pk")[:1].get()
            words = _("Handed over to %(name)s.") % {"name": row.held_by}
            return name_of(given.recorded_by), given.recorded_at, words
        case Alert():
            return str(row.held_by or ""), row.acknowledged_at, _("Has this alert.")
        case Breach():
            return str(row.confirmed_by or ""), row.confirmed_at, row.confirmation_note or _("Confirmed.")
        case Assessment():
            tier = tier_label(row, row.treated_as)
            return name_of(row.recorded_by), row.recorded_at, f"{tier}: {row.reason}"
        case Told():
            return name_of(row.recorded_by), row.told_at, row.get_by_display()
        case Exposure(withdrawn_at=datetime()):
            first = _first_version(row, withdrawn_at__isnull=False)
            return name_of(first.history_user), row.withdrawn_at, _as_corrected(row)
        case Exposure():
            first = _first_version(row, told_at__isnull=False)
            return name_of(first.history_user), row.told_at, row.get_told_by_display()
        case Promise(kind=Promise.Kind.TELL):  # of a change: how they were told
            return str(row.kept_by or ""), row.kept_at, str(dict(Told.HOW).get(row.note, row.note))
        case Promise(kept_at=None, held_by=User()):
            first = _first_version(row, held_by=row.held_by)
            words = _("Handed over to %(name)s.") % {"name": row.held_by}
            return name_of(first.history_user), first.history_date, words
        case Promise(not_applicable=True):
            return str(row.kept_by or ""), row.kept_at, _("Does not apply: %(reason)s") % {"reason": row.note}
        case Promise():
            return str(row.kept_by or ""), row.kept_at, row.note or _("Done.")
        case Fill() | WithdrawalDecision():
            return name_of(row.recorded_by), row.recorded_at, row.reason
        case CaseStatement():
            return name_of(row.recorded_by), row.recorded_at, f"{row.get_status_display()} {row.note}".strip()
        case FollowUpState():
            return name_of(row.by), row.from_at, f"{row.get_kind_display()}: {row.reason}"
        case Worker(same_as=Worker()):
            first = _first_version(row, same_as=row.same_as)
            linked = _("Linked to %(name)s.") % {"name": row.same_as}
            return name_of(first.history_user), first.history_date, linked
        case Worker(birth_year=int(year)):
            first = _first_version(row, birth_year=year)
            said = _("The year of birth is %(year)s.") % {"year": year}
            return name_of(first.history_user), first.history_date, said
    return "", None, str(row)


def _as_corrected(exposure: Exposure) -> str:
    """The time that was set instead, as the clocks showed it there, and why."""
    corrected = Exposure.objects.filter(corrects=exposure).first()
    moment = localtime(corrected.occurred_at, ZoneInfo(corrected.zone)) if corrected else None
    time = [date_format(moment, "D j M, H:i")] if moment else []
    return ": ".join([*time, exposure.withdrawn_reason])


def _first_version(row: Any, **said: Any) -> Any:
    """The version of the row in which it said so for the first time: who wrote it, and when."""
    return row.history.filter(**said).order_by("history_id").first()


def name_of(actor: str) -> str:
    """The name behind user:ID; any other actor as it is written."""
    kind, _colon, key = actor.partition(":")
    user = User.objects.filter(pk=key).first() if kind == "user" and key.isdigit() else None
    return str(user) if user is not None else actor
