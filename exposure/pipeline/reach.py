"""How somebody who holds an account is reached: a number, the channel to try first, devices that show messages. Each
decides that for themself."""

from datetime import datetime

from django.core.exceptions import PermissionDenied
from django.db import transaction
from django.utils.translation import gettext as _

from exposure.people.models import PushSubscription, User
from exposure.refusal import BadSubmission, Problem
from exposure.remind.channels import push

MOST_DEVICES = 10  # of one person; a later one takes the place of the oldest
LONGEST_ENDPOINT = 1000


@transaction.atomic
def change_reach(*, user: User, mobile: str, reach_by: str, by: User, at: datetime) -> User:
    """One's own number, and the channel to try first ("": none before the others)."""
    if user.pk != by.pk:
        raise PermissionDenied
    user = User.objects.select_for_update().get(pk=user.pk)
    if (user.mobile, user.reach_by) != (mobile, reach_by):
        user.mobile, user.reach_by = mobile, reach_by
        user.save()
    return user


@transaction.atomic
def add_device(*, endpoint: str, p256dh: str, auth: str, by: User, at: datetime) -> PushSubscription:
    """A browser that is to show one's messages, as it describes itself. The same again is no news; one that showed
    another person's shows these from now on."""
    if len(endpoint) > LONGEST_ENDPOINT or not push.is_allowed(endpoint):
        raise BadSubmission(Problem("/endpoint", _("This browser's notifications are not set up here.")))
    try:
        push.subscription_keys(p256dh, auth)
    except ValueError as error:
        raise BadSubmission(Problem("/p256dh", _("This browser's notifications cannot be used."))) from error
    User.objects.select_for_update().get(pk=by.pk)  # one at a time, so that MOST_DEVICES holds
    keys = {"user": by, "p256dh": p256dh, "auth": auth, "ended_at": None}
    rows = PushSubscription.objects.select_for_update()
    device, is_new = rows.get_or_create(endpoint=endpoint, defaults={**keys, "created_at": at})
    if not is_new and any(getattr(device, name) != value for name, value in keys.items()):
        for name, value in keys.items():
            setattr(device, name, value)
        device.created_at = at
        device.save()
    for oldest in devices_of(by)[MOST_DEVICES:]:
        _end(oldest, at)
    return device


def end_device(*, device: PushSubscription, by: User, at: datetime) -> None:
    """It shows no more messages."""
    if device.user_id != by.pk:
        raise PermissionDenied
    with transaction.atomic():
        _end(PushSubscription.objects.select_for_update().get(pk=device.pk), at)


def _end(device: PushSubscription, at: datetime) -> None:
    if device.ended_at is None:
        device.ended_at = at
        device.save()


def devices_of(user: User) -> list[PushSubscription]:
    """The devices that show this person's messages, the newest first."""
    rows = PushSubscription.objects.filter(user=user, ended_at=None)
    return list(rows.order_by("-created_at", "-pk"))
