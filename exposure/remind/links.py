"""The secret in the link of a reminder: it opens the answers to that one reminder and nothing else.

160 bits, made from the site's key and the message's id, so that every attempt carries the same; stored is its SHA-256
only (OWASP ASVS 5.0 asks for 128 bits at least). It runs out when the reading closes.
"""

import base64
import hashlib

from django.conf import settings
from django.urls import reverse
from django.utils.crypto import salted_hmac

from exposure.remind.models import Message

SECRET_BYTES = 20


def secret_of(message: Message) -> str:
    """What stands in its link."""
    made = salted_hmac("exposure.remind.links", message.uid.hex, algorithm="sha256").digest()
    return base64.urlsafe_b64encode(made[:SECRET_BYTES]).decode().rstrip("=")


def digest(secret: str) -> str:
    """What is stored of a secret."""
    return hashlib.sha256(secret.encode()).hexdigest()


def link_of(message: Message) -> str:
    """The absolute address that the message carries."""
    if message.reminder_id is not None:
        return settings.SITE_URL + reverse("reply", args=[secret_of(message)])
    return settings.SITE_URL + reverse("needs_action")


def message_of(secret: str) -> Message | None:
    """The reminder whose link this is, also when it has run out."""
    rows = Message.objects.select_related(
        "worker__site", "worker__user", "worker__same_as", "site", "reminder"
    )
    return rows.filter(link_sha256=digest(secret)).first()
