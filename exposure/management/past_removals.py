"""Some months of invented removals, so that a station has a record to look at."""

import random
from datetime import datetime, timedelta

from exposure.people.models import User
from exposure.places.models import Site, Step
from exposure.record import create_many
from exposure.report.models import Mark, Removal

DAYS = 180
PER_DAY = 4
SOMETHING_WRONG = 0.12
DRILLS = 0.05


def record_past_removals(site: Site, observer: User, *, at: datetime) -> None:
    """About four removals a day at the site's stations; some with a deviation. The same ones every time."""
    dice = random.Random(1976)
    stations = list(site.stations.prefetch_related("protocols"))
    removals = []
    for day in range(DAYS, 0, -1):
        for _count in range(dice.randint(PER_DAY - 2, PER_DAY + 2)):
            station = dice.choice(stations)
            started_at = at - timedelta(days=day, minutes=dice.randint(0, 600))
            removals.append(
                Removal(
                    site=site,
                    station=station,
                    protocol=dice.choice(list(station.protocols.all())),
                    observer=observer,
                    drill=dice.random() < DRILLS,
                    started_at=started_at,
                    finished_at=started_at + timedelta(minutes=dice.randint(12, 35)),
                )
            )
    steps: dict[int, list[Step]] = {}
    for step in Step.objects.prefetch_related("step_failures__failure"):
        if step.step_failures.all():
            steps.setdefault(step.protocol_id, []).append(step)
    create_many(Removal, removals)
    marks = []
    for removal in removals:
        if dice.random() < SOMETHING_WRONG:
            step = dice.choice(steps[removal.protocol_id])
            marked_at = removal.started_at + timedelta(minutes=5)
            failure = dice.choice(list(step.step_failures.all())).failure
            marks.append(
                Mark(
                    removal=removal,
                    step=step,
                    failure=failure,
                    marked_at=marked_at,
                    deviation_at=removal.finished_at,
                )
            )
    create_many(Mark, marks)
