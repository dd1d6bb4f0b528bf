"""Instants as somebody writes them on the command line."""

from datetime import datetime

from django.core.management.base import CommandError


def instant(text: str) -> datetime:
    """ISO 8601 with an offset. Raises CommandError."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None:
        raise CommandError(f"--at {text} is no instant; write it like 2026-11-25T07:40:00+01:00.")
    return moment
