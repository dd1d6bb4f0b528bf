"""What is recorded stays: rows are ended, withdrawn or corrected. Only set-up may be taken away again."""

import pytest
from allauth.account.models import EmailAddress
from allauth.mfa.models import Authenticator
from django.apps import apps
from django.db import models

from exposure.audit.belonging import recorded_models
from exposure.people.models import PhonePin, PushSubscription, StationPin, User, WorkerWindow
from exposure.record import REMOVABLE, Recorded, RemovalRefused, remove
from tests.cast import doing

pytestmark = pytest.mark.database

SET_UP = {"exposure.places.models", "exposure.people.models"}
RECORDED = [model for model in recorded_models() if issubclass(model, Recorded)]


def test_only_this_may_be_taken_away():
    assert {"SiteWindow", "StationProtocol", "StepFailure", "WorkerWindow"} == REMOVABLE
    removable = [model for model in RECORDED if model.__name__ in REMOVABLE]
    assert len(removable) == len(REMOVABLE)
    assert {model.__module__ for model in removable} <= SET_UP


def test_every_model_with_a_history_is_looked_at_and_accounts_are_none_of_them():
    """An account made by mistake may go, and what hangs on it alone; their history stays."""
    others = {model for model in recorded_models() if model not in RECORDED}
    assert others == {User, PhonePin, StationPin, PushSubscription, EmailAddress, Authenticator}


@pytest.mark.parametrize("model", RECORDED, ids=lambda model: model.__name__)
def test_a_recorded_row_refuses_to_be_deleted(model):
    if model.__name__ in REMOVABLE:
        pytest.skip("set-up")
    row = model(pk=1)
    for take_away in (row.delete, lambda: remove(row)):
        with doing("command:tests"), pytest.raises(RemovalRefused, match=model.__name__):
            take_away()


def test_nothing_is_deleted_along_with_another_row():
    keys = [
        field
        for model in apps.get_app_config("exposure").get_models()
        for field in model._meta.concrete_fields
        if isinstance(field, models.ForeignKey) and "Historical" not in model.__name__
    ]
    assert len(keys) > 60
    assert [field for field in keys if field.remote_field.on_delete is not models.PROTECT] == []


def test_a_window_of_a_worker_goes_and_its_versions_stay(cast):
    with doing(cast.nurse):
        window = WorkerWindow.objects.create(
            worker=cast.worker, name="night", opens="20:00", due="21:00", closes="22:00"
        )
        key = window.pk
        remove(window)
    assert list(WorkerWindow.history.filter(id=key).values_list("history_type", flat=True)) == ["-", "+"]
