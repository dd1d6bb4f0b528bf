"""Which case an alert is about that says that a case has changed, so that what waits for one case stands together."""

from collections import defaultdict
from collections.abc import Iterable

from exposure.attend.models import Alert
from exposure.followup.models import Exposure
from exposure.report.models import Case


def cases_changed(alerts: Iterable[Alert]) -> dict[int, list[Case]]:
    """Alert -> the cases that it names, of those that its follow-up's standing exposures belong to; one that belongs to
    no case any more is left out. At most two statements."""
    about = [
        (alert, alert.follow_up_id)
        for alert in alerts
        if alert.cause == Alert.Cause.CASE_CHANGED and alert.follow_up_id is not None
    ]
    if not about:
        return {}
    rows = Exposure.objects.filter(
        follow_up__in={follow_up for _alert, follow_up in about}, withdrawn_at=None
    ).order_by()
    linked: dict[int, set[int]] = defaultdict(set)
    for follow_up, named, reported in rows.values_list("follow_up", "case", "breach__case"):
        linked[follow_up] |= {named, reported} - {None}
    every = Case.objects.select_related("site", "station").in_bulk(set().union(*linked.values()))
    found = {}
    for alert, follow_up in about:
        cases = sorted((every[case] for case in linked[follow_up]), key=lambda case: case.code)
        said = f"{alert.because} {alert.newest}"
        if cases:
            found[alert.pk] = [case for case in cases if case.code in said] or cases
    return found


def undecided(alerts: Iterable[Alert]) -> dict[int, list[Alert]]:
    """Case -> the open ones of these alerts that are about it. At most two statements."""
    still_open = [alert for alert in alerts if alert.closed_at is None]
    of_case: dict[int, list[Alert]] = defaultdict(list)
    named = cases_changed(still_open)
    for alert in still_open:
        for case in named.get(alert.pk, ()):
            of_case[case.pk].append(alert)
    return of_case
