"""No write passes the history by: read from our own code, and tried at run time.

`update`, `bulk_create`, `bulk_update`, `delete` and `_raw_delete` of a queryset leave no version. Only exposure.record
may call them, the sealer for the seals, a lawful purge, and whoever works on the outbox, the heartbeats and drafts,
which are working state. Raw SQL that writes stands in exposure.audit.triggers, accounts (rights, no rows) and storing
(the seals), and in exposure.remind.insert_select: INSERT ... SELECT, which the ORM has no word for, and which refuses
recorded models. exposure.audit.comparing puts its statements together and only reads, in a transaction that PostgreSQL
holds to reading.
"""

import ast
from pathlib import Path

import pytest
from django.apps import apps

from exposure.record import BulkWriteRefused, GuardedQuerySet

ROOT = Path(__file__).resolve().parent.parent / "exposure"
FILES = sorted(path for path in ROOT.rglob("*.py") if "migrations" not in path.parts)
BULK = {"bulk_create", "bulk_update", "_raw_delete", "_update", "_insert"}
BULK |= {"aupdate", "adelete", "abulk_create", "abulk_update"}
RAW = {"execute", "executemany", "executescript", "callproc", "raw", "extra"}
WORKING_STATE = {"Message", "Heartbeat", "SetAside", "Planned", "ReportDraft", "Session"}
TAKEN_AWAY_WITH_A_VERSION = {"Authenticator"}  # its queryset deletes one by one: people.library_history
MAY_WRITE_IN_BULK = {"record.py", "management/new_database.py", "audit/purging.py", "audit/storing.py"}
MAY_WRITE_SQL = {
    "audit/accounts.py",
    "audit/comparing.py",
    "audit/storing.py",
    "audit/triggers.py",
    "remind/insert_select.py",
}
READING = ("SELECT ", "SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")


def bulk_writes(source):
    """Lines of calls that write rows past the history."""
    tree = ast.parse(source)
    named = _names(tree)
    return [
        call.lineno
        for call in ast.walk(tree)
        if isinstance(call, ast.Call)
        and isinstance(call.func, ast.Attribute)
        and _writes_in_bulk(call)
        and _root(call.func.value, named) not in WORKING_STATE | TAKEN_AWAY_WITH_A_VERSION
    ]


def _writes_in_bulk(call):
    if call.func.attr in BULK:
        return True
    # A dict or a digest is updated with a positional argument, a queryset with names.
    if call.func.attr == "update":
        return bool(call.keywords)
    return call.func.attr == "delete" and not call.args and not call.keywords


def _names(tree):
    """What a module's functions return and its variables hold: name -> expressions."""
    named = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef):
            returned = [one.value for one in ast.walk(node) if isinstance(one, ast.Return) and one.value]
            named.setdefault(node.name, []).extend(returned)
        elif isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name):
            named.setdefault(node.targets[0].id, []).append(node.value)
    return named


def _root(node, named, depth=0):
    """The name that a chain of calls and attributes begins with; of a function, what it returns begins with."""
    while not isinstance(node, ast.Name):
        node = getattr(node, "func", None) or getattr(node, "value", None)
        if node is None:
            return ""
    values = named.get(node.id, [])
    if not values or depth > 5:
        return node.id
    roots = {_root(value, named, depth + 1) for value in values}
    return roots.pop() if len(roots) == 1 else ""


def raw_writes(source):
    """Lines of raw SQL that is not plainly a reading statement."""
    return [
        call.lineno
        for call in ast.walk(ast.parse(source))
        if isinstance(call, ast.Call) and isinstance(call.func, ast.Attribute) and call.func.attr in RAW
        if not (
            call.args
            and isinstance(call.args[0], ast.Constant)
            and str(call.args[0].value).lstrip().upper().startswith(READING)
        )
    ]


def test_there_is_code_to_look_at():
    assert len(FILES) > 60
    assert {ROOT / name for name in MAY_WRITE_IN_BULK | MAY_WRITE_SQL} <= set(FILES)


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_no_file_writes_past_the_history(path):
    name, source = str(path.relative_to(ROOT)), path.read_text()
    if name not in MAY_WRITE_IN_BULK:
        assert not bulk_writes(source), (
            "use create_many, update_many, insert_many or mark_withdrawn of exposure.record"
        )
    if name not in MAY_WRITE_SQL:
        assert not raw_writes(source), "write through models"


@pytest.mark.parametrize(
    "line",
    [
        "Worker.objects.filter(pk=1).update(name='x')",
        "models.QuerySet.update(Worker.objects.all(), name='x')",
        "site.workers.update(**changes)",
        "Worker.objects.bulk_create([])",
        "Worker.objects.bulk_update(rows, ['name'])",
        "Worker.objects.all().delete()",
        "worker.windows.all()._raw_delete(using)",
        "rows = Worker.objects.all()\nrows.update(name='x')",
        "def rows():\n    return Worker.objects.all()\nrows().delete()",
        "def rows():\n    return Message.objects.all() if x else y\n    return Worker.objects.all()\nrows().delete()",
    ],
)
def test_the_check_sees_a_bulk_write(line):
    assert bulk_writes(line)


@pytest.mark.parametrize(
    "line",
    [
        "counts.update(other)",
        "digest.update(b'x')",
        "cache.delete('key')",
        "Message.objects.filter(pk=1).update(sent_at=at)",
        "def mine():\n    return Message.objects.all()\nmine().update(sent_at=at)",
        "worker.save()",
    ],
)
def test_the_check_lets_everything_else_be(line):
    assert not bulk_writes(line)


@pytest.mark.parametrize(
    "line",
    [
        "cursor.execute('UPDATE exposure_worker SET name = 1')",
        "cursor.execute(statement)",
        "cursor.execute(f'DELETE FROM {table}')",
        "cursor.executemany('INSERT INTO t VALUES (1)', rows)",
        "Worker.objects.raw('DELETE FROM exposure_worker')",
    ],
)
def test_the_check_sees_raw_sql_that_writes(line):
    assert raw_writes(line)


def test_the_check_lets_reading_sql_be():
    assert not raw_writes("cursor.execute('SELECT 1')")


GUARDED = [
    model
    for model in apps.get_app_config("exposure").get_models()
    if model.__name__ not in WORKING_STATE and not model.__name__.startswith("Historical")
]


@pytest.mark.parametrize("model", GUARDED, ids=lambda model: model.__name__)
def test_the_querysets_of_every_recorded_or_insert_only_model_refuse(model):
    rows = model._default_manager.all()
    assert isinstance(rows, GuardedQuerySet)
    for write in (
        lambda: rows.update(uid=None),
        lambda: rows.bulk_create([]),
        lambda: rows.bulk_update([], ["uid"]),
        lambda: rows.delete(),
    ):
        with pytest.raises(BulkWriteRefused):
            write()
