"""Who did what, when and why: the acting context and the bases of everything that is stored.

A model is either `Recorded` (it may change; each change leaves a version in its history table) or `InsertOnly`
(it never changes; the row itself says who wrote it). Neither can be written outside `acting`. Bulk writes go
through `create_many`, `update_many` and `insert_many`, because a queryset's own bulk methods leave no history.
"""

import uuid
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import datetime
from typing import Any, NoReturn, TypeVar

from django.db import models, transaction
from django.dispatch import receiver
from simple_history.models import HistoricalRecords
from simple_history.signals import pre_create_historical_record

ModelT = TypeVar("ModelT", bound=models.Model)


# What is configured and may be taken away again; everything else that is recorded stays for good.
REMOVABLE = frozenset({"SiteWindow", "StationProtocol", "StepFailure", "WorkerWindow"})


class NotActing(RuntimeError):
    """A recorded row was written outside `acting(...)`: nobody would be named in its history."""


class RemovalRefused(TypeError):
    """What is recorded is never deleted: it is ended, withdrawn or corrected."""


class BulkWriteRefused(TypeError):
    """A queryset's bulk write would leave no history: use the helpers of exposure.record."""


@dataclass(frozen=True)
class Acting:
    """One operation: `actor` is user:ID, device:ID, task:NAME or command:NAME; `at` is an aware instant."""

    actor: str
    origin: str
    reason: str
    at: datetime


_acting: ContextVar[Acting | None] = ContextVar("acting", default=None)


@contextmanager
def acting(actor: str, origin: str, reason: str = "", *, at: datetime) -> Iterator[Acting]:
    """Name who writes, from where, why and when, for all writes inside. Nested: the inner one holds."""
    if at.tzinfo is None:
        raise ValueError("acting(at=...) needs an aware instant.")
    context = Acting(actor, origin, reason, at)
    token = _acting.set(context)
    try:
        yield context
    finally:
        _acting.reset(token)


@contextmanager
def because(reason: str) -> Iterator[Acting]:
    """The same operation, with its reason in words."""
    now = current()
    with acting(now.actor, now.origin, reason, at=now.at) as context:
        yield context


def current() -> Acting:
    """The operation under way. Raises NotActing outside of one."""
    context = _acting.get()
    if context is None:
        raise NotActing("Open exposure.record.acting(actor, origin, reason, at=...) around this write.")
    return context


class Provenance(models.Model):
    """What each version carries beyond simple-history's own columns."""

    origin = models.CharField(max_length=200)

    class Meta:
        abstract = True


class Versions(HistoricalRecords):
    """django-simple-history with our actor: text, so that no deleted account can blank it."""

    def __init__(self, **options: Any) -> None:
        super().__init__(
            inherit=True,
            bases=(Provenance,),
            history_id_field=models.BigAutoField(primary_key=True),
            history_change_reason_field=models.TextField(blank=True, default=""),
            history_user_id_field=models.CharField(max_length=100, db_index=True),
            history_user_getter=lambda version: version.history_user_id,
            history_user_setter=_set_actor,
            **options,
        )

    def fields_included(self, model: Any) -> list[models.Field]:
        """Without what a recorded model names as working state beside its record: `UNVERSIONED`."""
        left_out = getattr(model, "UNVERSIONED", ())
        return [field for field in super().fields_included(model) if field.name not in left_out]

    def get_history_user(self, instance: models.Model) -> str:
        return current().actor

    def get_change_reason_for_object(
        self, instance: models.Model, history_type: str, using: str | None
    ) -> str:
        return current().reason


def _set_actor(version: Any, actor: str) -> None:
    version.history_user_id = actor


@receiver(pre_create_historical_record)
def _stamp_version(history_instance: Any, **_: Any) -> None:
    """The one history hook: the version is dated by the operation, not by the moment of the write."""
    context = current()
    history_instance.origin = context.origin
    history_instance.history_date = context.at


class GuardedQuerySet(models.QuerySet):
    """Reads as any queryset does; its bulk writes are refused."""

    def _refuse(self, *args: Any, **kwargs: Any) -> NoReturn:
        raise BulkWriteRefused(f"{self.model.__name__}: bulk writes leave no history; use exposure.record.")

    update = bulk_create = bulk_update = delete = _refuse


class Identified(models.Model):
    """`uid` is the only id in addresses, the API and exports."""

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)

    objects = models.Manager.from_queryset(GuardedQuerySet)()

    class Meta:
        abstract = True


class Recorded(Identified):
    """A row that may change; every change is a version in its history."""

    history = Versions()

    class Meta:
        abstract = True

    def delete(self, *args: Any, **kwargs: Any) -> tuple[int, dict[str, int]]:
        if type(self).__name__ not in REMOVABLE:
            raise RemovalRefused(f"{type(self).__name__} rows are recorded and stay: end or correct them.")
        return super().delete(*args, **kwargs)


class InsertOnly(Identified):
    """A row that is written once and names its writer. `recorded_at` is UTC."""

    recorded_at = models.DateTimeField(editable=False)
    recorded_by = models.CharField(max_length=100, editable=False)
    origin = models.CharField(max_length=200, editable=False)

    class Meta:
        abstract = True

    def save(self, *args: Any, **kwargs: Any) -> None:
        if not self._state.adding:
            raise BulkWriteRefused(f"{type(self).__name__} rows are written once.")
        _stamp_row(self)
        super().save(*args, **kwargs)

    def delete(self, *args: Any, **kwargs: Any) -> NoReturn:
        raise BulkWriteRefused(f"{type(self).__name__} rows are never deleted.")


def _stamp_row(row: Any) -> None:
    context = current()
    row.recorded_at, row.recorded_by, row.origin = context.at, context.actor, context.origin


def create_many(
    model: type[ModelT], rows: Iterable[ModelT], *, ignore_conflicts: bool = False
) -> list[ModelT]:
    """Insert rows of a recorded model and the first version of each, in one transaction. With `ignore_conflicts` a row
    that would break a constraint of uniqueness is left out; returned are those that were stored."""
    context = current()
    rows = list(rows)
    with transaction.atomic():
        created = models.QuerySet(model).bulk_create(rows, ignore_conflicts=ignore_conflicts)
        if ignore_conflicts and rows:  # the database does not say which of them it took
            created = list(models.QuerySet(model).filter(uid__in=[row.uid for row in rows]))
        _write_versions(model, created, context, update=False)
    return created


def update_many(model: type[ModelT], rows: Sequence[ModelT], fields: Sequence[str]) -> None:
    """Write the named fields of rows of a recorded model and a version of each, in one transaction."""
    context = current()
    with transaction.atomic():
        models.QuerySet(model).bulk_update(list(rows), fields)  # a guarded one would refuse its own update
        _write_versions(model, rows, context, update=True)


def remove(row: Recorded) -> None:
    """Take away one row of what is configured; its versions stay, the last one saying that it went."""
    current()
    row.delete()


def insert_many(
    model: type[ModelT], rows: Iterable[ModelT], *, ignore_conflicts: bool = False
) -> list[ModelT]:
    """Insert rows of an insert-only model; with `ignore_conflicts` a row that stands already is left as it is."""
    rows = list(rows)
    for row in rows:
        _stamp_row(row)
    return models.QuerySet(model).bulk_create(rows, ignore_conflicts=ignore_conflicts)


def mark_withdrawn(queryset: models.QuerySet, *, at: datetime) -> int:
    """Set `withdrawn_at`, the one column of checks and their reminder instants that may be set later."""
    current()
    return models.QuerySet.update(queryset.filter(withdrawn_at=None), withdrawn_at=at)


def update_unversioned(queryset: models.QuerySet, **values: Any) -> int:
    """Set columns that no version holds: working state beside what is recorded."""
    recorded = {field.name for field in queryset.model.history.model.tracked_fields} & set(values)
    if recorded:
        raise BulkWriteRefused(f"Recorded, so this would leave no version: {', '.join(sorted(recorded))}.")
    return models.QuerySet.update(queryset, **values)


def _write_versions(model: Any, rows: Sequence[Any], context: Acting, *, update: bool) -> None:
    model.history.bulk_history_create(
        rows,
        update=update,
        default_user=context.actor,
        default_change_reason=context.reason,
        default_date=context.at,
        custom_historical_attrs={"origin": context.origin},
    )
