"""The exposures in a person's story: recorded, corrected, told and taken out, and what is known of their cases."""

from collections.abc import Iterable, Iterator
from typing import Any

from django.db.models import Q
from django.utils.translation import gettext as _

from exposure.followup.models import Exposure
from exposure.people.models import Worker
from exposure.report.models import Case, CaseStatement
from exposure.web.nurse.happenings import Happening, NamedLater, Seen, moment, some

Source = Exposure.Source


def exposures(worker: Worker, seen: Seen, told: Seen) -> Iterator[NamedLater]:
    """Those of a report are told with the report; who did the rest, and when, is in the versions of the rows."""
    every = Exposure.objects.filter(follow_up__worker=worker)
    in_words = set(told(every).values_list("pk", flat=True))
    rows = {exposure.pk: exposure for exposure in seen(every).select_related("case")}
    corrected = {exposure.corrects_id for exposure in rows.values()}
    before: dict[int, Any] = {}
    for version in Exposure.history.filter(id__in=rows).order_by("history_date", "history_id"):
        row, earlier = rows[version.id], before.get(version.id)
        before[version.id] = version
        if earlier is None:
            happened = _begun(row, rows.get(row.corrects_id), version, in_words=row.pk in in_words)
        elif version.told_at != earlier.told_at and version.told_at:
            title = _("Told of the exposure %(how)s") % {"how": version.get_told_by_display()}
            happened = Happening(version.told_at, title)
        elif version.withdrawn_at and not earlier.withdrawn_at and version.id not in corrected:
            title = _("The exposure of %(time)s no longer counts") % {"time": moment(version.occurred_at)}
            why = version.withdrawn_reason if version.id in in_words else ""
            happened = Happening(version.history_date, title, some(why))
        else:
            continue
        if happened is not None:
            yield happened, version.history_user_id
    yield from _cases(worker, rows.values(), told)


def _begun(row: Exposure, corrected: Exposure | None, version: Any, *, in_words: bool) -> Happening | None:
    if corrected is not None:
        title = _("Time of the exposure corrected: %(new)s, not %(old)s") % {
            "old": moment(corrected.occurred_at),
            "new": moment(version.occurred_at),
        }
        return Happening(version.history_date, title, some(corrected.withdrawn_reason if in_words else ""))
    if row.source == Source.REPORT:
        return None
    title = _("Exposure recorded without a report: %(source)s") % {"source": row.get_source_display()}
    case = _("Case %(case)s.") % {"case": row.case.code} if row.case else ""
    words = (case, version.note) if in_words else ()
    lines = some(moment(version.occurred_at), version.tier_label, *words)
    return Happening(version.history_date, title, lines)


def _cases(worker: Worker, rows: Iterable[Exposure], told: Seen) -> Iterator[NamedLater]:
    """What was stated about the cases since the first of the contacts."""
    first = min((exposure.occurred_at for exposure in rows), default=None)
    if first is None:
        return
    own = Q(case__exposures__follow_up__worker=worker) | Q(
        case__breaches__exposures__follow_up__worker=worker
    )
    known = told(Case.objects.all()).values("pk")
    stated = CaseStatement.objects.filter(own, case__in=known, recorded_at__gte=first).distinct()
    for statement in stated.select_related("case").order_by("recorded_at", "id"):
        title = _("Case %(case)s, %(pathogen)s: now %(status)s") % {
            "case": statement.case.code,
            "pathogen": statement.pathogen,
            "status": statement.get_status_display(),
        }
        hours = statement.hours_since_onset
        test = _("Tested %(hours)s h after the onset.") % {"hours": hours} if hours is not None else ""
        yield Happening(statement.recorded_at, title, some(test, statement.note)), statement.recorded_by
