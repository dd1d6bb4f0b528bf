"""A list with the worst first, of which only those with whom something is wrong are read, and those who are shown."""

from collections.abc import Sequence
from datetime import datetime
from functools import cached_property
from operator import attrgetter
from typing import Any

from django.db.models import QuerySet

from exposure.attend.ranked import Ranked, ranked
from exposure.attend.wanting import wanting
from exposure.followup.models import FollowUp


class WorstFirst(Sequence):
    """Everybody of `follow_ups` in the order of `Ranked.badness`; those with whom nothing is wrong as the database
    orders names. A slice is read when it is asked for."""

    def __init__(self, follow_ups: QuerySet[FollowUp], *, at: datetime) -> None:
        self.follow_ups = follow_ups
        self.at = at

    @cached_property
    def wrong(self) -> list[Ranked]:
        """Those with whom something is wrong, worst first."""
        keys = wanting(self.follow_ups, at=self.at)
        found = ranked(FollowUp.objects.filter(pk__in=keys), at=self.at) if keys else []
        return sorted((one for one in found if one.found), key=attrgetter("badness"))

    @cached_property
    def _count(self) -> int:
        return self.follow_ups.order_by().count()

    def __len__(self) -> int:
        return self._count

    def __getitem__(self, place: Any) -> Any:
        if not isinstance(place, slice):
            return self[place : place + 1][0]
        start, stop, _step = place.indices(len(self))
        before = len(self.wrong)
        return self.wrong[start:stop] + self._well(max(start - before, 0), stop - before)

    def _well(self, start: int, stop: int) -> list[Ranked]:
        if stop <= start:
            return []
        others = self.follow_ups.exclude(pk__in=[one.row.pk for one in self.wrong])
        keys = list(others.order_by("worker__name", "pk").values_list("pk", flat=True)[start:stop])
        found = {one.row.pk: one for one in ranked(FollowUp.objects.filter(pk__in=keys), at=self.at)}
        return [found[key] for key in keys]
