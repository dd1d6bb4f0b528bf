"""Receipts: for a row that somebody sent, the code of its leaf, which nobody can give to other bytes.

The code is how the leaf's hash begins. Whoever has written it down can ask later whether the row still is what it was;
with the receipt's file `verify_record.py` asks without the service.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from exposure.audit.exporting import proved
from exposure.audit.leaves import by_name
from exposure.audit.merkle import leaf_hash
from exposure.audit.models import SealedBytes, SealEntry, SealHead
from exposure.audit.verification import unlike_its_seal
from exposure.audit.verify_record import CODE_DIGITS

GROUP = 4


@dataclass(frozen=True)
class Receipt:
    """`code` in groups of four; `signed_at` is the instant of the first head that covers it, None before."""

    row: int
    code: str
    sequence: int
    signed_at: datetime | None


def receipts(source: str, rows: Iterable[int]) -> dict[int, Receipt]:
    """Key of a row -> its receipt, for those that are sealed: two statements."""
    entries = list(SealEntry.objects.filter(model=source, row__in=list(rows)))
    first = min((entry.sequence for entry in entries), default=0)
    signed = list(SealHead.objects.filter(size__gt=first).order_by("size", "pk").values_list("size", "at"))
    return {
        entry.row: Receipt(
            entry.row,
            code_of(bytes(entry.leaf_hash)),
            entry.sequence,
            next((at for size, at in signed if size > entry.sequence), None),
        )
        for entry in entries
    }


def code_of(leaf: bytes) -> str:
    """How the hash begins, in groups that can be read aloud."""
    digits = leaf.hex()[:CODE_DIGITS]
    return " ".join(digits[start : start + GROUP] for start in range(0, CODE_DIGITS, GROUP))


def is_code(typed: str, code: str) -> bool:
    """Whether somebody typed this code, however grouped."""
    return "".join(typed.split()).replace("-", "").lower() == code.replace(" ", "")


def stands(receipt: Receipt) -> bool:
    """Whether bytes and row are still those of the receipt."""
    sealed = SealedBytes.objects.filter(pk=receipt.sequence).select_related("entry").first()
    if sealed is None or code_of(leaf_hash(bytes(sealed.content))) != receipt.code:
        return False
    rows = by_name()[sealed.entry.model].read([sealed.entry.row])
    return not unlike_its_seal(sealed, rows.get(sealed.entry.row))


def file_of(worker: Any, receipt: Receipt, *, at: datetime) -> dict[str, Any]:
    """The receipt as a record of one entry. Raises NoHead."""
    return proved(worker, SealedBytes.objects.filter(pk=receipt.sequence), at=at)
