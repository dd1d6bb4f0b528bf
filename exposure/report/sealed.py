"""Reports that a station's tablet sealed for this service before it kept them: nobody reads them there any more.

The sealing is HPKE in base mode (RFC 9180: DHKEM(P-256, HKDF-SHA256), HKDF-SHA256, AES-256-GCM), `info` being PURPOSE
and the 16 bytes of the submission's id, so that what was sealed for one id opens under no other.
"""

import base64
import binascii
import hashlib
import json
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.hpke import AEAD, KDF, KEM, Suite
from django.conf import settings

from exposure.refusal import BadSubmission, Problem

SUITE = Suite(KEM.P256, KDF.HKDF_SHA256, AEAD.AES_256_GCM)
PURPOSE = b"report of a station 1 "
MOST_DEPTH = 32


class CannotOpen(Exception):
    """No key of ours opens it, or what is inside is no report of that id."""


@dataclass(frozen=True)
class Envelope:
    """A sealed report as it came. `key`: the id of the key that it was sealed for; `sent_at`: the tablet's clock when
    it was sent, as text, "" without one."""

    submission_id: uuid.UUID
    key: str
    sealed: str
    sent_at: str

    @property
    def as_kept(self) -> dict[str, str]:
        """What is kept of one that cannot be opened: the same each time it is sent."""
        return {"key": self.key, "sealed": self.sealed}


def public_key() -> dict[str, str] | None:
    """What tablets seal for: {id, point}, the uncompressed point in base64; None where no key is set up."""
    keys = _keys(settings.REPORT_KEYS)
    if not keys:
        return None
    name, key = next(iter(keys.items()))
    return {"id": name, "point": base64.b64encode(_point(key)).decode()}


def read_envelope(raw: Any) -> Envelope:
    """Read a parsed JSON body. Raises BadSubmission with every wrong type at once."""
    if not isinstance(raw, dict):
        raise BadSubmission(Problem("", "Send a JSON object."))
    problems = [
        Problem(f"/{name}", f"“{name}” must be text.")
        for name in ("key", "sealed")
        if not isinstance(raw.get(name), str)
    ]
    try:
        submission_id = uuid.UUID(raw.get("submission_id"))
    except (ValueError, TypeError, AttributeError):
        problems.append(Problem("/submission_id", "Send the report's “submission_id”, a UUID."))
    if problems:
        raise BadSubmission(*problems)
    sent_at = raw.get("sent_at")
    return Envelope(submission_id, raw["key"], raw["sealed"], sent_at if isinstance(sent_at, str) else "")


def opened(envelope: Envelope) -> dict[str, Any]:
    """The report's body. Raises CannotOpen."""
    keys = _keys(settings.REPORT_KEYS)
    named = keys.get(envelope.key)
    info = PURPOSE + envelope.submission_id.bytes
    try:
        sealed = base64.b64decode(envelope.sealed, validate=True)
    except (binascii.Error, ValueError) as error:
        raise CannotOpen("no base64") from error
    for key in [named] if named else keys.values():
        try:
            body = json.loads(SUITE.decrypt(sealed, key, info))
        except (InvalidTag, ValueError, RecursionError):
            continue
        if isinstance(body, dict) and _same_id(body, envelope.submission_id) and _is_shallow(body):
            return body
    raise CannotOpen("no key of ours opens it")


def _same_id(body: Mapping[str, Any], submission_id: uuid.UUID) -> bool:
    try:
        return uuid.UUID(body.get("submission_id")) == submission_id
    except (ValueError, TypeError, AttributeError):
        return False


def _is_shallow(value: Any, left: int = MOST_DEPTH) -> bool:
    inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    return left > 0 and all(_is_shallow(one, left - 1) for one in inner)


@lru_cache(maxsize=4)
def _keys(texts: tuple[str, ...]) -> dict[str, ec.EllipticCurvePrivateKey]:
    """The keys by their ids, the one that is given out first."""
    keys: dict[str, ec.EllipticCurvePrivateKey] = {}
    for text in texts:
        key = serialization.load_pem_private_key(text.encode(), password=None)
        assert isinstance(key, ec.EllipticCurvePrivateKey)
        keys[hashlib.sha256(_point(key)).hexdigest()[:16]] = key
    return keys


def _point(key: ec.EllipticCurvePrivateKey) -> bytes:
    return key.public_key().public_bytes(
        serialization.Encoding.X962, serialization.PublicFormat.UncompressedPoint
    )
