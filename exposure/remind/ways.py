"""By which roads somebody can be reached, the wished one first."""

from collections.abc import Iterable
from typing import NamedTuple

from exposure.people.models import Channel, PushSubscription, User, Worker
from exposure.remind.channels.registry import available


class Way(NamedTuple):
    """A channel and the address there; of a device the key of its subscription."""

    channel: str
    address: str


def devices_of(users: Iterable[int]) -> dict[int, int]:
    """Account -> the newest device that shows notifications to its holder."""
    rows = PushSubscription.objects.filter(user__in=list(users), ended_at=None)
    return dict(rows.order_by("created_at", "pk").values_list("user", "pk"))


def of_worker(worker: Worker, devices: dict[int, int]) -> list[Way]:
    """The ways to a worker. The account's e-mail serves where the record has none."""
    account = worker.user.email if worker.user else None
    addresses = {Channel.EMAIL: worker.email or account or "", Channel.TEXT: worker.mobile}
    return _in_order(addresses, worker.user_id, devices, worker.reach_by)


def of_user(user: User, devices: dict[int, int]) -> list[Way]:
    """The ways to the holder of an account."""
    addresses = {Channel.EMAIL: user.email or "", Channel.TEXT: user.mobile}
    return _in_order(addresses, user.pk, devices, user.reach_by)


def _in_order(
    addresses: dict[Channel, str], user: int | None, devices: dict[int, int], wished: str
) -> list[Way]:
    device = devices.get(user) if user is not None else None
    every = {**addresses, Channel.PUSH: str(device) if device else ""}
    usable = available()
    ways = [
        Way(channel.value, address) for channel, address in every.items() if address and channel in usable
    ]
    return sorted(ways, key=lambda way: way.channel != wished)
