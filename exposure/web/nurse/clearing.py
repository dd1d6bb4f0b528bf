"""Whether a follow-up can be signed off, in words: what stands in the way and where to settle it."""

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.urls import reverse
from django.utils.formats import date_format
from django.utils.timezone import localtime
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy as _later

from exposure.attend.overview import Overview, overview
from exposure.classify.models import Signature
from exposure.clear.letters import may_work_from
from exposure.clear.models import Clearance
from exposure.clear.sign import may_sign, rule_on, wanted_signatures
from exposure.clear.summary import Summary, summary_of
from exposure.followup.models import FollowUp
from exposure.people.access import roles_of
from exposure.people.models import Role, User
from exposure.web.nurse.deed import OBSTACLES

GROUNDS = {
    "confirmed": _later("Every report is confirmed."),
    "last_reading_recorded": _later("The last reading of the last day is recorded."),
    "last_reading_recorded_late": _later("The last reading of the last day is recorded, late."),
    "last_reading_excused": _later("The last reading of the last day is explained."),
    "no_readings": _later("The plan asks for no readings."),
    "no_open_alerts": _later("No alert is open."),
    "no_open_tasks": _later("No task is open."),
    "gap": _later("Contact was lacking for longer than the criteria allow."),
    "no_gap": _later("Contact was never lacking for longer than the criteria allow."),
    "gap_not_asked": _later("The plan asks for no contact in between."),
}


@dataclass(frozen=True)
class Obstacle:
    """What stands in the way; `links` are (address, words) of the places where it is settled."""

    words: str
    links: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Clearing:
    """What the signing person must know. `standing` is the clearance that is signed or waits for a signature."""

    overview: Overview
    summary: Summary
    grounds: tuple[str, ...]
    work_from: date | None
    obstacles: tuple[Obstacle, ...]
    gap: bool
    wanted: str
    standing: Clearance | None
    signatures: tuple[Signature, ...]
    mine: bool

    @property
    def silent_hours(self) -> int:
        """The longest time without contact, in whole hours."""
        return int(self.summary.longest_silence.total_seconds()) // 3600

    @property
    def open(self) -> bool:
        """Whether this person can sign now."""
        unsigned = self.standing is None or self.standing.signed_at is None
        return not self.obstacles and unsigned and not self.mine


def standing_in_the_way(follow_up: FollowUp, user: User, *, at: datetime) -> Clearing:
    """The state of the sign-off as this person sees it."""
    now = overview(follow_up, at=at)
    ruling = rule_on(now)
    kinds = {role.kind for role in roles_of(user, at=at) if role.site_id in (None, follow_up.site_id)}
    reasons = [*ruling.reasons, *([] if may_sign(now, kinds) else ["physician_signs"])]
    standing = follow_up.clearances.filter(void_at=None).first()
    signatures = (
        tuple(Signature.objects.filter(subject=f"clearance:{standing.uid}").select_related("user"))
        if standing
        else ()
    )
    return Clearing(
        overview=now,
        summary=summary_of(now),
        grounds=tuple(str(GROUNDS[code]) for code in ruling.grounds),
        work_from=may_work_from(standing, at=at).start if standing and standing.signed_at else None,
        obstacles=tuple(_obstacle(reason, now, kinds) for reason in reasons),
        gap=ruling.gap,
        wanted=wanted_signatures(now),
        standing=standing,
        signatures=signatures,
        mine=any(signature.user_id == user.pk for signature in signatures),
    )


def _obstacle(reason: str, now: Overview, kinds: set[str]) -> Obstacle:
    links: list[tuple[str, Any]] = []
    words = str(OBSTACLES[reason])
    match reason:
        case "being_evaluated" if Role.Kind.PHYSICIAN in kinds:
            links = [(reverse("follow_up_return", args=[now.follow_up.uid]), _("Return to readings"))]
        case "not_confirmed":
            links = [
                (reverse("breach", args=[exposure.breach.uid]), exposure.breach.reference)
                for exposure in now.exposures
                if exposure.breach_id and exposure.breach.confirmed_at is None
            ]
        case "last_reading_missing":
            last = now.lines[-1]
            if last.check.closes_at > now.at:
                closes = date_format(localtime(last.check.closes_at), "D j M, H:i")
                words = _("The last reading is still to come; it can be taken until %(time)s.") % {
                    "time": closes
                }
            else:
                links = [(reverse("excuse", args=[last.check.uid]), _("Explain it"))]
        case "open_alerts":
            links = [(reverse("alert", args=[alert.uid]), alert.get_cause_display()) for alert in now.alerts]
        case "open_tasks":
            links = [
                (reverse("task_done", args=[task.uid]), task.title)
                for task in now.tasks
                if task.kept_at is None
            ]
    return Obstacle(words, tuple(links))
