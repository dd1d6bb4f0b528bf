"""Signed heads: the root over all entries so far, signed with Ed25519, kept in the database and in a file outside it.

A key hands over to the next one in a head that the old key has signed, so that whoever trusts the first key can follow
the chain to the last. The file has one head a line, as JSON; whoever keeps a copy of it elsewhere can prove later
what the record was.
"""

import fcntl
import json
import logging
import os
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Self

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from django.conf import settings
from django.db import IntegrityError, transaction
from django.db.models import QuerySet

from exposure.audit.leaves import instant
from exposure.audit.merkle import HASH_BYTES, Frontier
from exposure.audit.models import SealEntry, SealHead

log = logging.getLogger(__name__)

FILE = "heads.jsonl"
TAIL = 4096  # bytes, more than a line has
HEX_KEY, HEX_SIGNATURE = 64, 128  # digits


@dataclass(frozen=True)
class Head:
    """A head as it is signed and shown. `at` is the RFC 3339 text that was signed; `next_key` "" or of a hand-over."""

    size: int
    root: bytes
    at: str
    key: str
    next_key: str
    signature: bytes

    @classmethod
    def of(cls, row: SealHead) -> Self:
        return cls(row.size, bytes(row.root), instant(row.at), row.key, row.next_key, bytes(row.signature))

    @classmethod
    def read(cls, text: str) -> Self:
        """A line of a file. Raises ValueError."""
        try:
            given = json.loads(text)
            head = cls(
                given["size"],
                bytes.fromhex(given["root"]),
                given["at"],
                given["key"],
                given["next_key"],
                bytes.fromhex(given["signature"]),
            )
        except (ValueError, TypeError, KeyError) as error:
            raise ValueError("This is no head of a seal.") from error
        texts = (head.at, head.key, head.next_key)
        if type(head.size) is not int or head.size < 0 or not all(isinstance(text, str) for text in texts):
            raise ValueError("This is no head of a seal.")
        return head

    def statement(self) -> dict[str, Any]:
        """What is signed, as RFC 8785 JSON."""
        return {
            "at": self.at,
            "key": self.key,
            "next_key": self.next_key,
            "root": self.root.hex(),
            "size": self.size,
        }

    def as_json(self) -> dict[str, Any]:
        return {**self.statement(), "signature": self.signature.hex()}

    def is_signed(self) -> bool:
        """Whether the signature is that of its key over what it says."""
        try:
            Ed25519PublicKey.from_public_bytes(bytes.fromhex(self.key)).verify(
                self.signature, _signed_bytes(self.statement())
            )
        except (ValueError, InvalidSignature):
            return False
        return True


def _signed_bytes(statement: dict[str, Any]) -> bytes:
    return json.dumps(statement, sort_keys=True, separators=(",", ":")).encode()


def own_key() -> Ed25519PrivateKey | None:
    """The key that this installation signs with. Read each time: a hand-over may have put another in its place."""
    text = settings.SEAL_KEY or (settings.LOCAL_SEAL_KEY.read_text() if settings.LOCAL_SEAL_KEY else "")
    return read_key(text) if text else None


def read_key(text: str) -> Ed25519PrivateKey:
    """A private key from PEM. Raises ValueError."""
    key = serialization.load_pem_private_key(text.encode(), password=None)
    if not isinstance(key, Ed25519PrivateKey):
        raise ValueError("This is no Ed25519 key.")
    return key


def public(key: Ed25519PrivateKey) -> str:
    """The public key, as heads name it."""
    return key.public_key().public_bytes_raw().hex()


def newest() -> SealHead | None:
    return SealHead.objects.order_by("-pk").first()


def due_key(head: SealHead | None) -> str:
    """The public key that must sign what comes after this head; "" before the first."""
    return (head.next_key or head.key) if head else ""


def sign(key: Ed25519PrivateKey, size: int, *, at: datetime, next_key: str = "") -> SealHead | None:
    """Sign the root over the first `size` entries; None where it may not be or another has just done it."""
    last = newest()
    if due_key(last) not in ("", public(key)):
        log.error("The seals were handed over to key %s, and this process signs with another.", due_key(last))
        return None
    frontier = Frontier(last.size, _hashes(last.peaks)) if last else Frontier()
    if size < frontier.size:
        log.error("The record has %s entries, and its newest head has %s: run verify.", size, frontier.size)
        return None
    added = SealEntry.objects.filter(sequence__gte=frontier.size, sequence__lt=size).order_by("sequence")
    for leaf in added.values_list("leaf_hash", flat=True).iterator(chunk_size=10_000):
        frontier.append(bytes(leaf))
    if frontier.size != size:
        log.error("The record lacks entries before %s: run verify.", size)
        return None
    head = Head(size, frontier.root(), instant(at), public(key), next_key, b"")
    row = SealHead(
        size=size,
        root=head.root,
        at=at,
        key=head.key,
        next_key=next_key,
        signature=key.sign(_signed_bytes(head.statement())),
        peaks=b"".join(frontier.peaks),
    )
    try:
        with transaction.atomic():
            row.save(force_insert=True)
    except IntegrityError:  # another process signed the same
        return None
    return row


def _hashes(joined: bytes) -> list[bytes]:
    joined = bytes(joined)
    return [joined[start : start + HASH_BYTES] for start in range(0, len(joined), HASH_BYTES)]


def write_out() -> int:
    """Add to the file outside the database what it lacks; returns how many heads. Raises OSError.

    A line that a crash has cut off is taken away: its head is in the database. Two at once wait for each other.
    """
    last = newest()
    folder: Path = settings.SEAL_HEADS_DIR
    if last is None:
        return 0
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    with (folder / FILE).open("a+b") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        lines = _last_lines(file)
        if lines and _signature(lines[-1]) == bytes(last.signature):
            return 0
        missing = _missing(file, lines)
        file.write(b"".join(json.dumps(Head.of(row).as_json()).encode() + b"\n" for row in missing))
        file.flush()
        os.fsync(file.fileno())
    return len(missing)


def _last_lines(file: Any) -> list[bytes]:
    """The last whole lines; what stands behind them is cut off."""
    end = file.seek(0, os.SEEK_END)
    file.seek(max(0, end - TAIL))
    tail = file.read()
    torn = len(tail) - (tail.rfind(b"\n") + 1)
    if torn:
        file.truncate(end - torn)
        tail = tail[:-torn]
    return tail.splitlines()


def _missing(file: Any, lines: list[bytes]) -> list[SealHead]:
    """Heads that the file has not: usually those after its last line, else whatever it lacks."""
    known = SealHead.objects.filter(signature=_signature(lines[-1])).first() if lines else None
    if known is not None:
        return list(_after(known))
    file.seek(0)
    written = {_signature(line) for line in file}
    return [row for row in SealHead.objects.order_by("pk") if bytes(row.signature) not in written]


def _after(head: SealHead) -> QuerySet[SealHead]:
    return SealHead.objects.filter(pk__gt=head.pk).order_by("pk")


def _signature(line: bytes) -> bytes:
    try:
        return Head.read(line.decode()).signature
    except ValueError:
        return b""
