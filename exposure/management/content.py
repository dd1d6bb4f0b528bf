"""Published content that ships with the service: protocols, and criteria as proposals that nobody has approved."""

from datetime import datetime
from pathlib import Path

from django.conf import settings

from exposure.classify.assess import propose_text
from exposure.places.load import load_protocols

FIXTURES: Path = settings.BASE_DIR / "fixtures"


def load_published(*, at: datetime) -> None:
    """Load or bring up to date. Criteria stand as proposed until two physicians have approved them."""
    load_protocols(FIXTURES / "protocols.yaml")
    for file in sorted((FIXTURES / "criteria").glob("*.yaml")):
        propose_text(file.read_text(), by="command:start", at=at, proposed=True)
