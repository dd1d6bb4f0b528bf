"""How people are reached beside e-mail, as the environment says it: a gateway for text messages, notifications on
devices. Whatever is wrong is refused with the variable's name; only config/settings.py calls these."""

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlsplit

from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec
from django.core.exceptions import ImproperlyConfigured

SHORTEST_SECRET = 32
OURS = frozenset(
    {"host", "connection", "content-length", "content-type", "transfer-encoding", "idempotency-key"}
)
HOST = re.compile(r"\.?[a-z0-9-]+(\.[a-z0-9-]+)*")


@dataclass(frozen=True)
class TextGateway:
    """Where text messages are handed in. `body` is JSON with {to}, {text} and {reference} inside its texts; `secret`
    signs what the gateway tells us ("" where it tells us nothing)."""

    url: str
    body: Any
    headers: Mapping[str, str] = field(repr=False, default_factory=dict)
    secret: str = field(repr=False, default="")


def text_gateway(
    url: str, hosts: str, headers: str, body: str, secret: str, *, local_use: bool
) -> TextGateway | None:
    """The gateway of SMS_GATEWAY_URL, or None where it is empty."""
    if not url:
        return None
    parts = urlsplit(url)
    host = _host_of(url)
    schemes = ("https", "http") if local_use else ("https",)
    if parts.scheme not in schemes or not host or parts.username is not None or parts.fragment:
        raise ImproperlyConfigured("SMS_GATEWAY_URL must be an https:// address, without a password in it.")
    if host not in (_words(hosts) or [host]):
        raise ImproperlyConfigured(f"SMS_GATEWAY_URL is at {host}, which SMS_GATEWAY_HOSTS does not name.")
    if secret and len(secret) < SHORTEST_SECRET:
        raise ImproperlyConfigured(f"SMS_GATEWAY_SECRET must have {SHORTEST_SECRET} characters or more.")
    return TextGateway(url, _template(body), _headers(headers), secret)


def _host_of(url: str) -> str:
    try:
        parts = urlsplit(url)
        return (parts.hostname or "").lower() if parts.port != 0 else ""
    except ValueError:
        return ""


def _template(text: str) -> Any:
    try:
        template = json.loads(text)
    except ValueError as error:
        raise ImproperlyConfigured(
            'SMS_GATEWAY_BODY must be JSON, for example {"to": "{to}", "text": "{text}", "reference": "{reference}"}.'
        ) from error
    for placeholder in ("{to}", "{text}"):
        if not any(placeholder in value for value in _texts(template)):
            raise ImproperlyConfigured(f"SMS_GATEWAY_BODY has no {placeholder} in any of its values.")
    return template


def _texts(template: Any) -> list[str]:
    if isinstance(template, str):
        return [template]
    parts = (
        template.values() if isinstance(template, dict) else template if isinstance(template, list) else ()
    )
    return [value for part in parts for value in _texts(part)]


def _headers(text: str) -> dict[str, str]:
    """Lines "Name: value" (RFC 9110, section 5)."""
    headers = {}
    for line in filter(None, map(str.strip, text.splitlines())):
        name, colon, value = line.partition(":")
        if not colon or not re.fullmatch(r"[A-Za-z0-9!#$%&'*+.^_`|~-]+", name):
            raise ImproperlyConfigured('SMS_GATEWAY_HEADERS must hold lines that read "Name: value".')
        if name.lower() in OURS:
            raise ImproperlyConfigured(
                f"SMS_GATEWAY_HEADERS must not hold {name}: it is set with each message."
            )
        if not re.fullmatch(r"[\t\x20-\x7e]*", value):
            raise ImproperlyConfigured(f"SMS_GATEWAY_HEADERS: {name} must be printable ASCII.")
        headers[name] = value.strip()
    return headers


def push_hosts(text: str, *, local_use: bool) -> tuple[str, ...]:
    """Hosts of push services; an entry with a leading dot stands for every host below it. Outside local use names
    with two parts or more, so that nobody can have us ask a machine of our own network."""
    hosts = tuple(dict.fromkeys(_words(text)))
    for host in hosts:
        if local_use and host in ("localhost", "127.0.0.1", "::1"):
            continue
        if not HOST.fullmatch(host) or "." not in host.strip(".") or _ends_in_digits(host):
            raise ImproperlyConfigured(
                f"PUSH_HOSTS must hold names of hosts with spaces between them, not {host!r}."
            )
    return hosts


def _ends_in_digits(host: str) -> bool:
    """As an address does, and no name (RFC 1123, section 2.1)."""
    return host.rpartition(".")[2].isdigit()


def _words(text: str) -> list[str]:
    return text.lower().replace(",", " ").split()


def vapid_key(text: str) -> str:
    """A private key of the curve P-256 as PEM (RFC 8292, section 3.2)."""
    try:
        key = serialization.load_pem_private_key(text.encode(), password=None)
    except Exception as error:  # of many kinds
        raise ImproperlyConfigured(
            "VAPID_PRIVATE_KEY must be a private key as PEM, without a password."
        ) from error
    if not isinstance(key, ec.EllipticCurvePrivateKey) or not isinstance(key.curve, ec.SECP256R1):
        raise ImproperlyConfigured("VAPID_PRIVATE_KEY must be a key of the curve P-256 (prime256v1).")
    return text


def new_vapid_key() -> str:
    """A fresh one."""
    return ec.generate_private_key(ec.SECP256R1()).private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    ).decode()  # fmt: skip
