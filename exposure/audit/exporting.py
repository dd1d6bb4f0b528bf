"""One worker's whole record with the proof of each entry, for whoever must check it without the service."""

import json
from collections.abc import Iterable, Iterator
from datetime import datetime
from typing import Any

from django.db.models import Q

from exposure.audit import heads, merkle
from exposure.audit.belonging import model_named
from exposure.audit.heads import Head
from exposure.audit.history import SIGNED, Wanted, rows_of, versions_of
from exposure.audit.leaves import Source, instant, sources
from exposure.audit.models import SealedBytes, SealEntry, SealHead

BATCH = 900
WITHHELD = frozenset({"PrivateNote"})  # what auditors are not shown either


class NoHead(Exception):
    """Nothing could be proved: no head is signed yet."""


def record_of(
    worker: Any, *, sites: frozenset[int] | None, at: datetime, only: frozenset[str] | None = None
) -> dict[str, Any]:
    """The sealed entries about the worker (and what stands under another entry of the same person), of `sites` or of
    none, and of the models in `only`, where they are named; each with its exact bytes and its proof in the newest head.
    Raises NoHead."""
    people = model_named("Worker").objects.filter(Q(pk=worker.pk) | Q(same_as=worker.pk))
    wanted = Wanted(workers=frozenset(people.values_list("pk", flat=True)), sites=sites)
    sealed = list(_sealed(wanted, only))
    if only is None or "Signature" in only:
        sealed += _of_rows("signature", _signatures(sealed))
    return proved(worker, sealed, at=at)


def proved(worker: Any, sealed: Iterable[SealedBytes], *, at: datetime) -> dict[str, Any]:
    """Entries with their proofs in the newest head, those that it covers; as `verify_record.py` reads them. Raises
    NoHead."""
    head = heads.newest()
    if head is None:
        raise NoHead
    leaves = SealEntry.objects.filter(sequence__lt=head.size).order_by("sequence")
    tree = merkle.Tree([bytes(leaf) for leaf in leaves.values_list("leaf_hash", flat=True).iterator()])
    entries = [
        {
            "sequence": one.entry_id,
            "content": bytes(one.content).decode(),
            "proof": [step.hex() for step in tree.inclusion_proof(one.entry_id)],
        }
        for one in sorted(sealed, key=lambda one: one.entry_id)
        if one.entry_id < head.size
    ]
    hand_overs = SealHead.objects.exclude(next_key="").order_by("pk")
    return {
        "worker": worker.number or str(worker.uid),
        "exported_at": instant(at),
        "head": Head.of(head).as_json(),
        "hand_overs": [Head.of(row).as_json() for row in hand_overs],
        "entries": entries,
    }


def _sealed(wanted: Wanted, only: frozenset[str] | None) -> Iterator[SealedBytes]:
    for source in sources():
        name = source.of.__name__
        if name not in WITHHELD and (only is None or name in only):
            yield from _of_rows(source.name, _keys(source, wanted))


def _of_rows(source: str, rows: Iterable[int]) -> Iterator[SealedBytes]:
    rows = list(rows)
    for start in range(0, len(rows), BATCH):
        part = rows[start : start + BATCH]
        yield from SealedBytes.objects.filter(entry__model=source, entry__row__in=part)


def _signatures(sealed: Iterable[SealedBytes]) -> Iterable[int]:
    """Rows of signatures on one of these, which name it by its uid."""
    uids = {json.loads(bytes(one.content))["fields"].get("uid") for one in sealed}
    subjects = [f"{kind}:{uid}" for kind in SIGNED for uid in uids]
    for start in range(0, len(subjects), BATCH):
        signed = model_named("Signature").objects.filter(subject__in=subjects[start : start + BATCH])
        yield from signed.values_list("pk", flat=True)


def _keys(source: Source, wanted: Wanted) -> Iterable[int]:
    rows = rows_of(source.of, wanted) if source.of is source.model else versions_of(source.of, wanted)
    return rows.order_by().values_list("pk", flat=True)
