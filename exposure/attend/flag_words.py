"""What is wrong with a follow-up, in words: on pages, on paper."""

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from exposure.attend.models import Alert
from exposure.attend.watched import Flag

# The causes, worst first.
CAUSES = {
    "fever": gettext_lazy("with a fever"),
    "symptom": gettext_lazy("with a symptom"),
    "silent": gettext_lazy("silent"),
    "missing": gettext_lazy("with readings missing"),
    "repeat_due": gettext_lazy("with a reading to repeat"),
    "unseen": gettext_lazy("seen by nobody yesterday"),
    "alert": gettext_lazy("with another alert"),
    "untold": gettext_lazy("not yet told"),
    "unconfirmed": gettext_lazy("not yet confirmed"),
    "over": gettext_lazy("past the last day"),
}


def cause_in_words(cause: str) -> str:
    """The cause of an alert. (Django's get_cause_display puts every cause into words to find one.)"""
    return str(Alert.Cause(cause).label)


def words_of(flag: Flag) -> str:
    """What is wrong, in a few words."""
    match flag.cause:
        case "fever" | "symptom" if flag.alert:
            words = cause_in_words(flag.alert.cause)
            return _("%(cause)s, seen") % {"cause": words} if flag.seen else words
        case "alert" if flag.alert:
            return cause_in_words(flag.alert.cause)
        case "silent":
            return _("silent for %(hours)s h") % {"hours": flag.count}
        case "missing":
            words = ngettext("%(count)s reading missing", "%(count)s readings missing", flag.count)
            return words % {"count": flag.count}
        case "repeat_due":
            return _("reading to repeat")
        case "unseen" if flag.day and flag.day.by:
            few = _("%(seen)s of %(asked)s readings seen yesterday")
            return few % {"seen": len(flag.day.by), "asked": flag.day.asked}
        case "over":
            return _("last day over, not cleared")
        case _:
            return str(CAUSES[flag.cause])
