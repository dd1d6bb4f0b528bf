"""The only reader of the clocks. An operation reads the wall clock once, at the edge, and hands the instant on."""

import time
from datetime import UTC, datetime

# Linux: runs on while the machine sleeps, so that sleep is no jump of the wall clock.
_RUNNING = getattr(time, "CLOCK_BOOTTIME", None)


def now() -> datetime:
    """This instant, aware, in UTC."""
    return datetime.now(UTC)


def running() -> float:
    """Seconds since some moment before this process began, by a clock that nobody can set."""
    return time.monotonic() if _RUNNING is None else time.clock_gettime(_RUNNING)
