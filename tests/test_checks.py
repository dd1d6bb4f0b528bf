"""The system check of criteria in use, as `check --database default` and `migrate` ask it."""

import logging
from io import StringIO

import pytest
from django.core.management import call_command
from django.core.management.sql import emit_post_migrate_signal
from django.db import DatabaseError, connection

from exposure import checks
from exposure.classify.models import Adoption
from exposure.record import acting
from tests.cast import MONDAY


def spoil():
    version = Adoption.objects.get().version
    version.text = "pathogen: ebola\nversion: 1\n"
    with acting("command:tests", "tests", at=MONDAY):
        version.save()


def said(*arguments):
    err = StringIO()
    call_command("check", *arguments, stdout=StringIO(), stderr=err)
    return err.getvalue()


@pytest.mark.database
def test_w002_names_a_version_in_use_that_cannot_be_read_and_why(cast):
    assert "W002" not in said("--database", "default")
    spoil()
    assert "exposure.W002" in said("--database", "default")
    assert "ebola 2023.1: line 1: the key 'title' is missing" in said("--database", "default")
    assert "W002" not in said(), "without a database nothing is asked of it"


@pytest.mark.database
def test_migrate_says_it_too_and_goes_on(cast, caplog):
    spoil()
    with caplog.at_level(logging.WARNING):
        emit_post_migrate_signal(verbosity=0, interactive=False, db="default")
    assert any("ebola 2023.1: line 1" in message for message in caplog.messages)


def test_w002_is_silent_on_a_database_that_is_away_or_empty(monkeypatch):
    """migrate asks before it makes the tables, and must then say itself what is wrong with the connection."""

    def away():
        raise DatabaseError("away")

    monkeypatch.setattr(connection.introspection, "table_names", away)
    assert checks.adopted_criteria(None, databases=["default"]) == []
    monkeypatch.setattr(connection.introspection, "table_names", list)
    assert checks.adopted_criteria(None, databases=["default"]) == []
    assert checks.adopted_criteria(None) == []
