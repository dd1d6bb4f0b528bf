"""Checks an exported record or a receipt without the service:

    python verify_record.py RECORD.json --key KEY | --heads HEADS.jsonl [--code CODE]

Needs Python 3.11 and the package `cryptography`; this one file is all of it. What it asks of every entry of the file:

1. Its exact bytes, behind one zero byte, have a SHA-256: the leaf.
2. The leaf and the entry's proof lead to the root in the file's head (RFC 9162, section 2.1.3.2).
3. The head is signed with Ed25519 by the key that it names (RFC 8032).
4. That key is KEY, or one to which KEY has handed over, head by head; with --heads, the first key of a file of heads
   that somebody has kept elsewhere, and then the file's head must also stand in there, if it is not newer than all.

5. With --code: one of its entries has the receipt's code, which is how its leaf begins, in hexadecimal digits.

Then every entry was in the record, as it stands here, when the head was signed. It does not prove that nothing was
left out of the file. Exit code 0 only if everything holds.
"""

import argparse
import hashlib
import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

CODE_DIGITS = 20
SIGNED = ("at", "key", "next_key", "root", "size")


class Refused(Exception):
    """What does not hold, in words."""


def leaf_hash(content: str) -> bytes:
    return hashlib.sha256(b"\x00" + content.encode("utf-8")).digest()


def root_of(leaf: bytes, index: int, size: int, proof: Sequence[bytes]) -> bytes:
    """Where the proof leads from the leaf at `index` of a tree of `size` leaves (RFC 9162, 2.1.3.2)."""
    if not 0 <= index < size:
        raise Refused("its number is not within the head's size")
    place, last, reached = index, size - 1, leaf
    for step in proof:
        if last == 0:
            raise Refused("its proof is too long")
        if place % 2 == 1 or place == last:
            reached = hashlib.sha256(b"\x01" + step + reached).digest()
            while place % 2 == 0 and place != 0:
                place, last = place // 2, last // 2
        else:
            reached = hashlib.sha256(b"\x01" + reached + step).digest()
        place, last = place // 2, last // 2
    if last != 0:
        raise Refused("its proof is too short")
    return reached


def check_signature(head: dict[str, Any]) -> None:
    """The signature is over this JSON: these five names in this order, no spaces."""
    statement = json.dumps({name: head[name] for name in SIGNED}, separators=(",", ":")).encode()
    try:
        key = Ed25519PublicKey.from_public_bytes(bytes.fromhex(head["key"]))
        key.verify(bytes.fromhex(head["signature"]), statement)
    except (InvalidSignature, ValueError) as error:
        raise Refused(f"the head of {head['at']} is not signed by its key") from error


def check_keys(trusted: str, hand_overs: Sequence[dict[str, Any]], last: str) -> None:
    """Whether the trusted key leads to the last one, each signing for the next."""
    key = trusted.lower()
    for head in hand_overs:
        if head["key"] == key and head["next_key"]:
            check_signature(head)
            key = head["next_key"]
    if key != last:
        raise Refused("the head is signed by a key that the trusted one has not handed over to")


def check_entry(entry: dict[str, Any], head: dict[str, Any]) -> None:
    proof = [bytes.fromhex(step) for step in entry["proof"]]
    reached = root_of(leaf_hash(entry["content"]), entry["sequence"], head["size"], proof)
    if reached.hex() != head["root"]:
        raise Refused("its bytes are not those that were sealed")
    if json.loads(entry["content"])["sequence"] != entry["sequence"]:
        raise Refused("its bytes were sealed under another number")


def check_kept(head: dict[str, Any], kept: Sequence[dict[str, Any]]) -> None:
    for other in kept:
        check_signature(other)
        if other["size"] == head["size"] and other["root"] != head["root"]:
            raise Refused(f"the head kept of {other['at']} has another root over the same entries")
    if head not in kept and head["size"] <= max((other["size"] for other in kept), default=-1):
        raise Refused("the head is not among those that were kept")


def check_code(code: str, entries: Sequence[dict[str, Any]]) -> None:
    digits = "".join(code.split()).replace("-", "").lower()
    if len(digits) < CODE_DIGITS:
        raise Refused(f"a receipt's code has at least {CODE_DIGITS} digits")
    if not any(leaf_hash(entry["content"]).hex().startswith(digits) for entry in entries):
        raise Refused("no entry of the file has this code")


def check(record: dict[str, Any], *, trusted: str, kept: Sequence[dict[str, Any]] = ()) -> int:
    """How many entries hold; raises Refused with what does not."""
    head, entries = record["head"], record["entries"]
    check_signature(head)
    if kept:
        check_kept(head, kept)
    check_keys(trusted, record["hand_overs"], head["key"])
    for entry in entries:
        try:
            check_entry(entry, head)
        except Refused as refused:
            raise Refused(f"entry {entry['sequence']}: {refused}") from None
    if len({entry["sequence"] for entry in entries}) != len(entries):
        raise Refused("an entry stands in the file twice")
    return len(entries)


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description="Checks an exported record without the service.")
    parser.add_argument("record", type=Path)
    trust = parser.add_mutually_exclusive_group(required=True)
    trust.add_argument("--key", default="", help="the public key that you trust, 64 hexadecimal digits")
    trust.add_argument("--heads", type=Path, help="heads that you have kept, one a line, oldest first")
    parser.add_argument("--code", default="", help="the code of a receipt that the file must hold")
    given = parser.parse_args(arguments)
    try:
        record = json.loads(given.record.read_text(encoding="utf-8"))
        lines = given.heads.read_text(encoding="utf-8").splitlines() if given.heads else []
        kept = [json.loads(line) for line in lines if line]
        trusted = given.key or (kept[0]["key"] if kept else "")
        count = check(record, trusted=trusted, kept=kept)
        if given.code:
            check_code(given.code, record["entries"])
    except Refused as refused:
        sys.stderr.write(f"REFUSED: {refused}.\n")
        return 1
    except (OSError, ValueError, TypeError, KeyError, AttributeError) as error:
        sys.stderr.write(f"REFUSED: a file cannot be read as it should: {error!r}.\n")
        return 2
    head = record["head"]
    sys.stdout.write(
        f"All {count} entries were in the record of {head['size']} that was signed at {head['at']}.\n"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
