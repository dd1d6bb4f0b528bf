"""A lawful purge: one person's rows and the bytes of their entries go, in one transaction; the hashes stay.

Run by the owner of the tables, on an order that two people have signed and that is sealed. Nothing else can delete:
the application's account may not, and the triggers that refuse it stand for everybody. The owner lifts them inside the
transaction that also writes what went, and puts them back before it ends: cut off anywhere, nothing has happened, and
the same command begins anew.

What names nobody stays (cases, events, replays), and so do the access log and accounts, whose names are those of the
authors of other people's records.
"""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from django.apps import apps
from django.db import connection, models, transaction
from django.db.models import Model
from django.db.models.fields.related import ForeignKey

from exposure.audit import heads, retention, triggers
from exposure.audit.belonging import belongs_to, model_named, recorded_models
from exposure.audit.history import SIGNED, entries_of_person
from exposure.audit.leaves import sources
from exposure.audit.models import Hold, Purge, PurgeOrder, SealedBytes, SealEntry
from exposure.people.models import Worker
from exposure.record import REMOVABLE, insert_many

BATCH = 900
# Gives up before the database would call it a deadlock and end a writer's transaction instead (after a second).
LOCK_TIMEOUT = "500ms"

Found = dict[type[Model], frozenset[int]]


@dataclass(frozen=True)
class Going:
    """What would go of one person: rows by table, the numbers of their entries, and what stands in the way, as codes
    of `retention.Kept`, `unsealed` or `elsewhere:MODEL` (a row of somebody else's record points to one of these)."""

    rows: Found
    leaves: list[int]
    in_the_way: tuple[str, ...]

    @property
    def counts(self) -> dict[str, int]:
        """Rows by model, versions by the name of their table's model."""
        return {model.__name__: len(keys) for model, keys in self.rows.items()}


def going(worker: Worker, *, at: datetime) -> Going:
    """The dry run: reads only."""
    people = entries_of_person(worker.uid)
    rows = _rows_about(people)
    leaves, missing = _leaves(rows)
    reasons = [*retention.kept(worker, at=at).in_the_way, *_pointing_in(rows)]
    return Going(rows, leaves, (*reasons, *(["unsealed"] if missing else [])))


def is_ready(order: PurgeOrder) -> bool:
    """Whether both signatures stand under a signed head, or under an entry where nobody signs heads."""
    if not order.agreed:
        return False
    newest = order.history.order_by("-history_id").values_list("pk", flat=True)[:1]
    entry = SealEntry.objects.filter(model=order.history.model._meta.model_name, row__in=list(newest)).first()
    head = heads.newest()
    return entry is not None and (head is None or entry.sequence < head.size)


def carry_out(order: PurgeOrder, worker: Worker, *, at: datetime) -> Purge | Going:
    """Purge one person of the order; returns what went, or what stands in the way. Raises OperationalError where the
    tables are busy, ProgrammingError where the account does not own them."""
    with transaction.atomic():
        now = going(worker, at=at)
        _lock(now.rows)
        now = going(worker, at=at)  # nobody adds to it any more, nor places a hold
        if now.in_the_way or not is_ready(order) or str(worker.uid) not in order.people:
            return now
        first_at, last_at = _dated(now.rows)
        uid = worker.uid
        with triggers.lifted([*now.rows, SealedBytes]):
            for model, keys in now.rows.items():
                _delete(model, "pk", keys)
            _delete(SealedBytes, "entry", now.leaves)
        purge = Purge(
            order=order,
            about=uid,
            counts=now.counts,
            first_at=first_at,
            last_at=last_at,
            leaves=ranges(now.leaves),
        )
        return insert_many(Purge, [purge])[0]


def ranges(numbers: Iterable[int]) -> list[list[int]]:
    """Whole numbers as [[first, last], ...], in order."""
    found: list[list[int]] = []
    for number in sorted(numbers):
        if found and number == found[-1][1] + 1:
            found[-1][1] = number
        else:
            found.append([number, number])
    return found


def _rows_about(people: frozenset[int]) -> Found:
    """Every row that belongs to one of these workers, and every version of those rows."""
    found: dict[type[Model], set[int]] = {}
    for model in apps.get_app_config("exposure").get_models():
        if model._meta.model_name.startswith("historical"):
            continue
        if (condition := belongs_to(model, "Worker", people)) is not None:
            found[model] = set(model._base_manager.filter(condition).values_list("pk", flat=True))
    signature = model_named("Signature")
    uids = {
        uid
        for model, keys in found.items()
        if model.__name__.lower() in SIGNED
        for uid in model._base_manager.filter(pk__in=keys).values_list("uid", flat=True)
    }
    subjects = [f"{kind}:{uid}" for kind in SIGNED for uid in uids]
    found[signature] = set(signature.objects.filter(subject__in=subjects).values_list("pk", flat=True))
    for model in recorded_models():
        if model in found:
            history = model.history.model
            found[history] = set(_versions(model, found[model], people))
    return {model: frozenset(keys) for model, keys in found.items() if keys}


def _versions(model: type[Model], live: set[int], people: frozenset[int]) -> Iterable[int]:
    """Of the rows that are there, and of those that were theirs and have been taken out since."""
    history = model.history.model
    yield from history.objects.filter(id__in=live).values_list("pk", flat=True)
    if model.__name__ in REMOVABLE:
        then = belongs_to(model, "Worker", people, key="id")
        taken_out = history.objects.filter(then).exclude(id__in=model._base_manager.values("pk"))
        yield from taken_out.values_list("pk", flat=True)


def _leaves(rows: Found) -> tuple[list[int], bool]:
    """The entries of these rows, and whether one has none yet."""
    leaves: list[int] = []
    wanted = 0
    for source in sources():
        keys = rows.get(source.model, frozenset())
        for part in _parts(keys):
            wanted += source.rows().filter(pk__in=part).count()
            entries = SealEntry.objects.filter(model=source.name, row__in=part)
            leaves += entries.values_list("sequence", flat=True)
    return sorted(leaves), len(leaves) < wanted


def _pointing_in(rows: Found) -> list[str]:
    """Rows of others that point to one of these: they would be left in the air."""
    found = []
    for model, keys in rows.items():
        for relation in model._meta.get_fields(include_hidden=True):
            field = getattr(relation, "field", None)
            if not (relation.auto_created and isinstance(field, ForeignKey) and field.db_constraint):
                continue
            other = field.model
            for part in _parts(keys):
                pointing = other._base_manager.filter(**{f"{field.name}__in": part})
                if set(pointing.values_list("pk", flat=True)) - rows.get(other, frozenset()):
                    found.append(f"elsewhere:{other.__name__}")
    return sorted(set(found))


def _dated(rows: Found) -> tuple[datetime, datetime]:
    """Between which instants all of it was recorded."""
    instants = [
        instant
        for source in sources()
        for part in _parts(rows.get(source.model, frozenset()))
        for instant in source.rows()
        .filter(pk__in=part)
        .aggregate(first=models.Min(source.dated), last=models.Max(source.dated))
        .values()
        if instant is not None
    ]
    return min(instants), max(instants)


def _lock(rows: Found) -> None:
    """Who writes to these tables waits, who reads does not."""
    if connection.vendor == "postgresql":
        triggers.lock([*rows, Hold, SealedBytes], timeout=LOCK_TIMEOUT)


def _delete(model: type[Model], column: str, keys: Iterable[int]) -> None:
    for part in _parts(keys):
        models.QuerySet(model).filter(**{f"{column}__in": part})._raw_delete(connection.alias)


def _parts(keys: Iterable[int]) -> Iterable[list[int]]:
    keys = sorted(keys)
    return (keys[start : start + BATCH] for start in range(0, len(keys), BATCH))


def total(counts: Iterable[dict[str, int]]) -> dict[str, int]:
    """Rows by model over several people, versions with what they are versions of."""
    found: Counter[str] = Counter()
    for one in counts:
        for name, count in one.items():
            found[name.removeprefix("Historical")] += count
    return dict(found)
