"""Which entries are in doubt, asked of PostgreSQL a table at a time: their bytes against the rows that they stand for.

The database writes each row as `leaves` would and compares; what it calls unlike is read and judged in Python, so it
may say so of too many (a number that no double holds, a column added since), never of too few. That the bytes are
those that were sealed is not asked here: `verification` hashes them itself. Rows are what is in doubt; a server that
lied in comparing them could as well lie when it hands them out.

Nothing that somebody planted answers: while it is asked, names mean what is in pg_catalog alone, and a column whose
type the database did not come with is left to Python.
"""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any, NamedTuple

from django.db import DataError, connection, transaction
from django.db.backends.utils import CursorWrapper

from exposure.audit.leaves import Source, sources
from exposure.audit.models import SealedBytes, SealEntry

STRETCH = 20_000  # entries read by one statement, with their bytes some 12 MB
BEFORE_ANY = -(2**63)
MOST_ARGUMENTS = 90  # of a function of PostgreSQL: 100
FIRST_OID_OF_ONES_OWN = 16_384  # FirstNormalObjectId: the types below came with the database
ENTRIES, BYTES = (model._meta.db_table for model in (SealEntry, SealedBytes))

# A column as the JSON of its leaf, by its type. An instant out of Python's reach is like no leaf's.
AS_IT_IS = "coalesce(to_json({0})::text, 'null')"
INSTANT = (
    "CASE WHEN {0} >= '0001-01-01 00:00:00+00' AND {0} < '10000-01-01 00:00:00+00'"
    r""" THEN to_char({0} AT TIME ZONE 'UTC', '\"YYYY-MM-DD"T"HH24:MI:SS.US"Z"\"')"""
    f" ELSE {AS_IT_IS} END"
)
FORMS = {
    **dict.fromkeys(("bool", "int2", "int4", "int8", "text", "varchar", "uuid", "date", "time"), AS_IT_IS),
    "timestamptz": INSTANT,
    "numeric": "coalesce(to_json(trim_scale({0})::text)::text, 'null')",
    "jsonb": "coalesce({0}::text, 'null')",
}
# First byte by byte, which is quick. What remains (JSON, whose spelling is the database's own, and rows from before a
# column was added or dropped) value by value, over the fields that both name. OFFSET 0 keeps the two apart.
UNLIKE = """
SELECT sequence
  FROM (SELECT e.sequence, b.content, {leaf} AS leaf, t.{key} IS NULL AS gone,
               e.sequence >= %(late_until)s AND t.{dated} < {after} AS late
          FROM {entries} e
          LEFT JOIN {bytes} b ON b.entry_id = e.sequence
          LEFT JOIN {table} t ON t.{key} = e."row"{only}
         WHERE e.model = %(model)s AND e.sequence < %(size)s
           AND (t.{key} IS NULL OR b.content IS DISTINCT FROM convert_to({leaf}, 'UTF8')
                OR e.sequence >= %(late_until)s AND t.{dated} < {after})
        OFFSET 0) other
 WHERE gone OR late OR (
       SELECT sealed - 'fields' = own - 'fields' AND jsonb_typeof(sealed -> 'fields') = 'object' AND NOT EXISTS (
                SELECT FROM jsonb_each(sealed -> 'fields') one
                 WHERE own -> 'fields' -> one.key IS NOT NULL AND own -> 'fields' -> one.key <> one.value)
         FROM (SELECT convert_from(content, 'UTF8')::jsonb AS sealed, leaf::jsonb AS own) both_of_them
       ) IS NOT TRUE
"""
# Literals, read once; what the planner had to work out would keep it from using more than one process.
AFTER = "(%(instants)s::timestamptz[])[width_bucket(e.sequence, %(sizes)s::bigint[])]"
OF_A_MODEL = "SELECT sequence FROM {entries} WHERE model = %s AND sequence < %s"
OF_NO_MODEL = "SELECT sequence FROM {entries} WHERE model <> ALL (%s) AND sequence < %s"


Stored = tuple[
    int, bytes, bytes | None
]  # an entry's sequence, its hash and its bytes: plain, there are millions


class Lateness(NamedTuple):
    """From `sizes[i]` entries on (ascending), what is dated before `instants[i]` (RFC 3339) was added late; entries
    below `late_until` may be."""

    sizes: Sequence[int]
    instants: Sequence[str]
    late_until: int

    def as_literals(self) -> dict[str, str | int]:
        sizes, instants = (",".join(map(str, values)) for values in (self.sizes, self.instants))
        return {"sizes": f"{{{sizes}}}", "instants": f"{{{instants}}}", "late_until": self.late_until}


def doubtful(size: int, lateness: Lateness) -> set[int]:
    """The numbers of the entries below `size` that Python must look at. What of them is gone lawfully is among them."""
    found: set[int] = set()
    with transaction.atomic(), connection.cursor() as cursor, _pinned(cursor) as schema:
        types = _types(cursor, schema)
        every = sources()
        for source in every:
            found |= _of(cursor, schema, source, types, size, lateness)
        cursor.execute(_named(OF_NO_MODEL, schema), [[source.name for source in every], size])
        found.update(sequence for (sequence,) in cursor)
    return found


def stretches(size: int) -> Iterator[list[Stored]]:
    """All entries below `size` in their order, with their bytes."""
    statement = (
        f"COPY (SELECT e.sequence, e.leaf_hash, b.content FROM {ENTRIES} e LEFT JOIN {BYTES} b"
        " ON b.entry_id = e.sequence AND b.entry_id > %s WHERE e.sequence > %s AND e.sequence < %s"
        " ORDER BY e.sequence LIMIT %s) TO STDOUT (FORMAT binary)"
    )
    last = BEFORE_ANY
    while True:
        asked = [last, last, size, STRETCH]
        with (
            connection.cursor() as cursor,
            connection.wrap_database_errors,
            cursor.copy(statement, asked) as copy,
        ):
            copy.set_types(["int8", "bytea", "bytea"])
            stretch: list[Stored] = list(copy.rows())
        if not stretch:
            return
        yield stretch
        last = stretch[-1][0]


@contextmanager
def _pinned(cursor: CursorWrapper) -> Iterator[str]:
    """Functions and operators mean those of pg_catalog alone; yields the schema of our tables."""
    cursor.execute(
        "SELECT relnamespace::pg_catalog.regnamespace::pg_catalog.text FROM pg_catalog.pg_class"
        " WHERE oid OPERATOR(pg_catalog.=) pg_catalog.to_regclass(%s)",
        [ENTRIES],
    )
    (schema,) = cursor.fetchone()  # quoted where it must be
    cursor.execute("SELECT pg_catalog.current_setting('search_path'), pg_catalog.current_setting('jit')")
    path, jit = cursor.fetchone()
    cursor.execute("SET LOCAL search_path = pg_catalog, pg_temp")
    cursor.execute("SET LOCAL jit = off")  # compiling costs more than it saves here
    yield schema
    cursor.execute("SELECT set_config('jit', %s, true), set_config('search_path', %s, true)", [jit, path])


def _types(cursor: CursorWrapper, schema: str) -> dict[tuple[str, str], str]:
    """(table, column) -> the name of its type, of those that the database came with."""
    cursor.execute(
        "SELECT c.relname, a.attname, y.typname FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid"
        " JOIN pg_type y ON y.oid = a.atttypid WHERE c.relnamespace = %s::regnamespace AND c.relkind IN ('r', 'p')"
        " AND a.attnum > 0 AND NOT a.attisdropped AND y.oid < %s",
        [schema, FIRST_OID_OF_ONES_OWN],
    )
    return {(table, column): name for table, column, name in cursor}


def _of(
    cursor: CursorWrapper, schema: str, source: Source, types: Any, size: int, lateness: Lateness
) -> set[int]:
    """Those of one table; all of them where the database cannot say."""
    leaf = _leaf(source, types)
    if leaf is not None:
        parameters = {"model": source.name, "size": size, **lateness.as_literals()}
        try:
            with transaction.atomic():
                cursor.execute(_unlike(source, schema, leaf), parameters)
                return {sequence for (sequence,) in cursor}
        except DataError:  # bytes that are no JSON, which Python names
            pass
    cursor.execute(_named(OF_A_MODEL, schema), [source.name, size])
    return {sequence for (sequence,) in cursor}


def _unlike(source: Source, schema: str, leaf: str) -> str:
    meta = source.model._meta
    dated = meta.get_field(source.dated).column
    return _named(
        UNLIKE,
        schema,
        table=f"{schema}.{_quoted(meta.db_table)}",
        key=_quoted(meta.pk.column),
        only=f" AND t.{_quoted(dated)} IS NOT NULL" if source.is_withdrawal else "",
        dated=_quoted(dated),
        leaf=leaf,
        after=AFTER,
    )


def _named(statement: str, schema: str, **more: str) -> str:
    return statement.format(entries=f"{schema}.{ENTRIES}", bytes=f"{schema}.{BYTES}", **more)


def _leaf(source: Source, types: dict[tuple[str, str], str]) -> str | None:
    """An expression for the text of a row's leaf, as `leaves.leaf_bytes` writes it; None where a type has no form."""
    parts, opening = [], '{"fields":{'
    columns = {field.attname: field.column for field in source.model._meta.concrete_fields}
    for name in sorted(source.columns):
        form = FORMS.get(types.get((source.model._meta.db_table, columns[name]), ""))
        if form is None:
            return None
        parts += [f"'{opening}\"{name}\":'", form.format(f"t.{_quoted(columns[name])}")]
        opening = ","
    parts += [
        f"""'}},"model":"{source.name}","row":'""",
        'e."row"',
        """',"sequence":'""",
        "e.sequence",
        "'}'",
    ]
    pieces = [parts[start : start + MOST_ARGUMENTS] for start in range(0, len(parts), MOST_ARGUMENTS)]
    return " || ".join(f"concat({', '.join(piece)})" for piece in pieces)


def _quoted(name: str) -> str:
    return connection.ops.quote_name(name)
