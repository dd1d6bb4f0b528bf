"""The three database accounts on PostgreSQL: the owner migrates, the application works, the reader makes backups.

Whoever owns a table can switch its triggers off. The application's account owns nothing, so neither its own faults nor
whoever steals its password can change what was written once.
"""

from dataclasses import dataclass

from django.db import DEFAULT_DB_ALIAS, connections, transaction
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.backends.utils import CursorWrapper

from exposure.audit.rights import Rights, rights


class NotGranted(ValueError):
    """An account that cannot be what it should be; says why."""


@dataclass(frozen=True)
class Account:
    """A login of the database server. Without a password it must exist already, and keeps the one it has."""

    name: str
    password: str = ""


def grant(application: Account, reader: Account | None, *, using: str = DEFAULT_DB_ALIAS) -> int:
    """Give both accounts exactly their rights on the tables that stand, in one transaction; returns how many tables
    those are. Run by the owner. Raises NotGranted."""
    connection = connections[using]
    if connection.vendor != "postgresql":
        raise NotGranted("Accounts with rights of their own are PostgreSQL's.")
    with transaction.atomic(using=using), connection.cursor() as cursor:
        for account in filter(None, (application, reader)):
            _have(account, connection, cursor)
            _take_all(_quoted(account.name), cursor)
        _close(cursor)
        tables = set(connection.introspection.table_names(cursor))
        granted = {table: right for table, right in rights().items() if table in tables}
        for table, right in sorted(granted.items()):
            cursor.execute(f"GRANT {_verbs(right)} ON {_quoted(table)} TO {_quoted(application.name)}")
        if reader:
            name = _quoted(reader.name)
            cursor.execute(f"GRANT SELECT ON ALL TABLES IN SCHEMA {_schema(cursor)} TO {name}")
            cursor.execute(f"GRANT SELECT ON ALL SEQUENCES IN SCHEMA {_schema(cursor)} TO {name}")
            if reader.password:  # else somebody else looks after the account
                cursor.execute(f"ALTER ROLE {name} SET default_transaction_read_only = on")
    return len(granted)


def held(using: str = DEFAULT_DB_ALIAS) -> dict[str, Rights]:
    """What the account that is connected may do to each table of the schema."""
    connection = connections[using]
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT relname, has_table_privilege(pg_class.oid, 'INSERT'), has_table_privilege(pg_class.oid, 'DELETE'),"
            " coalesce(array_agg(attname::text) FILTER (WHERE has_column_privilege(pg_class.oid, attnum, 'UPDATE')),"
            " '{}') FROM pg_class JOIN pg_attribute ON attrelid = pg_class.oid AND attnum > 0 AND NOT attisdropped"
            " WHERE relnamespace = current_schema()::regnamespace AND relkind IN ('r', 'p')"
            " AND has_table_privilege(pg_class.oid, 'SELECT') GROUP BY pg_class.oid, relname"
        )
        return {
            table: Rights(insert, frozenset(columns), delete)
            for table, insert, delete, columns in cursor.fetchall()
        }


def power(using: str = DEFAULT_DB_ALIAS) -> str:
    """Why the account that is connected could switch off what guards the record; "" where it could not."""
    with connections[using].cursor() as cursor:
        cursor.execute(
            "SELECT current_user, rolsuper, (SELECT count(*) FROM pg_class WHERE relkind IN ('r', 'p')"
            " AND relnamespace = current_schema()::regnamespace AND pg_has_role(relowner, 'MEMBER')),"
            " (SELECT count(*) FROM pg_class WHERE relkind IN ('r', 'p')"
            " AND relnamespace = current_schema()::regnamespace"
            " AND has_table_privilege(pg_class.oid, 'TRUNCATE, TRIGGER'))"
            " FROM pg_roles WHERE rolname = current_user"
        )
        name, is_super, owned, switched = cursor.fetchone()
    if is_super:
        return f"{name} is a superuser"
    if owned:
        return f"{name} owns {owned} tables, or is a member of who does"
    return f"{name} may truncate or put triggers on {switched} tables" if switched else ""


def _have(account: Account, connection: BaseDatabaseWrapper, cursor: CursorWrapper) -> None:
    """The account stands, can do nothing but sign in, and owns nothing here."""
    cursor.execute(
        "SELECT rolname = current_user OR rolsuper, rolcreaterole OR rolcreatedb OR rolreplication OR rolbypassrls,"
        " EXISTS (SELECT FROM pg_auth_members WHERE member = pg_roles.oid),"
        " (SELECT count(*) FROM pg_class WHERE relowner = pg_roles.oid) FROM pg_roles WHERE rolname = %s",
        [account.name],
    )
    found = cursor.fetchone()
    if found is None and not account.password:
        raise NotGranted(f"There is no account {account.name}: give its password, and it is made.")
    is_owner, is_mighty, is_member, owned = found or (False, False, False, 0)
    if is_owner:
        raise NotGranted(f"{account.name} is the owner's account or a superuser: name another.")
    if is_mighty:
        raise NotGranted(f"{account.name} may make roles or databases, or replicate: take that away first.")
    if is_member:
        raise NotGranted(
            f"{account.name} is a member of another role and may do what that may: revoke it first."
        )
    if owned:
        raise NotGranted(
            f"{account.name} owns {owned} tables or indexes: REASSIGN OWNED BY it to the owner first."
        )
    if found is None:
        cursor.execute(f"CREATE ROLE {_quoted(account.name)} LOGIN{_password(account, connection)}")
    elif account.password:
        cursor.execute(f"ALTER ROLE {_quoted(account.name)} LOGIN{_password(account, connection)}")


def _password(account: Account, connection: BaseDatabaseWrapper) -> str:
    """Hashed here, so that no log of the server holds it."""
    server = connection.connection.pgconn
    hashed = server.encrypt_password(account.password.encode(), account.name.encode(), b"scram-sha-256")
    return f" PASSWORD '{hashed.decode()}'"


def _take_all(name: str, cursor: CursorWrapper) -> None:
    schema = _schema(cursor)
    for kind in ("TABLES", "SEQUENCES"):
        cursor.execute(f"REVOKE ALL ON ALL {kind} IN SCHEMA {schema} FROM {name}")
    cursor.execute(f"REVOKE ALL ON SCHEMA {schema} FROM {name}")
    cursor.execute(f"GRANT USAGE ON SCHEMA {schema} TO {name}")
    cursor.execute(f"REVOKE ALL ON DATABASE {_database(cursor)} FROM {name}")
    cursor.execute(f"GRANT CONNECT ON DATABASE {_database(cursor)} TO {name}")


def _close(cursor: CursorWrapper) -> None:
    """What PostgreSQL gives to everybody: making tables (before release 15) and temporary ones."""
    schema = _schema(cursor)
    cursor.execute(f"REVOKE CREATE ON SCHEMA {schema} FROM PUBLIC")
    for kind in ("TABLES", "SEQUENCES"):
        cursor.execute(f"REVOKE ALL ON ALL {kind} IN SCHEMA {schema} FROM PUBLIC")
    cursor.execute(f"REVOKE CREATE, TEMPORARY ON DATABASE {_database(cursor)} FROM PUBLIC")


def _schema(cursor: CursorWrapper) -> str:
    cursor.execute("SELECT current_schema()")
    return _quoted(cursor.fetchone()[0])


def _database(cursor: CursorWrapper) -> str:
    cursor.execute("SELECT current_database()")
    return _quoted(cursor.fetchone()[0])


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def _verbs(right: Rights) -> str:
    verbs = ["SELECT"]
    if right.insert:
        verbs.append("INSERT")
    if right.update:
        verbs.append("UPDATE (" + ", ".join(map(_quoted, sorted(right.update))) + ")")
    if right.delete:
        verbs.append("DELETE")
    return ", ".join(verbs)
