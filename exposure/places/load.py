"""Load protocols, failure types and first-aid cards from their YAML file; again the same file changes nothing."""

from pathlib import Path
from typing import Any

import yaml
from django.db import transaction

from exposure.places.models import FailureType, FirstAidCard, Protocol, Step, StepFailure
from exposure.record import Recorded


@transaction.atomic
def load_protocols(file: Path) -> int:
    """Create or bring up to date what the file names. Returns how many protocols it holds."""
    content = yaml.safe_load(file.read_text())
    cards = {
        row["code"]: _put(
            FirstAidCard,
            {"code": row["code"]},
            title=row["title"],
            lines=row["text"],
            urgent=row["urgent"],
            source=row["source"],
        )
        for row in content["cards"]
    }
    failures = {
        row["code"]: _put(
            FailureType,
            {"code": row["code"]},
            label=row["label"],
            card=cards[row["card"]] if row["card"] else None,
            through_skin=row["through_skin"],
        )
        for row in content["failures"]
    }
    for row in content["protocols"]:
        protocol = _put(Protocol, {"code": row["code"]}, title=row["title"], source=row["source"])
        for position, step in enumerate(row["steps"], start=1):
            _put_step(protocol, position, step, failures)
    return len(content["protocols"])


def _put_step(protocol: Protocol, position: int, row: dict[str, Any], failures: dict[str, Any]) -> None:
    step = _put(
        Step,
        {"protocol": protocol, "code": row["code"]},
        position=position,
        item=row["item"],
        action=row["action"],
        source=row["source"],
    )
    for place, code in enumerate(row["failures"], start=1):
        _put(StepFailure, {"step": step, "failure": failures[code]}, position=place)


def _put(model: type[Recorded], key: dict[str, Any], **values: Any) -> Any:
    """The row with that key and those values; written only where something differs."""
    row = model.objects.filter(**key).first()
    if row is None:
        return model.objects.create(**key, **values)
    if any(getattr(row, name) != value for name, value in values.items()):
        for name, value in values.items():
            setattr(row, name, value)
        row.save()
    return row
