"""The policy as tables: who sees which parts of the record from which side, and who may do what.

A reviewer reads it here; `exposure.people.access` answers by it, and nothing else does. It knows the names of models
and the paths between them, not the models, which stand above it.
"""

from dataclasses import dataclass, replace
from datetime import timedelta
from enum import StrEnum

from exposure.people.models import Role

Kind = Role.Kind


class View(StrEnum):
    """From which side somebody looks at rows: what they are to the row, which is their relation to it."""

    CLINICAL = "clinical"  # nurse and physician, all that their site has recorded but their own record
    FOLLOWING = "following"  # the same two: what another site recorded of somebody whom theirs follows up now
    GLASS = "glass"  # the same two, at no site of theirs: for a reason, for an hour, and it is seen
    AUTHOR = "author"  # what one has reported or observed oneself
    OWN = "own"  # one's own record as a worker
    DUTY = "duty"  # the station lead: who is on duty or not, until when
    AUDIT = "audit"
    SETUP = "setup"  # who sets up sites, stations and accounts; sees nothing clinical
    MESSAGES = "messages"  # what left: neutral texts, so that whoever runs the service may look


IN_LISTS = (View.CLINICAL, View.FOLLOWING)  # glass is broken for one record, not for lists
AS_CLINICIAN = (*IN_LISTS, View.GLASS)


class Part(StrEnum):
    """The parts of the record."""

    PLACES = "places"  # the organisation's sites and stations, the criteria that they work with
    IDENTITY = "identity"  # name and number, and how to reach the person
    REPORT = "report"  # what happened where, and the answers
    NARRATIVE = "narrative"  # the reporter's and the clinicians' own words, and the case
    TIER = "tier"
    FOLLOW_UP = "follow_up"  # its state and days, exposures, the end
    RESTRICTIONS = "restrictions"  # until when somebody is off duty, say
    READINGS = "readings"
    ALERTS = "alerts"  # and what was given against the disease, which stands beside each
    TASKS = "tasks"  # what somebody must do by then
    CALLS = "calls"
    NOTES = "notes"  # the private note, and decisions that were kept beside another
    LETTERS = "letters"  # what left: neutral texts


SEEING: dict[View, frozenset[str]] = {
    View.CLINICAL: frozenset({Kind.NURSE, Kind.PHYSICIAN}),
    View.FOLLOWING: frozenset({Kind.NURSE, Kind.PHYSICIAN}),
    View.GLASS: frozenset({Kind.NURSE, Kind.PHYSICIAN}),
    View.DUTY: frozenset({Kind.LEAD, Kind.NURSE, Kind.PHYSICIAN}),
    View.AUDIT: frozenset({Kind.AUDITOR}),
    View.SETUP: frozenset({Kind.ADMINISTRATOR}),
    View.MESSAGES: frozenset({Kind.NURSE, Kind.PHYSICIAN, Kind.ADMINISTRATOR}),
}
# Roles whose sites' stations one works at: their pages show who was there lately, and the codes of cases. Whoever sets
# stations up does not watch at them; whoever works at a site as a worker may report there without any role.
AT_STATIONS = frozenset({Kind.OBSERVER, Kind.NURSE, Kind.PHYSICIAN, Kind.LEAD, Kind.AUDITOR})
# The texts of criteria, with their tiers; and those that nobody has proposed yet.
SEEING_CRITERIA = frozenset({Kind.NURSE, Kind.PHYSICIAN, Kind.AUDITOR})
SEEING_DRAFTS = frozenset({Kind.PHYSICIAN})
_ALL = frozenset(Part)
# What is needed to follow somebody up who is followed elsewhere too; it ends with the follow-up.
_TO_FOLLOW = frozenset(
    {
        Part.IDENTITY,
        Part.REPORT,
        Part.TIER,
        Part.FOLLOW_UP,
        Part.RESTRICTIONS,
        Part.READINGS,
        Part.ALERTS,
        Part.TASKS,
        Part.LETTERS,
    }
)
PARTS: dict[View, frozenset[Part]] = {
    View.CLINICAL: _ALL,
    View.FOLLOWING: _TO_FOLLOW,
    View.GLASS: _TO_FOLLOW | {Part.CALLS, Part.NARRATIVE},
    View.AUTHOR: frozenset({Part.REPORT, Part.NARRATIVE, Part.READINGS}),
    View.OWN: _ALL - {Part.PLACES},
    View.DUTY: frozenset({Part.PLACES, Part.RESTRICTIONS}),
    View.AUDIT: _ALL,
    View.SETUP: frozenset({Part.PLACES, Part.IDENTITY}),
    View.MESSAGES: frozenset({Part.LETTERS}),
}


def sides_with(part: Part) -> list[View]:
    """The sides from which a clinician sees that part."""
    return [view for view in AS_CLINICIAN if part in PARTS[view]]


@dataclass(frozen=True)
class Paths:
    """Which part of the record the rows of a model are, and the look-up paths from one to its site, to the account of
    the person it is about and to its author; several are parted by |.

    `also`: to sites whose own record names it, for clinicians and auditors.
    `followed`: to the follow-ups of which one must run at the reader's site, for `View.FOLLOWING`. `itself`: to the
    follow-up that the row is of, which must run too. `worker`: to the person, for `View.GLASS`.
    """

    part: Part
    site: str
    person: str | None = None
    author: str | None = None
    also: str | None = None
    followed: str | None = None
    itself: str | None = None
    worker: str | None = None


# What is written once stays with the row it was entered for, also where that proved to be the same person as another.
_PERSON = "worker__user|worker__same_as__user"
_WORKER = "worker|worker__same_as"
_READING = Paths(
    Part.READINGS,
    "worker__site",
    _PERSON,
    "entered_by",
    also="fills__check_row__follow_up__site",
    followed="worker__follow_ups|worker__same_as__follow_ups",
    worker=_WORKER,
)
_OF_FOLLOW_UP = {"person": "follow_up__worker__user", "worker": "follow_up__worker"}
PATHS: dict[str, Paths] = {
    "Site": Paths(Part.PLACES, "pk"),
    "Station": Paths(Part.PLACES, "site"),
    "Adoption": Paths(Part.PLACES, "site"),
    "OnCall": Paths(Part.PLACES, "site"),
    "HouseholdAdvice": Paths(Part.PLACES, "site"),
    "Worker": Paths(
        Part.IDENTITY,
        "site",
        "user|same_as__user",
        also="breaches__site|follow_ups__site",
        followed="follow_ups|same_as__follow_ups",
        worker="pk|same_as",
    ),
    "Case": Paths(Part.NARRATIVE, "site"),
    "Event": Paths(Part.NARRATIVE, "site"),
    "Removal": Paths(Part.NARRATIVE, "site", "worker__user", "observer"),
    "Mark": Paths(Part.NARRATIVE, "removal__site", "removal__worker__user", "removal__observer"),
    "Breach": Paths(
        Part.REPORT, "site", "worker__user", "reported_by", followed="exposures__follow_up", worker="worker"
    ),
    "Assessment": Paths(
        Part.TIER,
        "breach__site",
        "breach__worker__user",
        followed="breach__exposures__follow_up",
        worker="breach__worker",
    ),
    "FollowUp": Paths(
        Part.FOLLOW_UP, "site", "worker__user", followed="worker__follow_ups", itself="", worker="worker"
    ),
    "Exposure": Paths(
        Part.FOLLOW_UP,
        "follow_up__site",
        followed="follow_up__worker__follow_ups",
        itself="follow_up",
        **_OF_FOLLOW_UP,
    ),
    "Check": Paths(
        Part.FOLLOW_UP,
        "follow_up__site",
        followed="follow_up__worker__follow_ups",
        itself="follow_up",
        **_OF_FOLLOW_UP,
    ),
    "Restriction": Paths(
        Part.RESTRICTIONS,
        "exposure__follow_up__site",
        "exposure__follow_up__worker__user",
        followed="exposure__follow_up__worker__follow_ups",
        itself="exposure__follow_up",
        worker="exposure__follow_up__worker",
    ),
    "Clearance": Paths(Part.FOLLOW_UP, "follow_up__site", **_OF_FOLLOW_UP),
    "Reading": _READING,
    "UnplacedReading": replace(_READING, also=None),
    "Alert": Paths(
        Part.ALERTS,
        "site",
        f"breach__worker__user|follow_up__worker__user|{_PERSON}",
        followed="worker__follow_ups|follow_up__worker__follow_ups|breach__exposures__follow_up",
        worker=f"breach__worker|follow_up__worker|{_WORKER}",
    ),
    "Protection": Paths(Part.ALERTS, "worker__site", _PERSON, followed="worker__follow_ups", worker=_WORKER),
    "Promise": Paths(
        Part.TASKS,
        "site",
        _PERSON,
        followed="breach__exposures__follow_up|exposure__follow_up|follow_up",
        worker=_WORKER,
    ),
    "Call": Paths(Part.CALLS, "site", _PERSON, worker=_WORKER),
    "OtherDecision": Paths(Part.NOTES, "site", _PERSON),
    "PrivateNote": Paths(Part.NOTES, "worker__site", _PERSON),
    "Hold": Paths(Part.NOTES, "site", _PERSON),
    "Message": Paths(Part.LETTERS, "site", _PERSON, followed="worker__follow_ups"),
    "Reminder": Paths(Part.LETTERS, "worker__site", _PERSON, followed="worker__follow_ups"),
    "Reply": Paths(Part.LETTERS, "worker__site", _PERSON, followed="worker__follow_ups"),
}


class Deed(StrEnum):
    """What can be done to a row; `DOING` says by whom."""

    TELL = "tell"
    CONFIRM = "confirm"
    ANSWER = "answer"
    OVERRIDE = "override"
    ASSESS_ALSO = "assess_also"
    DECIDE_WITHDRAWAL = "decide_withdrawal"
    ENTER_READING = "enter_reading"
    EXCUSE = "excuse"
    ACKNOWLEDGE = "acknowledge"
    CLOSE_ALERT = "close_alert"
    DECIDE_CASE_CHANGE = "decide_case_change"
    COMPLETE_TASK = "complete_task"
    CALL = "call"
    LINK = "link"
    CLEAR = "clear"
    STATE_CASE = "state_case"
    NOTE_PRIVATELY = "note_privately"
    RECORD_PROTECTION = "record_protection"
    RECORD_EXPOSURE = "record_exposure"
    DECIDE_STATE = "decide_state"
    SET_TIMES = "set_times"
    PROPOSE_CRITERIA = "propose_criteria"
    APPROVE_CRITERIA = "approve_criteria"
    BREAK_GLASS = "break_glass"
    INVITE = "invite"
    TAKE_LIST = "take_list"
    HAND_OVER = "hand_over"
    HOLD = "hold"
    LIFT_HOLD = "lift_hold"
    PROPOSE_PURGE = "propose_purge"
    AGREE_PURGE = "agree_purge"
    SET_ON_CALL = "set_on_call"
    APPROVE_ADVICE = "approve_advice"


_CLINICIANS = frozenset({Kind.NURSE, Kind.PHYSICIAN})
PAGED = _CLINICIANS  # who is told of a site's alerts
_PHYSICIANS = frozenset({Kind.PHYSICIAN})
DOING: dict[Deed, frozenset[str]] = {
    Deed.TELL: _CLINICIANS,
    Deed.CONFIRM: _CLINICIANS,
    Deed.ANSWER: _CLINICIANS,
    Deed.OVERRIDE: _CLINICIANS,
    Deed.ASSESS_ALSO: _PHYSICIANS,
    Deed.DECIDE_WITHDRAWAL: _CLINICIANS,
    Deed.ENTER_READING: _CLINICIANS,
    Deed.EXCUSE: _CLINICIANS,
    Deed.ACKNOWLEDGE: _CLINICIANS,
    Deed.CLOSE_ALERT: _CLINICIANS,
    Deed.DECIDE_CASE_CHANGE: _PHYSICIANS,
    Deed.COMPLETE_TASK: _CLINICIANS,
    Deed.CALL: _CLINICIANS,
    Deed.LINK: _CLINICIANS,
    Deed.CLEAR: _CLINICIANS,
    Deed.STATE_CASE: _CLINICIANS,
    Deed.NOTE_PRIVATELY: _CLINICIANS,
    Deed.RECORD_PROTECTION: _CLINICIANS,
    Deed.RECORD_EXPOSURE: _CLINICIANS,
    Deed.DECIDE_STATE: _CLINICIANS,
    Deed.SET_TIMES: _CLINICIANS,
    Deed.PROPOSE_CRITERIA: _PHYSICIANS,
    Deed.APPROVE_CRITERIA: _PHYSICIANS,
    Deed.BREAK_GLASS: _CLINICIANS,
    Deed.INVITE: _CLINICIANS,
    Deed.TAKE_LIST: _CLINICIANS,
    Deed.HAND_OVER: _CLINICIANS,
    # The physician's is the medical record, the auditor's to ask whether it may go: one proposes, the other agrees, and
    # what a court may want is let go by whoever does not propose.
    Deed.HOLD: _PHYSICIANS | {Kind.AUDITOR},
    Deed.LIFT_HOLD: frozenset({Kind.AUDITOR}),
    Deed.PROPOSE_PURGE: _PHYSICIANS,
    Deed.AGREE_PURGE: frozenset({Kind.AUDITOR}),
    Deed.SET_ON_CALL: _CLINICIANS,
    Deed.APPROVE_ADVICE: _PHYSICIANS,
}
# Of what is about a worker: what only their own site does; and what a site may do that has followed them up before,
# because it is entered into its own record.
AT_HOME = frozenset({Deed.NOTE_PRIVATELY, Deed.INVITE, Deed.PROPOSE_PURGE, Deed.AGREE_PURGE})
WITH_THEIR_RECORD = frozenset({Deed.ENTER_READING})


# At the door. Whoever may open other people's records, or make accounts, signs in with two factors, and is given that
# role by two people: one who administers asks for it, somebody else who holds one of `CONFIRMING` agrees.
TWO_FACTORS = frozenset({Kind.NURSE, Kind.PHYSICIAN, Kind.AUDITOR, Kind.ADMINISTRATOR})
GIVEN_BY_TWO = TWO_FACTORS
CONFIRMING = frozenset({Kind.PHYSICIAN, Kind.ADMINISTRATOR})


@dataclass(frozen=True)
class Lasting:
    """How long a session lasts without use, and in all."""

    idle: timedelta
    whole: timedelta


# NIST SP 800-63B-4 (2.2.3) names an hour without use and a day in all for two factors; these stay below. What is typed
# when a session ends is kept. A worker's own phone is the exception, and the reason: forty-two readings in three weeks,
# each of which a sign-in could cost; what it opens is one's own record.
_DESK = Lasting(timedelta(minutes=30), timedelta(hours=12))
_STATION = Lasting(timedelta(hours=1), timedelta(hours=12))
LASTING: dict[str, Lasting] = {
    Kind.NURSE: _DESK,
    Kind.PHYSICIAN: _DESK,
    Kind.AUDITOR: _DESK,
    Kind.ADMINISTRATOR: _DESK,
    Kind.OBSERVER: _STATION,
    Kind.LEAD: _STATION,
}
WITHOUT_ROLE = Lasting(timedelta(hours=1), timedelta(hours=12))
ON_OWN_DEVICE = Lasting(timedelta(days=3), timedelta(days=30))
