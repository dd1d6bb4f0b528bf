"""Every channel, by name."""

from collections.abc import Callable

from exposure.remind.channels import email
from exposure.remind.channels.letter import Letter

CHANNELS: dict[str, Callable[[Letter], None]] = {"email": email.send}


def available() -> tuple[str, ...]:
    """The channels that are set up here."""
    return ("email",)
