"""The only reader of the wall clock. An operation reads it once, at the edge, and hands the instant on."""

from datetime import UTC, datetime


def now() -> datetime:
    """This instant, aware, in UTC."""
    return datetime.now(UTC)
