"""Everything that is decided once, as one table: how to decide, and how somebody else decides otherwise."""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any

from django.db import transaction

from exposure.attend.alerts import raise_alert
from exposure.classify.models import Assessment
from exposure.followup.models import FollowUp
from exposure.people.models import User, Worker
from exposure.pipeline import (
    attend,
    call,
    classify,
    clear,
    complete,
    enter,
    evaluate,
    expose,
    hand_over,
    link,
    tell,
)
from exposure.pipeline import report as reports
from tests.cast import MONDAY, Cast, doing
from tests.walk import confirm, follow_up_told_and_confirmed, log_to_the_end, report

Content = dict[str, Any]


@dataclass(frozen=True)
class Decision:
    """`subject` makes what is decided about, `do(NAME=subject, by=, at=, **content)` decides. `one` and `other` are two
    decisions that exclude each other, `kept` what is kept of the other. `personal`: what is decided is who has it, so
    that somebody else's same decision is another one. `path` is the API's, where it has one, with the bodies there."""

    code: str
    name: str
    subject: Callable[[Cast], Any]
    do: Callable[..., Any]
    one: Content = field(default_factory=dict)
    other: Content = field(default_factory=dict)
    kept: Content = field(default_factory=dict)
    personal: bool = False
    stands: str = "done"  # or the subject itself
    words: str = ""  # of the decision that stands
    path: str = ""
    bodies: tuple[Content, Content] | None = None
    first: str = "nurse"
    second: str = "nurse2"
    race: bool = True  # both at once, each for itself, exclude each other

    def decide(self, subject: Any, by: User, content: Content, *, at: Any = MONDAY) -> Any:
        """Done by that account; content may be made of the subject."""
        said = {name: value(subject) if callable(value) else value for name, value in content.items()}
        with doing(by, at=at):
            done = self.do(**{self.name: subject}, by=by, at=at, **said)
        return done[0] if isinstance(done, list) else done

    def standing(self, subject: Any, done: Any) -> Any:
        return subject if self.stands == "subject" else done

    def actors(self, cast: Cast) -> tuple[User, User]:
        return getattr(cast, self.first), getattr(cast, self.second)


def _breach(cast: Cast) -> Any:
    return report(cast).breach


def _lowered(cast: Cast) -> Assessment:
    """A physician has lowered the tier, which waits for a second signature."""
    said = {"pathogen": "ebola", "tier": "none", "reason": "A whole layer lay between."}
    with doing(cast.physician):
        return classify.override_tier(breach=_breach(cast), by=cast.physician, at=MONDAY, **said)


def _sign_or_set(*, assessment: Assessment, by: User, at: Any, tier: str = "") -> Assessment:
    if not tier:
        return classify.countersign(assessment=assessment, by=by, at=at)
    said = {"pathogen": "ebola", "tier": tier, "reason": "I saw the glove."}
    return classify.override_tier(breach=assessment.breach, by=by, at=at, **said)


def _asked(cast: Cast) -> Any:
    breach = _breach(cast)
    with doing(cast.observer):
        return reports.ask_withdrawal(breach=breach, reason="A slip.", by=cast.observer, at=MONDAY)


def _recorded(cast: Cast) -> Any:
    said = {"pathogen": "ebola", "tier": "high", "occurred_at": MONDAY - timedelta(days=1)}
    with doing(cast.physician):
        return expose.record_exposure(worker=cast.worker, by=cast.physician, at=MONDAY, **said)


def _changed(cast: Cast) -> Any:
    """The dates have changed for somebody who was told."""
    exposure = follow_up_told_and_confirmed(cast).exposures.get()
    moved = {"occurred_at": exposure.occurred_at - timedelta(days=1), "reason": "The roster says so."}
    with doing(cast.nurse):
        expose.correct_exposure(exposure=exposure, by=cast.nurse, at=MONDAY, **moved)
    return exposure.follow_up.promises.get(kind="tell")


def _alert(cast: Cast) -> Any:
    with doing("command:tests"), transaction.atomic():
        return raise_alert(cast.worker, "symptom", "headache", site=cast.site, at=MONDAY, urgent=False)


def _held(cast: Cast) -> Any:
    alert = _alert(cast)
    with doing(cast.physician):
        return attend.acknowledge_alert(alert=alert, by=cast.physician, at=MONDAY)


def _task(cast: Cast) -> Any:
    return _breach(cast).exposures.get().promises.filter(kind="task").first()


def _call(*, task: Any, note: str, by: User, at: Any) -> Any:
    """The task is done by a call that was answered; the call itself is stored either way."""
    call.note_call(worker=task.worker, answered=True, note=note, settles=[task], by=by, at=at)
    return task


def _check(cast: Cast) -> Any:
    """One whose window has closed."""
    before = MONDAY - timedelta(days=2)
    reported = report(cast, at=before, occurred_at=before.isoformat())
    return reported.follow_ups[0].checks.filter(closes_at__lt=MONDAY).first()


def _exposure(cast: Cast) -> Any:
    return _breach(cast).exposures.get()


def _ready(cast: Cast) -> FollowUp:
    follow_up = follow_up_told_and_confirmed(cast)
    log_to_the_end(cast, follow_up)
    return follow_up


def _sign(*, follow_up: FollowUp, by: User, at: Any) -> Any:
    last = follow_up.checks.filter(withdrawn_at=None).last()
    with doing(by, at=last.due_at):
        return clear.sign_clearance(follow_up=follow_up, by=by, at=last.due_at)


def _end_or_sign(*, follow_up: FollowUp, by: User, at: Any, kind: str = "") -> Any:
    if not kind:
        return clear.sign_clearance(follow_up=follow_up, by=by, at=at)
    said = {"kind": kind, "reason": "Moved away.", "basis": "agreed"}
    return clear.end_follow_up(follow_up=follow_up, by=by, at=at, **said)


def _confirmed(cast: Cast) -> FollowUp:
    reported = report(cast)
    confirm(cast, reported)
    return reported.follow_ups[0]


def _typed(cast: Cast) -> Worker:
    with doing("command:tests"):
        Worker.objects.create(site=cast.site, number="SG-2", name="Vera Stone")
    return report(cast, worker=None, person={"name": "W. Alder"}).breach.worker


def _on_the_list(number: str) -> Callable[[Worker], Worker]:
    return lambda _typed: Worker.objects.get(number=number)


def _first_statement(case: Any) -> Any:
    return case.statements.first().uid


EYE = {"note": "It reached the eye.", "facts": {"skin": "mucosa"}}
PIERCED, BROKEN = {"facts": {"skin": "pierced"}}, {"facts": {"skin": "broken"}}
HIGH = {"tier": "high", "reason": "I saw the glove."}
NONE = {"tier": "none", "reason": "A whole layer lay between."}
SEEN, TYPO = {"outcome": "evaluated", "note": "Looked at."}, {"outcome": "entry_error", "note": "A typo."}


def _evaluated(cast: Cast) -> FollowUp:
    follow_up = _confirmed(cast)
    with doing(cast.nurse):
        evaluate.begin_evaluation(follow_up=follow_up, reason="Fever.", by=cast.nurse, at=MONDAY)
    return follow_up


def _left(cast: Cast) -> FollowUp:
    follow_up = _confirmed(cast)
    with doing(cast.nurse):
        _end_or_sign(follow_up=follow_up, by=cast.nurse, at=MONDAY, kind="left")
    return follow_up


def _reopen(*, follow_up: FollowUp, reason: str, by: User, at: Any) -> Any:
    return clear.reopen(follow_up=follow_up, reason=reason, by=by, at=at).states.last()


UNIT, GUMS = {"reason": "Fever, at the unit."}, {"reason": "Bleeding gums: isolate, ring public health."}

DECISIONS = (
    Decision(
        "confirm",
        "breach",
        _breach,
        classify.confirm_breach,
        one={"note": "Spoke with Wim."},
        other=EYE,
        kept=EYE,
        words="Spoke with Wim.",
        path="breaches/{uid}/confirm/",
    ),
    Decision(
        "facts",
        "breach",
        _breach,
        classify.answer_facts,
        one=PIERCED,
        other=BROKEN,
        kept=BROKEN,
        words="High-risk exposure",
        path="breaches/{uid}/facts/",
    ),
    Decision(
        "override",
        "breach",
        _breach,
        classify.override_tier,
        one={"pathogen": "ebola", **HIGH},
        other={"pathogen": "ebola", **NONE},
        kept={"pathogen": "ebola", **NONE},
        words="I saw the glove.",
        path="breaches/{uid}/override/",
    ),
    Decision(
        "countersign",
        "assessment",
        _lowered,
        _sign_or_set,
        other={"tier": "high"},
        kept={"tier": "high"},
        words="A whole layer lay between.",
    ),
    Decision(
        "withdrawal",
        "request",
        _asked,
        classify.decide_withdrawal,
        one={"accepted": True, "reason": "Spoke with Wim."},
        other={"accepted": False, "reason": "It was a splash."},
        kept={"accepted": False, "reason": "It was a splash."},
        words="Spoke with Wim.",
    ),
    Decision(
        "tell the worker of a report",
        "breach",
        _breach,
        tell.tell_worker,
        one={"how": "phone", "told_at": MONDAY},
        other={"how": "person", "told_at": MONDAY},
        kept={"by": "person"},
        words="by telephone",
        path="breaches/{uid}/told/",
        bodies=({"by": "phone"}, {"by": "person"}),
    ),
    Decision(
        "tell the worker of an exposure",
        "exposure",
        _recorded,
        tell.tell_of_exposure,
        one={"how": "phone"},
        other={"how": "person"},
        kept={"how": "person"},
        words="by telephone",
    ),
    Decision(
        "tell the worker of a change",
        "telling",
        _changed,
        tell.tell_of_change,
        one={"how": "phone"},
        other={"how": "person"},
        kept={"how": "person"},
        words="by telephone",
    ),
    Decision(
        "acknowledge",
        "alert",
        _alert,
        attend.acknowledge_alert,
        personal=True,
        words="Has this alert.",
        path="alerts/{uid}/acknowledge/",
    ),
    Decision(
        "take",
        "alert",
        _held,
        attend.take_alert,
        one={"holder": lambda alert: alert.held_by},
        other={"holder": lambda alert: alert.held_by},
        kept={"holder": "physician"},
        personal=True,
        words="Has this alert.",
        path="alerts/{uid}/acknowledge/",
        bodies=({"holder": "physician"}, {"holder": "physician"}),
    ),
    Decision(
        "close",
        "alert",
        _alert,
        attend.close_alert,
        one=SEEN,
        other=TYPO,
        kept=TYPO,
        words="Looked at.",
        path="alerts/{uid}/close/",
    ),
    Decision(
        "hand_over an alert",
        "alert",
        _alert,
        hand_over.hand_over_alert,
        one={"to": "physician"},
        other={"to": "physician2"},
        kept={"to": "physician2"},
        words="Handed over to",
        path="alerts/{uid}/hand-over/",
    ),
    Decision(
        "hand_over a task",
        "promise",
        _task,
        hand_over.hand_over_promise,
        one={"to": "physician"},
        other={"to": "physician2"},
        kept={"to": "physician2"},
        words="Handed over to",
        path="tasks/{uid}/hand-over/",
    ),
    Decision(
        "not_applicable",
        "task",
        _task,
        complete.mark_not_applicable,
        one={"reason": "Vaccinated last year."},
        other={"reason": "Is pregnant."},
        kept={"reason": "Is pregnant."},
        words="Vaccinated last year.",
        path="tasks/{uid}/not-applicable/",
    ),
    Decision(
        "complete",
        "task",
        _task,
        complete.complete_task,
        one={"note": "Rang at noon."},
        other={"note": "Nobody answered."},
        kept={"note": "Nobody answered."},
        words="Rang at noon.",
        path="tasks/{uid}/complete/",
    ),
    Decision(
        "complete by a call",
        "task",
        _task,
        _call,
        one={"note": "Rang at noon."},
        other={"note": "Slept well."},
        kept={"note": "Slept well."},
        personal=True,  # the call itself: somebody else's is another one
        words="Rang at noon.",
    ),
    Decision(
        "excuse",
        "check",
        _check,
        enter.excuse_check,
        one={"reason": "In theatre."},
        other={"reason": "On leave."},
        kept={"reason": "On leave."},
        words="In theatre.",
    ),
    Decision(
        "sign against another end",
        "follow_up",
        _confirmed,
        _end_or_sign,
        one={"kind": "left"},
        words="Moved away.",
        first="physician",
        second="physician2",
        path="follow-ups/{uid}/clear/",
        race=False,  # signed first, it may still be ended otherwise
    ),
    Decision(
        "link",
        "worker",
        _typed,
        link.link_worker,
        one={"same_as": _on_the_list("SG-1042")},
        other={"same_as": _on_the_list("SG-2")},
        stands="subject",
        words="Wim Alder",
    ),
    Decision(
        "state_case",
        "case",
        lambda cast: cast.case,
        reports.state_case,
        one={"pathogen": "ebola", "status": "confirmed", "seen": _first_statement},
        other={
            "pathogen": "ebola",
            "status": "ruled_out",
            "note": "Test negative.",
            "seen": _first_statement,
        },
        kept={"status": "ruled_out", "note": "Test negative."},
        words="confirmed",
    ),
    Decision(
        "state_case for the first time",
        "case",
        lambda cast: cast.case,
        reports.state_case,
        one={"pathogen": "lassa", "status": "confirmed"},
        other={"pathogen": "lassa", "status": "ruled_out", "note": "Test negative."},
        kept={"status": "ruled_out", "note": "Test negative."},
        words="confirmed",
    ),
    Decision(
        "correct",
        "exposure",
        _exposure,
        expose.correct_exposure,
        one={"occurred_at": MONDAY - timedelta(days=1), "reason": "Ward book."},
        other={"occurred_at": MONDAY - timedelta(days=2), "reason": "Wim's diary."},
        kept={"occurred_at": (MONDAY - timedelta(days=2)).isoformat(), "reason": "Wim's diary."},
        stands="subject",
        words="Sun 1 Mar, 09:00: Ward book.",
    ),
    Decision(
        "evaluated",
        "follow_up",
        _confirmed,
        evaluate.begin_evaluation,
        one=UNIT,
        other=GUMS,
        kept=GUMS,
        words="being evaluated: Fever, at the unit.",
        second="physician",
    ),
    Decision(
        "admitted",
        "follow_up",
        _evaluated,
        evaluate.admit,
        one=UNIT,
        other=GUMS,
        kept=GUMS,
        words="admitted: Fever, at the unit.",
    ),
    Decision(
        "return",
        "follow_up",
        _evaluated,
        evaluate.return_to_monitoring,
        one={"diagnosis": "Malaria."},
        other={"test": "Smear negative.", "hours_since_onset": 80},
        kept={"reason": "Smear negative. The test was taken 80 hours after onset."},
        words="monitored: Malaria.",
        first="physician",
        second="physician2",
    ),
    Decision(
        "reopen",
        "follow_up",
        _left,
        _reopen,
        one={"reason": "She came back."},
        other={"reason": "She never left."},
        kept={"reason": "She never left."},
        words="monitored: She came back.",
    ),
)
SIGN = Decision("sign", "follow_up", _ready, _sign, first="physician", second="physician2")
