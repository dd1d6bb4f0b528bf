"""Devices of a station: they report by a key of their own, in nobody's name, and open nothing."""

import secrets
from datetime import datetime

from django.db import transaction

from exposure.people import tokens
from exposure.people.models import User
from exposure.places.models import Station

LASTS_DAYS = 365  # a key is exchanged at least once a year, and whenever a device is lost


def enrol(*, station: Station, label: str, at: datetime) -> tuple[str, User]:
    """A device of the station, and its key, which is shown this once."""
    with transaction.atomic():
        device = User.objects.create_user(
            f"device-{secrets.token_hex(6)}", full_name=label, device_of=station
        )
        key, _token = tokens.issue(device, label=label, days=LASTS_DAYS, at=at)
    return key, device


def exchange_key(device: User, *, at: datetime) -> str:
    """A new key; the earlier ones open nothing from now on."""
    with transaction.atomic():
        tokens.revoke(device, at=at)
        key, _token = tokens.issue(device, label=device.full_name, days=LASTS_DAYS, at=at)
    return key


def end(device: User, *, at: datetime) -> None:
    """It reports no more. What it has reported stays, in its name."""
    with transaction.atomic():
        tokens.revoke(device, at=at)
        device.is_active = False
        device.save()
