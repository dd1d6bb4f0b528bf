"""Entries and their bytes, stored a batch at a time.

PostgreSQL takes them as columns, in one statement each: a tenth of what as many objects cost. INSERT ... SELECT FROM
unnest is what its manual names for that ("Array Functions and Operators"); Django's ORM has no word for it.
"""

from collections.abc import Sequence
from typing import NamedTuple

from django.db import connection, models, transaction

from exposure.audit.models import SealedBytes, SealEntry

ENTRIES = (
    'INSERT INTO exposure_sealentry (sequence, model, "row", leaf_hash)'
    " SELECT * FROM unnest(%s::bigint[], %s::text[], %s::bigint[], %s::bytea[])"
)
BYTES = "INSERT INTO exposure_sealedbytes (entry_id, content) SELECT * FROM unnest(%s::bigint[], %s::bytea[])"


class Leaf(NamedTuple):
    """An entry with its exact bytes."""

    sequence: int
    model: str
    row: int
    leaf_hash: bytes
    content: bytes


def store(leaves: Sequence[Leaf]) -> None:
    """All of them or none. Raises IntegrityError where another sealer was faster."""
    with transaction.atomic():
        if connection.vendor == "postgresql":
            _as_columns(leaves)
        else:
            _as_rows(leaves)


def _as_columns(leaves: Sequence[Leaf]) -> None:
    if not leaves:
        return
    sequences, names, rows, hashes, contents = (list(column) for column in zip(*leaves, strict=True))
    with connection.cursor() as cursor:
        cursor.execute(ENTRIES, [sequences, names, rows, hashes])
        cursor.execute(BYTES, [sequences, contents])


def _as_rows(leaves: Sequence[Leaf]) -> None:
    entries = (SealEntry(*leaf[:-1]) for leaf in leaves)  # in the order of its fields
    models.QuerySet(SealEntry).bulk_create(entries)
    contents = (SealedBytes(entry_id=leaf.sequence, content=leaf.content) for leaf in leaves)
    models.QuerySet(SealedBytes).bulk_create(contents)
