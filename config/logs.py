"""What reaches the log, made fit for those who read logs: nothing that people typed (OWASP ASVS 5.0, 16.2.5).

An exception's own words may quote a row, a recipient or a field, and a database's always do; an address may carry the
secret of a link. So of an exception the log says what it was and where it arose, and of such an address that it had
one.
"""

import logging
import traceback
from types import TracebackType

from exposure.web.secret_links import without_secrets

Raised = tuple[type[BaseException], BaseException, TracebackType | None] | tuple[None, None, None]


class Discreet(logging.Formatter):
    """Messages without the secrets of links; exceptions by their kind and where they arose, without their own words."""

    def format(self, record: logging.LogRecord) -> str:
        record.exc_text = None  # another handler may have written the words down already
        text = without_secrets(super().format(record))
        record.exc_text = None
        return text

    def formatException(self, ei: Raised) -> str:
        lines, error = [], ei[1]
        while error is not None:
            lines += [
                f"{type(error).__module__}.{type(error).__qualname__}, from the innermost call outwards:"
            ]
            calls = traceback.extract_tb(error.__traceback__)
            lines += [f"  {call.filename}:{call.lineno} {call.name}" for call in reversed(calls)]
            error = error.__cause__ or (None if error.__suppress_context__ else error.__context__)
        return "\n".join(lines)
