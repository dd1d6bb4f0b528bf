"""Live rows against their newest version: a write that passed the history by shows here."""

from collections.abc import Iterable, Iterator

from django.db.models import Exists, Max, Model, OuterRef
from django.utils.translation import gettext as _

from exposure.audit.belonging import recorded_models
from exposure.audit.leaves import read_rows

BATCH = 1_000
LOOKS = 3  # at what does not fit: it may be written just now


def unlike_their_versions(only: Iterable[type[Model]] | None = None) -> Iterator[str]:
    """One sentence per live row that is not as its newest version has it, of all models or of those; three statements
    per batch and model."""
    for model in recorded_models() if only is None else only:
        last = 0
        while keys := _keys_after(model, last):
            yield from _unlike(model, keys)
            last = keys[-1]
        yield from _gone(model)


def _keys_after(model: type[Model], last: int) -> list[int]:
    rows = model._base_manager.filter(pk__gt=last).order_by("pk")
    return list(rows.values_list("pk", flat=True)[:BATCH])


def _unlike(model: type[Model], keys: list[int]) -> Iterator[str]:
    wrong: dict[int, str] = {}
    for _look in range(LOOKS):
        wrong = dict(_compared(model, keys))
        if not wrong:
            return
        keys = list(wrong)
    for key, what in wrong.items():
        yield f"{model.__name__} {key}: {what}"


def _compared(model: type[Model], keys: list[int]) -> Iterator[tuple[int, str]]:
    history = model.history.model
    columns = [field.attname for field in history.tracked_fields]
    live = read_rows(model._base_manager.all(), "pk", keys, columns)
    newest = history.objects.filter(id__in=keys).order_by().values("id").annotate(newest=Max("history_id"))
    newest_of = {row["id"]: row["newest"] for row in newest}
    versions = read_rows(history.objects.all(), "pk", newest_of.values(), [*columns, "history_type"])
    for key in keys:
        fields, version = live.get(key), versions.get(newest_of.get(key, 0))
        if fields is None:
            yield key, _("it is gone since, or cannot be read.")
        elif version is None:
            yield key, _("it has no version: it was written past the history.")
        elif version["history_type"] == "-":
            yield key, _("its newest version says that it was deleted, and it is there.")
        elif other := [name for name in columns if fields[name] != version[name]]:
            yield key, _("not as its newest version has it: %(fields)s.") % {"fields": ", ".join(other)}


def _gone(model: type[Model]) -> Iterator[str]:
    history = model.history.model
    later = history.objects.filter(id=OuterRef("id"), history_id__gt=OuterRef("history_id"))
    live = model._base_manager.filter(pk=OuterRef("id"))
    gone = history.objects.filter(~Exists(later), ~Exists(live)).exclude(history_type="-").order_by("id")
    for key in gone.values_list("id", flat=True):
        yield f"{model.__name__} {key}: " + _("it is gone, and no version says that it was deleted.")
