"""Every model is where Django looks for it, and no migration is missing."""

import importlib
import pkgutil

import pytest
from django.core.management import call_command
from django.db import models

import exposure
from exposure import models as exported

pytestmark = pytest.mark.database


def defined_models():
    """Every concrete model class that a module below exposure/ defines."""
    for module in pkgutil.walk_packages(exposure.__path__, "exposure."):
        if "models" not in module.name.rpartition(".")[2]:
            continue
        for value in vars(importlib.import_module(module.name)).values():
            if isinstance(value, type) and issubclass(value, models.Model) and not value._meta.abstract:
                yield value


def test_every_model_is_exported_by_the_one_module_that_django_reads():
    own = {one for one in defined_models() if one.__module__.startswith("exposure.")}
    written = {one for one in own if not one.__name__.startswith("Historical")}
    assert len(written) > 40
    assert {one.__name__ for one in written} <= set(exported.__all__)
    assert all(getattr(exported, one.__name__) is one for one in written)


def test_nothing_is_exported_that_is_no_model():
    assert all(issubclass(getattr(exported, name), models.Model) for name in exported.__all__)


@pytest.mark.django_db
def test_no_migration_is_missing():
    call_command("makemigrations", "exposure", check=True, dry_run=True, verbosity=0)
