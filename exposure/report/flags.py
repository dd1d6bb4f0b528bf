"""What is odd about a report, in words for the nurse who is asked to look."""

from collections.abc import Iterable, Sequence

from django.utils.translation import gettext as _now
from django.utils.translation import gettext_lazy as _

from exposure import wording

MOST_NAMED = (
    200  # answers or entries; beyond them only their number is kept beside the body, which is kept whole
)
LONGEST_NAME = 60  # of what a flag names
MOST_IN_AN_ALERT = 5
CRITERIA_FAILED = "criteria_failed"

TEXTS = {
    "unlisted_person": _("The person is on no list."),
    "nobody_named": _("Nobody is named."),
    "unknown_worker": _("There is no worker with this number."),
    "unknown_station": _("There is no such station."),
    "station_missing": _("No station is given."),
    "other_station": _("The device that reported belongs to another station."),
    "unknown_case": _("There is no such case."),
    "unknown_removal": _("There is no such removal."),
    "removal_awaited": _("The removal that it names has not come from the tablet yet."),
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
    "unopened": _(
        "It was sealed on a station's tablet and cannot be opened here; it is kept as it came. Ask at the station now."
    ),
    "observer_not_proved": _("Who observed is as stated at the tablet; badge and digits did not prove it."),
    "self_answered": _("The worker reported themself; their answers wait for a clinician."),
}
PREFIXES = {
    "unknown_key": _("“%(name)s” is not a known entry; it is kept as sent."),
    "unknown_key_more": _("%(name)s further entries are not known ones; they are kept as sent."),
    "unknown_answer": _("The answer to “%(name)s” is not a known one."),
    "unknown_answer_more": _("%(name)s further answers are not known ones; they are kept as sent."),
    CRITERIA_FAILED: _("The criteria %(name)s could not be read or applied: nothing is assessed by them."),
}


def in_words(flag: str) -> str:
    """One flag as a sentence."""
    kind, _colon, name = flag.partition(":")
    if kind in PREFIXES:
        return PREFIXES[kind] % {"name": name[:LONGEST_NAME]}
    return str(TEXTS.get(kind, flag))


def in_an_alert(flagged: Sequence[str]) -> str:
    """The first flags in words and how many more there are; the report's page has them all."""
    counts = [int(flag.partition(":")[2]) for flag in flagged if _is_count(flag)]
    named = [flag for flag in flagged if not _is_count(flag)]
    more = sum(counts) + len(named[MOST_IN_AN_ALERT:])
    with wording.kept():
        words = " ".join(map(in_words, named[:MOST_IN_AN_ALERT]))
        return _now("%(words)s And %(count)s more.") % {"words": words, "count": more} if more else words


def criteria_that_failed(flagged: Iterable[str]) -> list[str]:
    """The flags among them that say that criteria could not be applied."""
    return [flag for flag in flagged if flag.startswith(f"{CRITERIA_FAILED}:")]


def with_unknown_answers(flagged: Iterable[str], names: Iterable[str]) -> list[str]:
    """The flags with one per name whose answer is not known, each once and in at most MOST_NAMED names."""
    return capped([*flagged, *(f"unknown_answer:{name}" for name in names)])


def capped(flagged: Iterable[str]) -> list[str]:
    """The flags, each once. Of a kind that names something at most MOST_NAMED are named; a last one counts the rest,
    those of an earlier count too."""
    kept: dict[str, None] = {}
    named: dict[str, int] = {}
    more: dict[str, int] = {}
    for flag in dict.fromkeys(flagged):
        kind, _colon, name = flag.partition(":")
        counts = f"{kind}_more" in PREFIXES
        if _is_count(flag):
            more[kind] = more.get(kind, 0) + int(name)
        elif counts and named.get(kind, 0) >= MOST_NAMED:
            more[f"{kind}_more"] = more.get(f"{kind}_more", 0) + 1
        else:
            flag = f"{kind}:{name[:LONGEST_NAME]}" if counts else flag
            named[kind] = named.get(kind, 0) + 1
            kept[flag] = None
    return [*kept, *(f"{kind}:{count}" for kind, count in more.items())]


def _is_count(flag: str) -> bool:
    kind, _colon, count = flag.partition(":")
    return kind.endswith("_more") and kind in PREFIXES and count.isdecimal()
