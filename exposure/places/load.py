"""Load protocols, failure types and first-aid cards from their YAML file; again the same file changes nothing."""

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, TypeVar

import yaml
from django.db import transaction

from exposure.places.models import FailureType, FirstAidCard, Protocol, Step, StepFailure
from exposure.record import Recorded, create_many

Row = TypeVar("Row", bound=Recorded)
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
    usual = (
        StepFailure(step=steps[protocol.pk, step["code"]], failure=failures[code], position=place)
        for protocol, _position, step in planned
        for place, code in enumerate(step["failures"], start=1)
    )
    _bring(StepFailure, lambda one: (one.step_id, one.failure_id), usual)
    return len(protocols)


def _by_code(row: Any) -> str:
    return row.code


def _card(row: dict[str, Any]) -> FirstAidCard:
    return FirstAidCard(
        code=row["code"], title=row["title"], lines=row["text"], urgent=row["urgent"], source=row["source"]
    )


def _failure(row: dict[str, Any], cards: dict[Any, FirstAidCard]) -> FailureType:
    card = cards[row["card"]] if row["card"] else None
    return FailureType(code=row["code"], label=row["label"], card=card, through_skin=row["through_skin"])


def _protocol(row: dict[str, Any]) -> Protocol:
    return Protocol(code=row["code"], title=row["title"], source=row["source"])


def _step(protocol: Protocol, position: int, row: dict[str, Any]) -> Step:
    return Step(
        protocol=protocol,
        position=position,
        code=row["code"],
        item=row["item"],
        action=row["action"],
        source=row["source"],
    )


def _bring(model: type[Row], key: Callable[[Row], Any], wanted: Iterable[Row]) -> dict[Any, Row]:
    """Insert what is new, save what differs. Returns the stored rows by key."""
    stored = {key(row): row for row in model.objects.all()}
    fresh = []
    for row in wanted:
        standing = stored.get(key(row))
        if standing is None:
            fresh.append(row)
        elif _take_over(standing, row):
            standing.save()
    return stored | {key(row): row for row in create_many(model, fresh)}


def _take_over(standing: Recorded, row: Recorded) -> bool:
    """Copy what the file says onto the stored row. Whether anything differed."""
    names = [field.attname for field in row._meta.concrete_fields if field.attname not in ("id", "uid")]
    differing = [name for name in names if getattr(standing, name) != getattr(row, name)]
    for name in differing:
        setattr(standing, name, getattr(row, name))
    return bool(differing)
