"""Which models leave a history, and to whom their rows belong: read from the models themselves.

The audit knows no step of the pipeline by name, so that a new model is in the history on the day it is added.
"""

from collections.abc import Iterable
from functools import cache

from django.apps import apps
from django.db.models import Field, ForeignKey, Model, Q

from exposure.record import InsertOnly

WITHDRAWN = "withdrawn_at"


def model_named(name: str) -> type[Model]:
    return apps.get_model("exposure", name)


def recorded_models() -> list[type[Model]]:
    """Models whose rows change and have versions; the sign-in library's too."""
    return [model for model in apps.get_models() if hasattr(model._meta, "simple_history_manager_attribute")]


def written_once_models() -> list[type[Model]]:
    return [model for model in apps.get_app_config("exposure").get_models() if issubclass(model, InsertOnly)]


def withdrawable(model: type[Model]) -> bool:
    """Whether rows that are written once may be withdrawn later."""
    return issubclass(model, InsertOnly) and any(field.name == WITHDRAWN for field in model._meta.fields)


def belongs_to(model: type[Model], owner: str, keys: Iterable[int], *, key: str = "pk") -> Q | None:
    """The rows of `model` that belong to one of the owners with those primary keys; None where none ever can.

    `key` is what the model's own primary key is called: `id` in a history table.
    """
    condition = Q()
    for path in routes(model, owner):
        condition |= Q(**{f"{path or key}__in": keys})
    return condition or None


def belongs_to_nobody(model: type[Model], owner: str) -> Q:
    """The rows of `model` that could belong to an owner but do not."""
    return Q(**{path: None for path in routes(model, owner) if path})


@cache
def routes(model: type[Model], owner: str, passed: frozenset[str] = frozenset()) -> tuple[str, ...]:
    """Look-up paths from a model to its owner. A foreign key that is always set decides; else each that may be."""
    if model.__name__ == owner:
        return ("",)
    passed |= {model.__name__}
    found: dict[Field, tuple[str, ...]] = {}
    for field in model._meta.concrete_fields:
        if isinstance(field, ForeignKey) and field.related_model.__name__ not in passed:
            onward = routes(field.related_model, owner, passed)
            found[field] = tuple(f"{field.name}__{path}".removesuffix("__") for path in onward)
    always = [paths for field, paths in found.items() if paths and not field.null]
    if always:
        return min(always, key=lambda paths: (len(paths), max(path.count("__") for path in paths)))
    return tuple(path for paths in found.values() for path in paths)
