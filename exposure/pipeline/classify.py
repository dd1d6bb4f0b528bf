"""How serious, and why: further answers, the confirmation, a clinician's own tier, a withdrawal decided."""

from datetime import datetime
from itertools import takewhile
from typing import Any
from uuid import UUID

from django.core.exceptions import PermissionDenied
from django.utils.translation import gettext as _

from exposure.attend import alerts, changes, duties, promises
from exposure.attend.models import Alert, Promise
from exposure.classify import assess, concerned
from exposure.classify.models import Assessment, CriteriaVersion, Signature
from exposure.classify.standing import assessments_in_force, settled_in_force
from exposure.followup import opening, plans, states
from exposure.followup.models import Exposure, FollowUp
from exposure.people.access import may_on, require_on
from exposure.people.models import User
from exposure.people.policy import Deed
from exposure.pipeline import follow, turn
from exposure.record import because as because_of
from exposure.refusal import BadSubmission, NotYet, Problem, require_text
from exposure.report import flags
from exposure.report.models import Breach, WithdrawalDecision, WithdrawalRequest

Cause = Alert.Cause


def answer_facts(*, breach: Breach, facts: dict[str, Any], by: User, at: datetime) -> list[Assessment]:
    """Further answers: a new assessment beside the old one; answers that add nothing change nothing. The reporter may
    add to their own report, which can only raise a tier; what workers say about themselves is kept and settles
    nothing until a clinician has confirmed it. A clinician's answer to a question that another clinician has answered
    otherwise is a further assessment like any, and raises Conflict with the other's."""
    clinician = may_on(by, Deed.ANSWER, breach, at=at)
    if breach.reported_by_id != by.pk and not clinician:
        raise PermissionDenied
    with turn.of(breach.worker, at=at) as own:
        breach = turn.locked_breach(breach)
        other = _answered_otherwise(breach, facts, by) if breach.reported_by_id != by.pk else None
        if other is not None:
            own.clash(other, "facts", breach.worker, breach.site, facts=facts)
        if breach.worker.user_id == by.pk:
            if not facts.items() <= breach.facts.items():
                breach.facts = {**breach.facts, **facts}
                breach.save()
            facts = {}
        return _reassess(breach, facts, Assessment.Kind.FACTS, at, by, lower=clinician)


def _answered_otherwise(breach: Breach, facts: dict[str, Any], by: User) -> Assessment | None:
    """The assessment in force by which another clinician has answered one of these questions otherwise."""
    for pathogen, current in assessments_in_force(breach).items():
        newest_first = list(breach.assessments.filter(pathogen=pathogen, pk__lte=current.pk).order_by("-pk"))
        for name, answer in facts.items():
            stands = current.facts.get(name)
            if answer is None or stands in (None, answer):
                continue
            saying = takewhile(
                lambda row, name=name, stands=stands: row.facts.get(name) == stands, newest_first
            )
            *_later, first = saying
            by_a_reporter = (
                first.kind == Assessment.Kind.REPORT or first.recorded_by == breach.reported_by.actor
            )
            if not by_a_reporter and first.recorded_by != by.actor:
                return first
    return None


def confirm_breach(
    *, breach: Breach, by: User, note: str = "", facts: dict[str, Any] | None = None, at: datetime
) -> Breach:
    """A clinician has spoken with the worker: the report is assessed on what is known now and monitoring is no
    longer provisional. Confirming again with the same changes nothing; with something else, what was sent is kept,
    its answers as a further assessment, and Conflict is raised with the report as it was confirmed."""
    require_on(by, Deed.CONFIRM, breach, at=at)
    facts = facts or {}
    with turn.of(breach.worker, at=at) as own, because_of(note):
        breach = turn.locked_breach(breach)
        if breach.confirmed_at is not None:
            if note.strip() not in ("", breach.confirmation_note.strip()) or _adds(breach, facts):
                own.clash(breach, "confirm", breach.worker, breach.site, note=note, facts=facts)
                if facts and not breach.drill:
                    _reassess(breach, facts, Assessment.Kind.FACTS, at, by, lower=True)
            return breach
        breach.confirmed_at, breach.confirmed_by, breach.confirmation_note = at, by, note
        breach.save()
        if not breach.drill:
            _reassess(breach, facts, Assessment.Kind.CONFIRMATION, at, by, lower=True, first=True)
        # Who was spoken with has heard what had changed.
        behind = FollowUp.objects.filter(exposures__breach=breach)
        promises.keep(changes.of_changes(follow_up__in=behind), by=by, at=at)
        alerts.close_all(breach, (Cause.LATE_CONFIRMATION, Cause.TO_LOOK_AT, Cause.DRILL), by, at)
        return breach


def _adds(breach: Breach, facts: dict[str, Any]) -> bool:
    """Whether these answers say anything that the assessments in force do not know."""
    known = [assessment.facts for assessment in assessments_in_force(breach).values()]
    return any(
        all(answers.get(name) != answer for answers in known)
        for name, answer in facts.items()
        if answer is not None
    )


def override_tier(
    *,
    breach: Breach,
    pathogen: str,
    tier: str,
    reason: str,
    standing: UUID | None = None,
    by: User,
    at: datetime,
) -> Assessment:
    """A clinician's own tier, with a reason; a lower one waits for a second signature where the plan says so.

    Where somebody else has set another tier, `standing` names the assessment that is departed from; without it what was
    sent is kept, and Conflict is raised with the assessment that stands.
    """
    require_on(by, Deed.OVERRIDE, breach, at=at)
    if not reason.strip():
        raise BadSubmission(Problem("/reason", _("Say why this tier is right.")))
    with turn.of(breach.worker, at=at) as own, because_of(reason):
        breach = turn.locked_breach(breach)
        current = assessments_in_force(breach).get(pathogen)
        if current is None or current.version is None:
            raise BadSubmission(
                Problem("/pathogen", _("There is no assessment of this pathogen to override."))
            )
        if assess.unreadable(current):
            raise BadSubmission(
                Problem("/pathogen", _("Its criteria can no longer be read: it stays as it is."))
            )
        if tier not in {one.code for one in assess.tiers_of(current.version)}:
            raise BadSubmission(Problem("/tier", _("Choose one of the tiers of these criteria.")))
        newest = breach.assessments.filter(pathogen=pathogen).last() or current
        same = (Assessment.Kind.OVERRIDE, tier, reason.strip())
        if (newest.kind, newest.tier, newest.reason.strip()) == same:
            return newest
        others = newest.kind == Assessment.Kind.OVERRIDE and newest.recorded_by != by.actor
        if others and newest.tier != tier and newest.uid != standing:
            own.clash(
                newest, "override", breach.worker, breach.site, pathogen=pathogen, tier=tier, reason=reason
            )
            return newest
        assessment = assess.override(current, tier, reason=reason)
        if assessment.second_signature_needed:
            _sign_first(assessment, by)
        else:
            _apply(breach, at, by)
        return assessment


def _sign_first(assessment: Assessment, by: User) -> None:
    """It waits for somebody else's signature."""
    Signature.objects.create(subject=f"override:{assessment.uid}", user=by, meaning="override")


def countersign(*, assessment: Assessment, by: User, at: datetime) -> Assessment:
    """The second signature under another tier, by somebody else; it takes effect with it. Once it is there, again
    changes nothing. Raises NotYet where one of the two would be missing or the exposed worker's, and Conflict with the
    newest assessment where something else has been decided or answered since."""
    breach = assessment.breach
    require_on(by, Deed.OVERRIDE, breach, at=at)
    with turn.of(breach.worker, at=at) as own:
        breach = turn.locked_breach(breach)
        require_on(by, Deed.OVERRIDE, breach, at=at)  # linked a moment ago
        subject = f"assessment:{assessment.uid}"
        if not assessment.second_signature_needed or Signature.objects.filter(subject=subject).exists():
            return assessment
        first = Signature.objects.filter(subject=f"override:{assessment.uid}").first()
        if first is None or first.user_id == by.pk:
            raise NotYet("same_person")
        if first.user_id == breach.worker.user_id:  # known only since two records proved to be one person's
            raise NotYet("signed_by_the_person")
        newest = breach.assessments.filter(pathogen=assessment.pathogen).last()
        if newest != assessment:
            own.clash(newest, "countersign", breach.worker, breach.site, assessment=str(assessment.uid))
            return assessment
        Signature.objects.create(subject=subject, user=by, meaning="second signature")
        duties.keep(breach.worker, [Promise.Kind.SIGN], by=by, at=at, key=str(assessment.uid))
        _apply(breach, at, by)
        return assessment


def assess_also(*, breach: Breach, pathogen: str, reason: str, by: User, at: datetime) -> Assessment:
    """A physician's wish: the exposure by the criteria of another pathogen too. Each set brings its own plan beside
    the others, so that of any two the stricter holds. What is assessed by them already changes nothing. Raises
    BadSubmission at the field, and NotYet for a report that was withdrawn."""
    require_on(by, Deed.ASSESS_ALSO, breach, at=at)
    require_text(reason, "/reason", _("Say why these criteria are to be applied too."))
    with turn.of(breach.worker, at=at), because_of(reason):
        breach = turn.locked_breach(breach)
        in_force = assessments_in_force(breach)
        if pathogen in in_force:
            return in_force[pathogen]
        if breach.withdrawn_at is not None:
            raise NotYet("no_longer_asked")
        version = assess.adopted(breach.site, pathogen, at=at)
        if version is None or breach.drill:
            raise BadSubmission(Problem("/pathogen", _("Choose criteria that the site works with.")))
        settles = "self_answered" not in breach.flags or breach.confirmed_at is not None
        answers = assess.of_the_event(version, breach.facts) if settles else {}
        for assessment in in_force.values():
            answers |= assessment.facts
        kind = Assessment.Kind.FACTS
        made = assess.assess(breach, pathogen, version, answers, kind=kind, reason=reason)
        blood = concerned.assess_blood(breach, [*in_force.values(), made], answers, kind=kind, at=at)
        breach.save()
        alert_if_unassessed(breach, [made, *blood], at)
        _apply(breach, at, by)
        return made


def _reassess(
    breach: Breach,
    facts: dict[str, Any],
    kind: str,
    at: datetime,
    by: User,
    *,
    lower: bool,
    first: bool = False,
) -> list[Assessment]:
    """Assess again with the answers so far and the further ones, per pathogen, and let it take effect. A tier that
    a clinician has set stands until something new is answered; answers that add nothing change nothing. Not `lower`:
    no tier goes below what it was. `first`: the confirmation itself, before which nothing but a settled tier stands."""
    made, fresh = [], kind == Assessment.Kind.CONFIRMATION
    flags_before, failed_before = breach.flags, set(flags.criteria_that_failed(breach.flags))
    breach.flags = [flag for flag in breach.flags if flag not in failed_before]
    settled = settled_in_force(breach)
    settles = kind == Assessment.Kind.CONFIRMATION or "self_answered" not in breach.flags
    reported = breach.facts if settles else {}
    for pathogen, current in assessments_in_force(breach).items():
        if current.kind == Assessment.Kind.OVERRIDE and not facts:
            continue
        version = current.version or assess.adopted(breach.site, pathogen, at=at)
        answered = facts if lower else assess.of_the_event(version, facts)
        answers = {**assess.of_the_event(version, reported), **current.facts, **answered}
        if kind == Assessment.Kind.FACTS and (same := _made_before(current, version, answers)):
            made.append(same)
            continue
        confirmed = breach.confirmed_at is not None and not first
        stands = assess.Standing(current, confirmed, may_lower=lower, settled=settled.get(pathogen, ""))
        assessment = assess.assess(breach, pathogen, version, answers, kind=kind, stands=stands)
        if assessment.second_signature_needed:
            _sign_first(assessment, by)
        made.append(assessment)
        fresh = True
    blood = []
    if not breach.drill:
        in_force = list(assessments_in_force(breach).values())
        blood = concerned.assess_blood(breach, in_force, {**reported, **facts}, kind=kind, at=at)
    if not fresh and not blood and breach.flags == flags_before:
        return made
    breach.save()
    alert_if_unassessed(breach, blood, at)
    _apply(breach, at, by)
    return made + blood


def alert_if_unassessed(breach: Breach, made: list[Assessment], at: datetime) -> None:
    """Of what was made just now, something stands without criteria, or criteria have failed."""
    failed = flags.criteria_that_failed(breach.flags)
    if failed or any(one.version is None for one in made):
        because = " ".join(map(flags.in_words, failed)) or _(
            "No criteria are adopted for this: the report is not assessed."
        )
        alerts.raise_alert(breach, Cause.UNASSESSED, because, site=breach.site, at=at)


def _made_before(
    current: Assessment, version: CriteriaVersion | None, answers: dict[str, Any]
) -> Assessment | None:
    """The assessment that these answers were given for already: the one in force, or the newest, which waits for a
    second signature."""
    newest = current.breach.assessments.filter(pathogen=current.pathogen).last()
    waiting = [newest] if newest and newest != current and newest.kind != Assessment.Kind.OVERRIDE else []
    kept = (answers, assess.readable(version, answers))
    return next((row for row in (current, *waiting) if row.version == version and row.facts in kept), None)


def _apply(breach: Breach, at: datetime, by: User) -> None:
    """Bring the breach's exposures, checks and follow-ups in line with the assessments in force; a withdrawn breach
    has none any more."""
    if breach.withdrawn_at is not None:
        return
    exposures = {one.follow_up.pathogen: one for one in opening.exposures_of(breach)}
    for pathogen, assessment in assessments_in_force(breach).items():
        exposure = exposures.get(pathogen)
        if exposure is None:
            follow_up = follow.open_exposure(assessment, at, by)
        else:
            follow_up, stood = exposure.follow_up, (exposure.tier, exposure.last_day)
            if plans.brings_follow_up(plans.plan_in_force(assessment)):
                opening.put_under(exposure, assessment, at=at)
            else:
                _take_out(exposure, assessment, at)
            if (exposure.tier, exposure.last_day) != stood:
                _go_on_or_ask(exposure, at, by)
        if follow_up is not None:
            turn.plan_readings(follow_up, at)
            reason = _("No exposure is left that counts.")
            states.settle(follow_up, reason=reason, at=at, by=by.actor)


def _go_on_or_ask(exposure: Exposure, at: datetime, by: User) -> None:
    """Another tier or last day: a clearance not yet in effect is void; a follow-up that has ended is not reopened by
    itself, a clinician is asked."""
    follow_up = exposure.follow_up
    because = _("An exposure was assessed anew before the last day had ended.")
    turn.go_on(follow_up, because, at, by.actor)
    if follow_up.ended_at is not None and exposure.withdrawn_at is None:
        because = _(
            "An exposure was assessed anew after the follow-up had ended: reopen it if it must go on."
        )
        alerts.raise_alert(follow_up, Cause.TO_LOOK_AT, because, site=follow_up.site, at=at)


def _take_out(exposure: Exposure, assessment: Assessment, at: datetime) -> None:
    """The exposure brings nothing any more: it no longer counts, and what it asked for is dropped."""
    opening.put_under(exposure, assessment, at=at)
    exposure.withdrawn_at = at
    exposure.withdrawn_reason = exposure.tier_label
    exposure.save()


def decide_withdrawal(
    *, request: WithdrawalRequest, accepted: bool, reason: str, by: User, at: datetime
) -> WithdrawalDecision:
    """A clinician has spoken with the worker. Accepted, the report's exposures no longer count, and a follow-up
    without any other ends. Decided once: the same again changes nothing, another decision raises Conflict. Nobody
    accepts what they have asked for themselves where the plan wants two signatures under a lower tier: NotYet."""
    breach = request.breach
    require_on(by, Deed.DECIDE_WITHDRAWAL, breach, at=at)
    require_text(reason, "/reason", _("Say why, as discussed with the worker."))
    with turn.of(breach.worker, at=at) as own, because_of(reason):
        breach = turn.locked_breach(breach)
        standing = WithdrawalDecision.objects.filter(request=request).first()
        if standing is not None:
            if (standing.accepted, standing.reason.strip()) != (accepted, reason.strip()):
                own.clash(
                    standing, "withdrawal", breach.worker, breach.site, accepted=accepted, reason=reason
                )
            return standing
        if accepted and request.recorded_by == by.actor and _needs_two(breach):
            raise NotYet("same_person")
        decision = WithdrawalDecision.objects.create(request=request, accepted=accepted, reason=reason)
        if accepted:
            _withdraw(breach, reason, by, at)
        alerts.close_all(breach, (Cause.WITHDRAWAL,), by, at, note=reason)
        return decision


def _needs_two(breach: Breach) -> bool:
    """Whether a plan in force asks for a second signature under a lower tier."""
    plans_in_force = map(plans.plan_in_force, assessments_in_force(breach).values())
    return any(plan.second_signature != "none" for plan in plans_in_force)


def _withdraw(breach: Breach, reason: str, by: User, at: datetime) -> None:
    breach.withdrawn_at = at
    breach.save()
    for exposure in opening.exposures_of(breach):
        opening.take_out(exposure, reason=reason, at=at)
        follow_up = exposure.follow_up
        turn.go_on(follow_up, reason, at, by.actor)
        turn.plan_readings(follow_up, at)
        states.settle(follow_up, reason=reason, at=at, by=by.actor)
