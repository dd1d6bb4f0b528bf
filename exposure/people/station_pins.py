"""Six digits by which somebody says on a station's shared tablet that they observe.

They open nothing, and the service alone checks them: a tablet keeps nothing that could, since six digits would be found
out there by trying. What is wrong is counted for each tablet by itself, so that nobody locks somebody out of another.
"""

from datetime import datetime, timedelta
from functools import cache

from django.contrib.auth.hashers import check_password, make_password
from django.db import transaction
from django.db.models import Q

from exposure.people.access import accounts, holds
from exposure.people.models import StationPin, User
from exposure.people.policy import AT_STATIONS
from exposure.places.models import Site

FREE_TRIES = 4  # wrong ones in a row; NIST SP 800-63B-4 (3.2.2) asks for a limit and lets waits grow
# A tablet without a network sends what it kept in one go, with one slip in each report: what follows a wrong try so
# soon is neither counted nor looked at. Local choices.
ONE_GO = timedelta(minutes=1)
FIRST_WAIT = timedelta(minutes=15)
MOST_DOUBLINGS = 7  # 32 hours


def set_pin(user: User, pin: str, *, at: datetime) -> None:
    """These digits from now on, and none that went before; with them goes what was tried."""
    with transaction.atomic():
        User.objects.select_for_update().get(pk=user.pk)
        row = StationPin.objects.filter(user=user).first() or StationPin(user=user)
        row.code, row.created_at, row.wrong = make_password(pin), at, {}
        row.save()


def may_observe(user: User, site: Site | None = None, *, at: datetime) -> bool:
    """Whether somebody holds a role by which one works at stations, of that site if one is named."""
    return holds(user, AT_STATIONS, site.pk if site else None, at=at)


def observer_with(badge: str, site: Site, *, at: datetime) -> User | None:
    """Whose staff number or sign-in name it is, among those who may observe at the site now."""
    named = Q(worker__number__iexact=badge) | Q(name__iexact=badge)
    found = User.objects.filter(named, device_of=None) if badge else ()
    here = [user for user in found if may_observe(user, site, at=at)]
    return here[0] if len(here) == 1 else None


def are_right(user: User | None, pin: str, device: User, *, at: datetime) -> bool:
    """Whether these are the digits of that person; a wrong try on the device is counted before anybody learns of it.
    Of nobody, of somebody without digits and during a wait the answer is the same no, and takes as long."""
    with transaction.atomic():
        row = StationPin.objects.select_for_update().filter(user=user).first() if user else None
        tries, waits_until = _tried(row, str(device.uid)) if row else (0, None)
        waits = waits_until is not None and at < waits_until
        right = check_password(pin, row.code if row and not waits else _nobodys())
        if row is None or (waits and tries > FREE_TRIES):
            return False
        if waits:
            row.wrong[str(device.uid)] = [tries, (at + ONE_GO).isoformat()]
        elif right:
            row.wrong.pop(str(device.uid), None)
        else:
            row.wrong[str(device.uid)] = [tries + 1, (at + _wait(tries + 1)).isoformat()]
        if waits or not right or tries:
            row.save()
        return right and not waits


def locked_until(row: StationPin, *, at: datetime) -> datetime | None:
    """Until when no digits count on some tablet, after too many wrong tries; None where they count."""
    tried = [_tried(row, device) for device in row.wrong]
    ends = [until for tries, until in tried if until is not None and tries > FREE_TRIES and until > at]
    return max(ends, default=None)


def locked(by: User, *, at: datetime) -> list[StationPin]:
    """Of the accounts that somebody sets up, those whose digits are locked on a tablet."""
    rows = StationPin.objects.filter(user__in=accounts(by, User.objects.all(), at=at)).exclude(wrong={})
    return [row for row in rows.select_related("user").order_by("pk") if locked_until(row, at=at)]


def unlock(row: StationPin) -> None:
    """The same digits count again everywhere."""
    with transaction.atomic():
        row = StationPin.objects.select_for_update().get(pk=row.pk)
        row.wrong = {}
        row.save()


def _tried(row: StationPin, device: str) -> tuple[int, datetime | None]:
    tries, until = row.wrong.get(device, (0, None))
    return tries, until and datetime.fromisoformat(until)


def _wait(tries: int) -> timedelta:
    if tries <= FREE_TRIES:
        return ONE_GO
    return FIRST_WAIT * 2 ** min(tries - FREE_TRIES - 1, MOST_DOUBLINGS)


@cache
def _nobodys() -> str:
    """Costs whoever asks about nobody as much as about somebody."""
    return make_password("0")
