"""Every model of the app, re-exported so that Django finds them. Nothing is defined here."""

from exposure.audit.models import AccessEntry
from exposure.classify.models import Adoption, Assessment, CriteriaVersion, Signature
from exposure.clear.models import Clearance
from exposure.followup.models import (
    Check,
    Exposure,
    Fill,
    FollowUp,
    FollowUpState,
    Reading,
    UnplacedReading,
)
from exposure.followup.work_models import Alert, AlertEntry, Call, Restriction, Task
from exposure.people.models import ApiToken, Role, User, Worker, WorkerWindow
from exposure.places.models import (
    FailureType,
    FirstAidCard,
    Protocol,
    Site,
    SiteWindow,
    Station,
    StationProtocol,
    Step,
    StepFailure,
)
from exposure.remind.models import Attempt, AttemptOutcome, Heartbeat, Message, Reminder, Rung
from exposure.report.models import (
    Breach,
    Case,
    CaseStatement,
    Event,
    Mark,
    OtherContent,
    Removal,
    Told,
    WithdrawalRequest,
)

__all__ = [
    "AccessEntry",
    "Adoption",
    "Alert",
    "AlertEntry",
    "ApiToken",
    "Assessment",
    "Attempt",
    "AttemptOutcome",
    "Breach",
    "Call",
    "Case",
    "CaseStatement",
    "Check",
    "Clearance",
    "CriteriaVersion",
    "Event",
    "Exposure",
    "FailureType",
    "Fill",
    "FirstAidCard",
    "FollowUp",
    "FollowUpState",
    "Heartbeat",
    "Mark",
    "Message",
    "OtherContent",
    "Protocol",
    "Reading",
    "Reminder",
    "Removal",
    "Restriction",
    "Role",
    "Rung",
    "Signature",
    "Site",
    "SiteWindow",
    "Station",
    "StationProtocol",
    "Step",
    "StepFailure",
    "Task",
    "Told",
    "UnplacedReading",
    "User",
    "WithdrawalRequest",
    "Worker",
    "WorkerWindow",
]
