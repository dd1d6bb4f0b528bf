"""When the database is locked, full or away: nothing was stored, and the same may succeed in a moment."""

import sqlite3

from django.db import InterfaceError, InternalError, OperationalError

RETRY_AFTER_SECONDS = 10
# PostgreSQL manual, appendix A: a server that takes no writes, one that has ended a transaction in which nothing
# happened, and limits that the same statement meets again.
READ_ONLY, IDLE_TOO_LONG, TOO_LARGE = "25006", "25P03", "54"


def is_outage(error: BaseException) -> bool:
    """Whether the database could not do its work, rather than refused what we asked of it. Deadlocks, time-outs and
    lost connections are outages; a statement that is wrong or too large for the database is our own fault."""
    state = getattr(error.__cause__, "sqlstate", None) or ""
    if isinstance(error, InternalError):
        return state in (READ_ONLY, IDLE_TOO_LONG)
    if not isinstance(error, OperationalError | InterfaceError) or state.startswith(TOO_LARGE):
        return False
    # SQLite names a wrong statement operational too; its primary result code is the low byte.
    code = getattr(error.__cause__, "sqlite_errorcode", None)
    return code is None or code & 0xFF != sqlite3.SQLITE_ERROR
