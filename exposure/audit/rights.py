"""What the application's own database account may do to each table, read from the models.

Whatever was written once may be read and added to; what is recorded may be changed, and taken away only where the
design takes it away. A table of a library stands here by name, so that a new one waits until somebody has decided.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from django.apps import apps
from django.db.models import Model

from exposure.audit.belonging import WITHDRAWN, recorded_models, withdrawable
from exposure.audit.triggers import append_only_models
from exposure.record import REMOVABLE

MIGRATIONS = "django_migrations"  # has no model


@dataclass(frozen=True)
class Rights:
    """Beside reading, which is always allowed. `update` names columns."""

    insert: bool = False
    update: frozenset[str] = frozenset()
    delete: bool = False


READ = Rights()
ADD = Rights(insert=True)
BY_THE_OWNER = frozenset({"Purge"})  # what went says who deleted it, and that is the owner of the tables
# Working state that is taken away when it has served.
TAKEN_AWAY = frozenset({"Planned", "ReportDraft"})
# Of the libraries: None is whatever may be done to rows.
LIBRARY: dict[str, Rights | None] = {
    "account.EmailAddress": None,
    "account.EmailConfirmation": None,  # goes with its address
    "admin.LogEntry": ADD,
    "auth.Group": READ,
    "auth.Group_permissions": READ,
    "auth.Permission": READ,
    "contenttypes.ContentType": READ,
    "mfa.Authenticator": None,
    "sessions.Session": None,
    "usersessions.UserSession": None,
}


def rights() -> dict[str, Rights]:
    """Table -> what the application may do. Raises LookupError for a table that nobody has decided about."""
    found = {MIGRATIONS: READ}
    for model in apps.get_models(include_auto_created=True):
        if model._meta.managed and not model._meta.proxy:
            found[model._meta.db_table] = _of(model)
    return found


def _of(model: type[Model]) -> Rights:
    if model.__name__ in BY_THE_OWNER:
        return READ
    if model in append_only_models():
        return Rights(insert=True, update=frozenset({WITHDRAWN} if withdrawable(model) else ()))
    name = model.__name__
    if model._meta.app_label == "exposure":
        recorded = model in recorded_models()
        return Rights(True, _columns(model), name in REMOVABLE if recorded else name in TAKEN_AWAY)
    if model._meta.label not in LIBRARY:
        raise LookupError(f"{model._meta.label} has no line in exposure.audit.rights.LIBRARY.")
    return LIBRARY[model._meta.label] or Rights(True, _columns(model), True)


def _columns(model: type[Model]) -> frozenset[str]:
    """A key never changes."""
    return frozenset(field.column for field in model._meta.concrete_fields if not field.primary_key)


def differences(held: dict[str, Rights], wanted: dict[str, Rights]) -> tuple[list[str], list[str]]:
    """What an account may do and should not, and what it may not and should: each as `verb table`."""
    beyond: list[str] = []
    missing: list[str] = []
    for table in sorted(held.keys() | wanted.keys()):
        has, should = (set(_words(rights.get(table), table)) for rights in (held, wanted))
        beyond += sorted(has - should)
        missing += sorted(should - has)
    return beyond, missing


def _words(one: Rights | None, table: str) -> Iterable[str]:
    if one is None:
        return
    yield f"read {table}"
    if one.insert:
        yield f"add to {table}"
    if one.delete:
        yield f"delete from {table}"
    yield from (f"change {table}.{column}" for column in one.update)
