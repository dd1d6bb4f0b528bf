"""System checks of the configuration, numbered so that an operator can look them up in DEVELOPERS.md."""

from typing import Any

from django.conf import settings
from django.core.checks import CheckMessage, Error, Tags, Warning, register


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
    """W002: behind a proxy that is not trusted, all clients are one to limits and history."""
    if settings.LOCAL_USE or settings.TRUSTED_PROXIES:
        return []
    return [
        Warning(
            "Without TRUSTED_PROXIES limits and history take the proxy in front for the client.",
            hint="Set TRUSTED_PROXIES to the address or network of the proxy with TLS.",
            id="exposure.W002",
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
