"""Versions of what the sign-in library keeps of an account: its addresses and second factors, without any secret.

A secret that was made anew leaves a version in which nothing else has changed. That a factor was used is a sign-in,
which the access log has; sessions are working state, and their beginnings and ends stand there too.
"""

from collections.abc import Iterable
from typing import Any

from allauth.account.managers import EmailAddressManager
from allauth.account.models import EmailAddress
from allauth.mfa.models import Authenticator, AuthenticatorManager
from django.db import models
from simple_history import register

from exposure.record import GuardedQuerySet, Versions

SECRETS = {"data"}
USES = {"last_used_at"}


class LibraryVersions(Versions):
    """As of any recorded model; being used is no change."""

    def post_save(
        self,
        instance: models.Model,
        created: bool,
        using: str | None = None,
        update_fields: Iterable[str] | None = None,
        **more: Any,
    ) -> None:
        if update_fields is None or set(update_fields) - USES:
            super().post_save(instance, created, using=using, **more)


class LibraryQuerySet(GuardedQuerySet):
    """Its rows may be taken away, one by one and each with a version; no write passes the history by."""

    delete = models.QuerySet.delete  # type: ignore[assignment]  # refused by the base


for _model, _manager in ((EmailAddress, EmailAddressManager), (Authenticator, AuthenticatorManager)):
    _hidden = sorted((SECRETS | USES) & {field.name for field in _model._meta.fields})
    register(_model, app="exposure.people", records_class=LibraryVersions, excluded_fields=_hidden)
    _manager._queryset_class = LibraryQuerySet
