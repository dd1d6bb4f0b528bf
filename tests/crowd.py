"""Many people at once: whoever has the same story as somebody whose story went through the pipeline."""

from typing import Any

from django.db.models import ForeignKey, Model

from exposure.attend.models import Alert, AlertEntry, Promise
from exposure.classify.models import Assessment
from exposure.followup.models import Check, Exposure, Fill, FollowUp, FollowUpState, Reading, Restriction
from exposure.people.models import Worker
from exposure.record import InsertOnly, create_many, insert_many
from exposure.report.models import Breach, Told

# What a story is made of; each part points to one before it.
PARTS: tuple[type[Model], ...] = (
    Breach, Told, Assessment, FollowUp, FollowUpState, Exposure, Restriction, Check, Reading, Fill, Alert,
    Promise, AlertEntry,
)  # fmt: skip
Copies = dict[tuple[type[Model], int], list[Any]]  # a row of the story -> its copies, one per person


def people_like(worker: Worker, count: int, parts: tuple[type[Model], ...] = PARTS) -> list[Worker]:
    """So many more people with this worker's story, each on the list under a number of their own. Inside `acting`."""
    before = Worker.objects.count()
    numbers = range(before, before + count)
    people = [
        Worker(site=worker.site, number=f"CROWD-{n}", name=f"{worker.name} {n}", phone=worker.phone)
        for n in numbers
    ]
    copies: Copies = {(Worker, worker.pk): create_many(Worker, people)}
    for part in parts:
        write = insert_many if issubclass(part, InsertOnly) else create_many
        rows = [row for row in part.objects.all() if _parents(row, copies)]
        made = write(part, [_copy(row, copies, place) for row in rows for place in range(count)])
        for at, row in enumerate(rows):
            copies[part, row.pk] = made[at * count : (at + 1) * count]
    return people


def _parents(row: Model, copies: Copies) -> dict[str, list[Any]]:
    """Column -> the copies of the row that it points to."""
    links = [field for field in row._meta.concrete_fields if isinstance(field, ForeignKey)]
    keys = {field.attname: (field.related_model, getattr(row, field.attname)) for field in links}
    return {column: copies[key] for column, key in keys.items() if key in copies}


def _copy(row: Model, copies: Copies, place: int) -> Model:
    own = [field for field in row._meta.concrete_fields if not field.primary_key and field.name != "uid"]
    values = {field.attname: getattr(row, field.attname) for field in own}
    return type(row)(**values | {column: rows[place].pk for column, rows in _parents(row, copies).items()})
