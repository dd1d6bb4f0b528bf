"""System checks of the configuration, numbered so that an operator can look them up in DEVELOPERS.md."""

import logging
from collections.abc import Sequence
from typing import Any

from django.conf import settings
from django.core.checks import CheckMessage, Error, Tags, Warning, register
from django.db import DatabaseError, connections

from exposure.audit import accounts
from exposure.audit.rights import differences, rights
from exposure.classify import versions
from exposure.classify.models import CriteriaVersion

log = logging.getLogger(__name__)


@register(Tags.security, deploy=True)
def shared_cache(app_configs: Any, **kwargs: Any) -> list[CheckMessage]:
    """W001: limits on sign-in attempts live in the cache, which must be one for all web processes."""
    if settings.LOCAL_USE or settings.REDIS_URL:
        return []
    return [
        Warning(
            "Without REDIS_URL each web process counts sign-in attempts for itself.",
            hint="Set REDIS_URL, or run a single web process.",
            id="exposure.W001",
        )
    ]


@register(Tags.security, deploy=True)
def trusted_proxies(app_configs: Any, **kwargs: Any) -> list[CheckMessage]:
    """W003: behind a proxy that is not trusted, all clients are one to limits and history."""
    if settings.LOCAL_USE or settings.TRUSTED_PROXIES:
        return []
    return [
        Warning(
            "Without TRUSTED_PROXIES limits and history take the proxy in front for the client.",
            hint="Set TRUSTED_PROXIES to the address or network of the proxy with TLS.",
            id="exposure.W003",
        )
    ]


@register(Tags.security, deploy=True)
def seal_key(app_configs: Any, **kwargs: Any) -> list[CheckMessage]:
    """W004: without a key the history is sealed, and nobody can prove outside the database what it was."""
    if settings.SEAL_KEY or settings.LOCAL_SEAL_KEY:
        return []
    return [
        Warning(
            "Without SEAL_KEY no head of the seals is signed: whoever owns the database could rewrite the history.",
            hint="Set SEAL_KEY_FILE to a file with an Ed25519 key: openssl genpkey -algorithm ed25519.",
            id="exposure.W004",
        )
    ]


@register(Tags.security, deploy=True)
def report_key(app_configs: Any, **kwargs: Any) -> list[CheckMessage]:
    """W007: without a key a station's tablet can keep no report for later."""
    if settings.REPORT_KEYS:
        return []
    return [
        Warning(
            "Without REPORT_KEY a station's tablet keeps no report while it has no network.",
            hint="Set REPORT_KEY_FILE to a P-256 key: openssl ecparam -name prime256v1 -genkey -noout.",
            id="exposure.W007",
        )
    ]


@register(Tags.security)
def sender_address(app_configs: Any, **kwargs: Any) -> list[CheckMessage]:
    """E001: reminders from localhost are refused by mail servers."""
    if settings.LOCAL_USE or not settings.DEFAULT_FROM_EMAIL.endswith("@localhost"):
        return []
    return [
        Error(
            "Reminders would come from an address at localhost, which mail servers refuse.",
            hint="Set EMAIL_FROM to an address of yours.",
            id="exposure.E001",
        )
    ]


@register(Tags.database)
def adopted_criteria(
    app_configs: Any, databases: Sequence[str] | None = None, **kwargs: Any
) -> list[CheckMessage]:
    """W002: reports under a version that cannot be read are kept and not assessed. Asked of a database that is named,
    as `check --database default` and `migrate` do; one without the table yet has nothing to say."""
    if "default" not in (databases or ()):
        return []
    try:
        connection = connections["default"]
        if CriteriaVersion._meta.db_table not in connection.introspection.table_names():
            return []
        unusable = versions.unusable()
    except DatabaseError:  # away, or before a migration that this release needs: migrate says so itself
        return []
    return [
        Warning(
            f"Sites work with criteria that cannot be used, {version}: {why}",
            hint="Reports under them are kept and not assessed. Correct the text in a new draft and have it approved.",
            obj=version,
            id="exposure.W002",
        )
        for version, why in unusable
    ]


@register(Tags.database, deploy=True)
def database_account(
    app_configs: Any, databases: Sequence[str] | None = None, **kwargs: Any
) -> list[CheckMessage]:
    """W005, W006: asked as web and workers sign in (`check --deploy --database default`), of PostgreSQL."""
    if "default" not in (databases or ()) or connections["default"].vendor != "postgresql":
        return []
    try:
        power = accounts.power()
        beyond, missing = differences(accounts.held(), rights())
    except DatabaseError:
        return []
    found: list[CheckMessage] = []
    if power or beyond:
        found.append(
            Warning(
                f"This database account could rewrite the history: {power or _few(beyond)}.",
                hint="Let web and workers sign in as an account that owns nothing: manage.py grant --application NAME.",
                id="exposure.W005",
            )
        )
    if missing:
        found.append(
            Warning(
                f"This database account may not do what the service needs: {_few(missing)}.",
                hint="Run manage.py grant as the owner, after each migrate.",
                id="exposure.W006",
            )
        )
    return found


def _few(words: Sequence[str]) -> str:
    return ", ".join(words[:3]) + (f" and {len(words) - 3} more" if len(words) > 3 else "")


def say_unusable(sender: Any, using: str, verbosity: int, **kwargs: Any) -> None:
    """Receiver of post_migrate: what W002 says, of the tables as they are now."""
    if using == "default":
        for message in adopted_criteria(None, databases=[using]):
            log.warning("%s %s", message.msg, message.hint)
