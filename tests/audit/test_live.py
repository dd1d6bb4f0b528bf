"""Live rows against their newest version, and what `verify` says of a record that fits."""

from datetime import timedelta
from io import StringIO

import pytest
from django.core.management import call_command
from django.db import connection

from config.seal_key import new_seal_key
from exposure.audit import sealing, triggers
from exposure.audit.belonging import recorded_models
from exposure.audit.live import unlike_their_versions
from tests.cast import MONDAY, doing

pytestmark = [pytest.mark.database, pytest.mark.django_db]


def sql(statement, *parameters):
    with connection.cursor() as cursor:
        cursor.execute(statement, parameters)


def test_a_record_that_fits_says_so_and_what_was_looked_at(cast, settings, tmp_path, standing_clock):
    settings.SEAL_KEY, settings.SEAL_HEADS_DIR = new_seal_key(), tmp_path
    sealing.seal(at=MONDAY, thorough=True)
    with doing(cast.administrator, at=MONDAY + timedelta(days=1)):
        cast.site.name = "Saltmarsh General"
        cast.site.save()
    standing_clock(MONDAY + timedelta(days=1))
    out = StringIO()
    call_command("verify", stdout=out)
    assert out.getvalue().splitlines() == [
        f"{sealing.size()} entries, 1 heads, 1 kept outside; 1 rows wait for their entry.",
        "All of it fits.",
    ]


def test_a_raw_change_of_any_live_row_is_named_with_its_field(cast):
    changed = set()
    for model in recorded_models():
        field = next((one for one in model.history.model.tracked_fields if one.name == "uid"), None)
        row = model._base_manager.first()
        if row is not None:
            sql(
                f'UPDATE "{model._meta.db_table}" SET "{field.column}" = %s WHERE id = %s',
                "0" * 32,
                row.pk,
            )
            changed.add(model.__name__)
    findings = list(unlike_their_versions())
    assert len(changed) >= 10
    assert {finding.split()[0] for finding in findings} == changed
    assert all("not as its newest version has it: uid" in finding for finding in findings)


def test_a_live_row_without_a_version_is_named(cast):
    triggers.remove()
    sql("DELETE FROM exposure_historicalrole WHERE id = %s", cast.nurse.roles.get().pk)
    assert list(unlike_their_versions()) == [
        f"Role {cast.nurse.roles.get().pk}: it has no version: it was written past the history."
    ]


def test_a_live_row_that_was_deleted_past_the_history_is_named(cast):
    key = cast.nurse.roles.get().pk
    sql("DELETE FROM exposure_role WHERE id = %s", key)
    assert list(unlike_their_versions()) == [
        f"Role {key}: it is gone, and no version says that it was deleted."
    ]


def test_a_live_row_that_came_back_after_its_deletion_is_named(cast):
    version = cast.nurse.roles.get().history.get()
    triggers.remove()
    sql("UPDATE exposure_historicalrole SET history_type = '-' WHERE history_id = %s", version.pk)
    assert "its newest version says that it was deleted" in next(unlike_their_versions())


def test_rows_that_are_as_they_were_written_are_no_news(cast):
    assert list(unlike_their_versions()) == []
