"""The channels by name."""

from collections.abc import Callable

from django.conf import settings

from exposure.people.models import Channel
from exposure.remind.channels import email, push, text
from exposure.remind.channels.letter import Letter

CHANNELS: dict[str, Callable[[Letter], None]] = {
    Channel.EMAIL.value: email.send,
    Channel.TEXT.value: text.send,
    Channel.PUSH.value: push.send,
}


def available() -> tuple[str, ...]:
    """The names of those that are set up here."""
    is_set_up = {
        Channel.EMAIL: True,
        Channel.TEXT: settings.SMS_GATEWAY is not None,
        Channel.PUSH: bool(settings.PUSH_HOSTS),
    }
    return tuple(name for name in CHANNELS if is_set_up[Channel(name)])
