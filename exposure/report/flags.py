"""What is odd about a report, in words for the nurse who is asked to look."""

from collections.abc import Sequence

from django.utils.translation import gettext as _now
from django.utils.translation import gettext_lazy as _
from django.utils.translation import ngettext

MOST_IN_AN_ALERT = 5

TEXTS = {
    "unlisted_person": _("The person is on no list."),
    "nobody_named": _("Nobody is named."),
    "unknown_worker": _("There is no worker with this number."),
    "unknown_station": _("There is no such station."),
    "station_missing": _("No station is given."),
    "unknown_case": _("There is no such case."),
    "unknown_removal": _("There is no such removal."),
    "unknown_event": _("There is no such event."),
    "unknown_phase": _("The phase is none of the known ones."),
    "unknown_step": _("The step is in no protocol."),
    "unknown_failure": _("What happened is none of the known failures."),
    "unknown_first_aid": _("The first aid given is none of the known ones."),
    "time_missing": _("No time is given; days count from the report."),
    "time_unreadable": _("The time cannot be read; days count from the report."),
    "time_without_zone": _("The time has no time zone; the site's was taken."),
    "time_in_future": _("The time had not come yet; days count from the report."),
    "time_long_ago": _("The time is long past; days count from the report."),
    "contradictory": _("The answers contradict each other."),
    "outdated_facts": _("The questions came from a version that is not known here."),
    "criteria_retired": _("The questions came from a version that is no longer in use."),
    "altered": _(
        "Parts could not be stored as sent: unreadable characters show as �, very large numbers stand as text."
    ),
    "self_answered": _("The worker reported themself; their answers wait for a clinician."),
}
PREFIXES = {
    "unknown_key": _("“%(name)s” is not a known entry; it is kept as sent."),
    "unknown_answer": _("The answer to “%(name)s” is not a known one."),
}


def in_words(flag: str) -> str:
    """One flag as a sentence."""
    kind, _colon, name = flag.partition(":")
    if kind == "more":
        return ngettext("%(count)s more.", "%(count)s more.", int(name)) % {"count": name}
    if kind in PREFIXES:
        return PREFIXES[kind] % {"name": name[:60]}
    return str(TEXTS.get(kind, flag))


def in_an_alert(flags: Sequence[str]) -> str:
    """The first flags in words and how many more there are; the report's page has them all."""
    named = [flag for flag in flags if not flag.startswith("more:")]
    more = sum(int(flag.partition(":")[2]) for flag in flags if flag.startswith("more:"))
    more += len(named[MOST_IN_AN_ALERT:])
    words = " ".join(map(in_words, named[:MOST_IN_AN_ALERT]))
    return _now("%(words)s And %(count)s more.") % {"words": words, "count": more} if more else words
