"""Several statements that belong together, all answered as of one moment."""

from collections.abc import Iterator
from contextlib import contextmanager

from django.db import connection, transaction


@contextmanager
def one_moment() -> Iterator[None]:
    """All that is read inside is read as it stood at one moment, and nothing can be written. On PostgreSQL: SQLite's
    transactions are begun as writers, and whoever only reads waits for nobody. Inside another transaction: as that one
    reads."""
    if connection.vendor != "postgresql" or connection.in_atomic_block:
        yield
        return
    with transaction.atomic():
        with connection.cursor() as cursor:
            cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")
        yield
