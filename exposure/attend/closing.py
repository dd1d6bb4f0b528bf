"""Whether an alert may be closed as somebody says: the outcome fits its cause, says what was found, and is true."""

from datetime import datetime

from django.db.models import Q, QuerySet
from django.utils.translation import gettext as _

from exposure.attend.alerts import worker_of
from exposure.attend.models import Alert
from exposure.attend.outcomes import BY_PHYSICIANS, FITTING, RAISED_BY_READINGS, needs_note
from exposure.followup.models import FollowUp, Reading
from exposure.followup.store_reading import readings_of
from exposure.people.policy import Deed
from exposure.refusal import BadSubmission, Problem

Outcome = Alert.Outcome


def deed_of(alert: Alert) -> Deed:
    """Whose it is to close: what becomes of people when their case changes is a physician's to decide."""
    return Deed.DECIDE_CASE_CHANGE if alert.cause in BY_PHYSICIANS else Deed.CLOSE_ALERT


def require_fitting(alert: Alert, outcome: str, note: str) -> None:
    """Raise BadSubmission at /outcome, naming those that fit, or at /note where what was found is not written."""
    fitting = FITTING[alert.cause]
    if outcome not in fitting:
        words = _("Say what came of it. To this alert (%(cause)s) fits: %(codes)s.")
        said = {"cause": alert.get_cause_display(), "codes": ", ".join(fitting)}
        raise BadSubmission(Problem("/outcome", words % said))
    if needs_note(alert.cause, outcome, urgent=alert.urgent) and not note.strip():
        asked = {
            Outcome.OTHER_DIAGNOSIS: _("Name the other diagnosis."),
            Outcome.FELL_ILL: _("Say what was found: the evaluation begins with it."),
            Outcome.ENTRY_ERROR: _("Say what was wrong with the entry."),
        }
        raise BadSubmission(Problem("/note", asked.get(Outcome(outcome), _("Say what was found."))))


def require_true(alert: Alert, outcome: str, *, at: datetime) -> None:
    """Raise BadSubmission where the record says otherwise than the outcome. In the alert's turn."""
    if outcome == Outcome.ENTRY_ERROR and (to_correct(alert) or is_typed_only(alert)):
        raise BadSubmission(Problem("/outcome", _("Correct the reading first.")))
    if outcome == Outcome.READING_CAME and not _reading_came(alert, since=alert.dated_at or alert.raised_at):
        raise BadSubmission(Problem("/outcome", _("No reading has come since. Say what else came of it.")))
    if outcome == Outcome.ENDED and running_of(alert, at=at).exists():
        words = _("The follow-up still runs. End it first, or say what else came of it.")
        raise BadSubmission(Problem("/outcome", words))


def to_correct(alert: Alert) -> list[Reading]:
    """The readings that raised it, or joined it, and stand as they were entered."""
    if alert.cause not in RAISED_BY_READINGS:
        return []
    standing = Reading.objects.filter(alert_entries__alert=alert, replaced_by=None)
    return list(standing.order_by("taken_at", "pk").distinct())


def is_typed_only(alert: Alert) -> bool:
    """Whether what was typed and not accepted has raised it, and no reading has come since."""
    typed = alert.entries.filter(unplaced__isnull=False).last() if alert.cause in RAISED_BY_READINGS else None
    return typed is not None and not _reading_came(alert, since=typed.recorded_at)


def _reading_came(alert: Alert, *, since: datetime) -> bool:
    return readings_of(worker_of(alert)).filter(could_not="", recorded_at__gte=since).exists()


def running_of(alert: Alert, *, at: datetime) -> QuerySet[FollowUp]:
    """The follow-ups it is about that have not ended, one that is signed off until its last day is over among them."""
    about = Q(pk=alert.follow_up_id) if alert.follow_up_id else Q(worker=worker_of(alert))
    return FollowUp.objects.filter(about, Q(ended_at=None) | Q(ended_at__gt=at)).order_by("pk")
