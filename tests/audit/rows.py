"""Rows in every table that is sealed, made from what the models say: none can be forgotten."""

import itertools
import uuid
from datetime import time, timedelta
from decimal import Decimal

from django.db import models
from django.db.models import fields

from exposure.attend.models import Alert
from exposure.audit.leaves import sources
from exposure.audit.models import PurgeOrder
from exposure.people.models import User, Worker
from exposure.places.models import HouseholdAdvice, Site
from exposure.record import InsertOnly
from tests.cast import MONDAY, doing

NUMBER = itertools.count(1000)


def fill(at=MONDAY, least=2):
    """At least two rows of each source, dated `at`."""
    for source in sources():
        rows = source.rows()
        while rows.count() < least:
            add(source, at)


def add(source, at=MONDAY):
    """One more row of the source; returns its key."""
    row = made(source.model, at)
    if source.is_withdrawal:
        row.withdrawn_at = at
    return stored(row).pk


def made(model, at):
    """A row with some value in each field that must have one, and the first row there is for each foreign key."""
    row = model()
    for field in model._meta.concrete_fields:
        if not field.primary_key and not field.null:
            setattr(row, field.attname, value_for(field, at))
    for name, value in wanted_together(model.__name__, at).items():
        setattr(row, name, value)
    return row


def wanted_together(name, at):
    """What the constraints of a table want of its fields together."""
    match name:
        case "Check":
            opens = at + timedelta(minutes=next(NUMBER))
            return {"opens_at": opens, "due_at": opens, "closes_at": opens + timedelta(minutes=1)}
        case "Reading":
            return {
                "taken_at": at,
                "value": Decimal("36.80"),
                "unit": "C",
                "method": "oral",
                "state": "recorded",
            }
        case "Fill":
            return {"state": "excused", "reason": "Asleep."}
        case "Alert":
            return {"worker": Worker.objects.first()}
        case "Invitation":
            return {"worker": Worker.objects.first(), "user": None}
        case "Promise":
            return {"worker": Worker.objects.first()}
        case "Purge":
            return {**ordered(at), "counts": {}, "leaves": []}
        case "HouseholdAdvice":
            return {"replaces": HouseholdAdvice.objects.filter(replaced_by=None).first()}
        case "Message":
            alert = Alert.objects.first() or stored(made(Alert, at))
            return {"alert": alert, "user": User.objects.first(), "alert_round": next(NUMBER), "page_rung": 1}
    return {}


def ordered(at):
    """An order that two people have signed, for one person, and whom it is about."""
    about, (one, other) = uuid.uuid4(), User.objects.filter(device_of=None).order_by("pk")[:2]
    with doing(one, at=at):
        order = PurgeOrder.objects.create(
            site=Site.objects.first(), people=[str(about)], reason="x", proposed_by=one, proposed_at=at
        )
    order.agreed, order.answered_by, order.answered_at = True, other, at
    with doing(other, at=at):
        order.save()
    return {"order": order, "about": about}


def value_for(field, at):
    number = next(NUMBER)
    if isinstance(field, models.ForeignKey):
        if not field.db_constraint:
            return number
        if field.one_to_one or field.unique:
            return stored(made(field.related_model, at)).pk
        existing = field.related_model._base_manager.order_by("pk").first()
        return (existing or stored(made(field.related_model, at))).pk
    match field:
        case models.UUIDField():
            return uuid.uuid4()
        case models.JSONField():
            return {"number": 1.5, "text": "é\n", "list": [None, True, 10**12]}
        case models.DateTimeField():
            return at
        case models.DateField():
            return at.date()
        case models.TimeField():
            return time(8, 30)
        case models.DecimalField():
            return Decimal("1.50")
        case models.BooleanField():
            return True
        case models.SmallIntegerField():
            return number % 30_000
        case models.IntegerField():
            return number
        case models.FloatField():
            return 1.5
        case _ if field.name == "history_type":
            return "+"
        case _ if field.choices:
            return field.choices[0][0]
        case fields.CharField() | fields.TextField():
            return f"t{number}"[: field.max_length or 20]
    raise TypeError(f"{field} needs a line here")


def stored(row):
    """Stored as it is, past what names the writer."""
    if isinstance(row, InsertOnly):
        row.recorded_by, row.origin = "user:1", "tests"
    return models.QuerySet(type(row)).bulk_create([row])[0]
