"""Published content that ships with the service: protocols, and criteria as proposals that nobody has approved."""

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

from django.conf import settings

from exposure.classify.assess import propose_text
from exposure.classify.criteria import Criteria
from exposure.places.load import load_protocols

FIXTURES: Path = settings.BASE_DIR / "fixtures"


def load_published(*, at: datetime) -> None:
    """Load or bring up to date. Criteria stand as proposed until two physicians have approved them.

    A text that a later one replaces is proposed to nobody any more; where it stands already it stays as it is.
    """
    load_protocols(FIXTURES / "protocols.yaml")
    for content in standing_criteria():
        propose_text(content, by="command:start", at=at, proposed=True)


def standing_criteria() -> Iterator[str]:
    """The shipped criteria texts that no other shipped text replaces. A file is named PATHOGEN-VERSION.yaml, and a
    later version stands later by name, so what it replaces need not even be parsed."""
    replaced: set[str] = set()
    for file in sorted((FIXTURES / "criteria").glob("*.yaml"), reverse=True):
        if file.stem not in replaced:
            criteria = Criteria.parse(file.read_text(encoding="utf-8"))
            replaced |= {f"{criteria.pathogen}-{version}" for version in criteria.replaces}
            yield criteria.text
