"""An exposure's work and travel restrictions, with their dates."""

from datetime import date, datetime, timedelta

from exposure.classify.criteria import text
from exposure.classify.plan import Plan
from exposure.followup.models import Exposure, Restriction
from exposure.record import create_many


def bring(exposure: Exposure, plan: Plan, *, at: datetime) -> None:
    """What the plan asks for; restrictions that it does not name are lifted."""
    standing = {restriction.code: restriction for restriction in exposure.restrictions.filter(lifted_at=None)}
    wanted = {planned.code: planned for planned in plan.restrictions}
    ends = {
        code: exposure.last_day if planned.days is None else exposure.day_zero + timedelta(days=planned.days)
        for code, planned in wanted.items()
    }
    for code, restriction in standing.items():
        if code not in wanted:
            restriction.lifted_at = at
            restriction.save()
        elif restriction.to_date != ends[code]:
            restriction.to_date = ends[code]
            restriction.save()
    create_many(
        Restriction,
        [
            Restriction(
                exposure=exposure,
                code=code,
                title=text(planned.title)[:200],
                from_date=_first_date(exposure, plan),
                to_date=ends[code],
            )
            for code, planned in wanted.items()
            if code not in standing
        ],
    )


def _first_date(exposure: Exposure, plan: Plan) -> date:
    """Of a plan with a window its first day, else the day of the exposure."""
    return exposure.day_zero + timedelta(days=plan.window.from_first if plan.window else 0)


def drop(exposure: Exposure, *, at: datetime) -> None:
    """The exposure no longer counts: its restrictions are lifted."""
    for restriction in exposure.restrictions.filter(lifted_at=None):
        restriction.lifted_at = at
        restriction.save()


def carry(exposure: Exposure, corrected: Exposure, *, at: datetime) -> None:
    """From an exposure to the one that corrects it: they begin and end anew."""
    moved = corrected.day_zero - exposure.day_zero
    restrictions = list(exposure.restrictions.filter(lifted_at=None))
    drop(exposure, at=at)
    create_many(
        Restriction,
        [
            Restriction(
                exposure=corrected,
                code=restriction.code,
                title=restriction.title,
                from_date=restriction.from_date + moved,
                to_date=restriction.to_date + moved if restriction.to_date else None,
            )
            for restriction in restrictions
        ],
    )
