"""One exposure by several sets of criteria: what each asks, beside the others, and which asks more."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from exposure.classify.assess import adopted_pathogens
from exposure.classify.plan import MONITORING, Plan
from exposure.followup import plans
from exposure.followup.models import Exposure
from exposure.people.access import may
from exposure.people.models import User
from exposure.people.policy import Deed
from exposure.report.models import Breach
from exposure.web.nurse.report_words import AssessmentWords

READINGS = {
    "none": gettext_lazy("none"),
    "self": gettext_lazy("taken by the worker"),
    "active": gettext_lazy("taken by the worker and asked for every day"),
    "direct": gettext_lazy("seen by somebody"),
}


@dataclass(frozen=True)
class Column:
    """What one set of criteria brings in force. `last_day` is None where there are no readings."""

    words: AssessmentWords
    plan: Plan
    last_day: date | None
    restrictions: tuple[str, ...]


@dataclass(frozen=True)
class Cell:
    """`strictest`: no other set asks for more, and one asks for less."""

    text: str
    strictest: bool = False


@dataclass(frozen=True)
class Row:
    """One line of the table: a cell by pathogen."""

    label: str
    cells: tuple[tuple[str, Cell], ...]


def columns_of(breach: Breach, current: Iterable[AssessmentWords]) -> list[Column]:
    """One per set of criteria in force."""
    exposures = (
        breach.exposures.filter(withdrawn_at=None)
        .select_related("follow_up")
        .prefetch_related("restrictions")
    )
    brought = {exposure.follow_up.pathogen: exposure for exposure in exposures}
    return [_column(words, brought.get(words.row.pathogen)) for words in current if words.in_force]


def _column(words: AssessmentWords, exposure: Exposure | None) -> Column:
    restrictions = exposure.restrictions.all() if exposure else ()
    titles = tuple(dict.fromkeys(one.title for one in restrictions if one.lifted_at is None))
    return Column(words, plans.plan_in_force(words.row), exposure.last_day if exposure else None, titles)


def rows_of(columns: Sequence[Column]) -> list[Row]:
    """The table, where there is more than one column."""
    if len(columns) < 2:
        return []
    return [
        _row(_("Treated as"), columns, lambda one: one.words.treated_as or _("not assessed"), _all_hold),
        _row(
            _("Speak with the worker within"),
            columns,
            _confirm_within,
            lambda one: -one.plan.confirm_within.span(),
        ),
        _row(
            _("Readings"),
            columns,
            _readings,
            lambda one: (MONITORING.index(one.plan.monitoring), one.plan.observed_per_day),
        ),
        _row(_("Until"), columns, _until, lambda one: one.last_day or date.min),
        _row(
            _("Restrictions"),
            columns,
            lambda one: ", ".join(one.restrictions) or _("none"),
            _all_hold,
        ),
        _row(_("Tasks"), columns, _tasks, _all_hold),
        _row(
            _("Signed off by"),
            columns,
            _clearance,
            lambda one: ("nurse", "physician", "two").index(one.plan.clearance),
        ),
    ]


def _row(
    label: str,
    columns: Sequence[Column],
    say: Callable[[Column], str],
    strictness: Callable[[Column], Any],
) -> Row:
    ranks = [strictness(column) for column in columns]
    differ = len(set(ranks)) > 1
    cells = [Cell(say(one), differ and rank == max(ranks)) for one, rank in zip(columns, ranks, strict=True)]
    return Row(label, tuple((one.words.row.pathogen, cell) for one, cell in zip(columns, cells, strict=True)))


def _all_hold(_column: Column) -> int:
    """Of these none is stricter: what each set asks for is asked."""
    return 0


def _confirm_within(column: Column) -> str:
    hours = round(column.plan.confirm_within.span() / timedelta(hours=1))
    return ngettext("%(hours)s hour", "%(hours)s hours", hours) % {"hours": hours}


def _readings(column: Column) -> str:
    return str(READINGS[column.plan.monitoring])


def _until(column: Column) -> str:
    return date_format(column.last_day, "D j M Y") if column.last_day else "–"


def _tasks(column: Column) -> str:
    count = len(column.plan.tasks)
    return ngettext("%(count)s task", "%(count)s tasks", count) % {"count": count} if count else _("none")


def _clearance(column: Column) -> str:
    words = {"nurse": _("a clinician"), "physician": _("a physician"), "two": _("two people")}
    return words[column.plan.clearance]


def other_criteria(reader: User, breach: Breach, *, at: datetime) -> list[str]:
    """The pathogens by whose criteria this reader may have the report assessed too, and by which it is not yet."""
    if breach.drill or breach.withdrawn_at is not None:
        return []
    if not may(reader, Deed.ASSESS_ALSO, breach.site_id, breach.worker.user_id, at=at):
        return []
    assessed = set(breach.assessments.values_list("pathogen", flat=True))
    return [pathogen for pathogen in adopted_pathogens(breach.site, at=at) if pathogen not in assessed]
