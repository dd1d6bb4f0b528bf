"""Web Push: delivered as RFC 8030, encrypted as RFC 8291, signed as RFC 8292 has it."""

import base64
import binascii
import json
from datetime import timedelta
from email.utils import parseaddr
from urllib.parse import SplitResult, urlsplit

import http_ece
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec
from django.conf import settings
from django.db import transaction
from py_vapid import Vapid02
from py_vapid.utils import b64urldecode

from exposure import clock
from exposure.people.models import PushSubscription
from exposure.remind.channels.letter import Letter
from exposure.remind.channels.post import post, refuse_unless_taken
from exposure.remind.channels.refusal import Refused

TTL = timedelta(minutes=30)  # how long the push service may keep it for a device that is off
SIGNED_FOR = timedelta(hours=12)  # at most 24 (RFC 8292, section 2)
GONE = (404, 410)  # RFC 8030, section 7.3
LOOPBACK = ("localhost", "127.0.0.1", "::1")


def send(letter: Letter) -> None:
    """Show one letter's subject, and its link, on the device whose subscription `address` names. A subscription that
    the push service has given up ends. Raises Refused."""
    subscription = _standing(letter.address)
    if subscription is None:
        raise Refused("The subscription has ended.", permanent=True)
    if not is_allowed(subscription.endpoint):
        raise Refused("The endpoint's host is not in PUSH_HOSTS.", permanent=True)
    content = json.dumps({"title": letter.subject, "link": letter.link}).encode()
    try:
        body = encrypted(content, subscription.p256dh, subscription.auth)
    except ValueError as error:
        raise Refused("The keys of the subscription are none.", permanent=True) from error
    headers = {
        **signed(subscription.endpoint),
        "Content-Encoding": "aes128gcm",
        "Content-Type": "application/octet-stream",
        "TTL": str(int(TTL.total_seconds())),
        "Topic": letter.uid.hex,  # a repeated attempt takes the place of the one before (RFC 8030, section 5.4)
        "Urgency": "high",
    }
    status = post(subscription.endpoint, headers=headers, body=body)
    if status in GONE:
        _end(subscription)
    refuse_unless_taken(status)


def _standing(address: str) -> PushSubscription | None:
    if not (address.isascii() and address.isdigit()):
        return None
    return PushSubscription.objects.filter(pk=int(address), ended_at=None).first()


@transaction.atomic
def _end(subscription: PushSubscription) -> None:
    row = PushSubscription.objects.select_for_update().get(pk=subscription.pk)
    if row.ended_at is None and row.endpoint == subscription.endpoint:
        row.ended_at = clock.now()
        row.save()


def is_allowed(endpoint: str) -> bool:
    """Whether we may be sent to that address: https at one of PUSH_HOSTS; an entry with a leading dot stands for every
    host below it. Plain HTTP and other ports only at this machine itself, which only local use and tests list."""
    if not (endpoint.isascii() and endpoint.isprintable()) or " " in endpoint:
        return False
    try:
        parts = urlsplit(endpoint)
        port = parts.port
    except ValueError:
        return False
    host = (parts.hostname or "").lower()
    if not _is_listed(host) or parts.username is not None or parts.password is not None or parts.fragment:
        return False
    if host in LOOPBACK:
        return parts.scheme in ("http", "https")
    return parts.scheme == "https" and port in (None, 443)


def _is_listed(host: str) -> bool:
    return any(
        host.endswith(entry) and host != entry if entry.startswith(".") else host == entry
        for entry in settings.PUSH_HOSTS
    )


def encrypted(content: bytes, p256dh: str, auth: str) -> bytes:
    """The content for the holder of these keys (both base64url). Raises ValueError for keys that are none."""
    key, secret = subscription_keys(p256dh, auth)
    own = ec.generate_private_key(ec.SECP256R1())
    return http_ece.encrypt(content, private_key=own, dh=key, auth_secret=secret, version="aes128gcm")


def subscription_keys(p256dh: str, auth: str) -> tuple[bytes, bytes]:
    """A point of the curve P-256, uncompressed, and 16 bytes (RFC 8291, section 3.1 and 3.2). Raises ValueError."""
    try:
        key, secret = b64urldecode(p256dh.encode()), b64urldecode(auth.encode())
    except binascii.Error as error:
        raise ValueError("Not base64url.") from error
    if len(key) != 65 or len(secret) != 16:
        raise ValueError("Not as long as such keys are.")
    ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), key)
    return key, secret


def signed(endpoint: str) -> dict[str, str]:
    """The header that says who sends, for the push service at that address."""
    claims = {
        "aud": _origin(urlsplit(endpoint)),
        "exp": int((clock.now() + SIGNED_FOR).timestamp()),
        "sub": f"mailto:{parseaddr(settings.DEFAULT_FROM_EMAIL)[1]}",
    }
    return Vapid02(_private_key()).sign(claims)


def _origin(parts: SplitResult) -> str:
    return f"{parts.scheme}://{parts.hostname}" + (f":{parts.port}" if parts.port else "")


def public_key() -> str:
    """Our public key as a page hands it to the browser: base64url of the uncompressed point."""
    point = _private_key().public_key().public_bytes(
        serialization.Encoding.X962, serialization.PublicFormat.UncompressedPoint
    )  # fmt: skip
    return base64.urlsafe_b64encode(point).rstrip(b"=").decode()


def _private_key() -> ec.EllipticCurvePrivateKey:
    key = serialization.load_pem_private_key(settings.VAPID_PRIVATE_KEY.encode(), password=None)
    assert isinstance(key, ec.EllipticCurvePrivateKey)  # config/reach.py sees to it
    return key
