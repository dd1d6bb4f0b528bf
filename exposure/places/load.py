"""Load protocols, failure types and first-aid cards from their YAML file; again the same file changes nothing.

What somebody has edited at the site since stays as they wrote it. Only what a later release adds to a row and the site
cannot have meant otherwise is taken over all the same (`ALWAYS`): without its emergency a card would be missing from
the buttons, without its group a failure would stand among what is nothing else.
"""

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, TypeVar

import yaml
from django.db import transaction

from exposure.places.models import FailureType, FirstAidCard, Protocol, Step, StepFailure
from exposure.record import Recorded, create_many, remove

Row = TypeVar("Row", bound=Recorded)
ALWAYS = ("emergency", "bloodborne", "group")
SAFE_LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)  # the same in C, where PyYAML was built with it


@transaction.atomic
def load_protocols(file: Path) -> int:
    """Create or bring up to date what the file names. Returns how many protocols it holds."""
    content = yaml.load(file.read_text(), Loader=SAFE_LOADER)
    cards = _bring(FirstAidCard, _by_code, (_card(row) for row in content["cards"]))
    failures = _bring(FailureType, _by_code, (_failure(row, cards) for row in content["failures"]))
    protocols = _bring(Protocol, _by_code, (_protocol(row) for row in content["protocols"]))
    planned = [
        (protocols[row["code"]], position, step)
        for row in content["protocols"]
        for position, step in enumerate(row["steps"], start=1)
    ]
    steps = _bring(Step, lambda step: (step.protocol_id, step.code), (_step(*one) for one in planned))
    usual = [
        StepFailure(step=steps[protocol.pk, step["code"]], failure=failures[code], position=place)
        for protocol, _position, step in planned
        for place, code in enumerate(step["failures"], start=1)
    ]
    brought = _bring(StepFailure, _of_step, usual)
    _drop_unusual(brought, named={_of_step(row) for row in usual}, steps={row.step_id for row in usual})
    return len(protocols)


def _drop_unusual(stored: dict[Any, StepFailure], *, named: set[Any], steps: set[int]) -> None:
    """What the file no longer names at one of its steps goes, unless somebody at the site has put it there."""
    dropped = {key: row for key, row in stored.items() if key not in named and row.step_id in steps}
    if dropped:
        edited = _edited(StepFailure)
        for row in dropped.values():
            if row.pk not in edited:
                remove(row)


def _of_step(row: StepFailure) -> tuple[int, int]:
    return row.step_id, row.failure_id


def _by_code(row: Any) -> str:
    return row.code


def _card(row: dict[str, Any]) -> FirstAidCard:
    return FirstAidCard(
        code=row["code"],
        title=row["title"],
        lines=row["text"],
        urgent=row["urgent"],
        emergency=row.get("emergency", ""),
        minutes=row.get("minutes"),
        source=row["source"],
    )


def _failure(row: dict[str, Any], cards: dict[Any, FirstAidCard]) -> FailureType:
    card = cards[row["card"]] if row["card"] else None
    marked = row["bloodborne"]
    return FailureType(
        code=row["code"],
        label=row["label"],
        card=card,
        group=row["group"],
        answers=row.get("answers", {}),
        bloodborne=marked,
        through_skin=marked,
    )


def _protocol(row: dict[str, Any]) -> Protocol:
    return Protocol(code=row["code"], title=row["title"], source=row["source"])


def _step(protocol: Protocol, position: int, row: dict[str, Any]) -> Step:
    return Step(
        protocol=protocol,
        position=position,
        code=row["code"],
        item=row["item"],
        action=row["action"],
        way_out=row.get("way_out", False),
        source=row["source"],
    )


def _bring(model: type[Row], key: Callable[[Row], Any], wanted: Iterable[Row]) -> dict[Any, Row]:
    """Insert what is new, save what differs. Returns the stored rows by key."""
    stored = {key(row): row for row in model.objects.all()}
    edited = _edited(model) if stored else frozenset()
    fresh = []
    for row in wanted:
        standing = stored.get(key(row))
        if standing is None:
            fresh.append(row)
        elif _take_over(standing, row, edited=standing.pk in edited):
            standing.save()
    return stored | {key(row): row for row in create_many(model, fresh)}


def _edited(model: type[Recorded]) -> frozenset[int]:
    """The rows that people have written to."""
    versions = model.history.filter(history_user_id__startswith="user:")
    return frozenset(versions.values_list("id", flat=True))


def _take_over(standing: Recorded, row: Recorded, *, edited: bool) -> bool:
    """Copy what the file says onto the stored row. Whether anything differed."""
    names = [field.attname for field in row._meta.concrete_fields if field.attname not in ("id", "uid")]
    if edited:
        names = [name for name in ALWAYS if name in names and not getattr(standing, name)]
    differing = [name for name in names if getattr(standing, name) != getattr(row, name)]
    for name in differing:
        setattr(standing, name, getattr(row, name))
    return bool(differing)
