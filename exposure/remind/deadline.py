"""How long a gateway may take for one message, whatever it drips.

A time-out of a socket starts anew with every byte. This one does not: the system's timer interrupts whatever waits, so
that one message is done with after so many seconds, connection and all. Only in a process's main thread, where Python
runs its signal handlers: that of the sending process, or of a queue worker's child.
"""

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

AGAIN_EVERY = 2.0  # seconds, for whoever swallowed the first


@contextmanager
def deadline(seconds: float) -> Iterator[None]:
    """Raises TimeoutError inside once so many seconds have passed. Raises ValueError outside the main thread."""
    before = signal.signal(signal.SIGALRM, _over)
    signal.setitimer(signal.ITIMER_REAL, seconds, AGAIN_EVERY)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


def _over(number: int, frame: FrameType | None) -> None:
    raise TimeoutError("The gateway took too long.")
