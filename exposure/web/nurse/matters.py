"""Needs action, person by person: all that waits for one of them stands together, under the most urgent of it."""

from collections.abc import Iterable
from dataclasses import dataclass

from exposure.people.models import Worker
from exposure.places.models import Site
from exposure.web.nurse.deed import anchor_of
from exposure.web.nurse.waits import Line

Key = tuple[str, int | str]


@dataclass(frozen=True)
class Matter:
    """All that waits for one person, most urgent first; of nobody (criteria), one thing."""

    lines: tuple[Line, ...]

    @property
    def worker(self) -> Worker | None:
        return self.lines[0].worker

    @property
    def site(self) -> Site:
        return self.lines[0].site

    @property
    def anchor(self) -> str:
        """Where on the page it stands: the same as long as anything waits for the person."""
        return anchor_of(self.worker) if self.worker is not None else ""

    def has(self, cause: str) -> bool:
        return any(line.cause == cause for line in self.lines)


def matters(lines: Iterable[Line]) -> list[Matter]:
    """The lines by whom they are about. They come in order of urgency: whoever has the most urgent stands first."""
    grouped: dict[Key, list[Line]] = {}
    for line in lines:
        grouped.setdefault(_whose(line), []).append(line)
    return [Matter(tuple(group)) for group in grouped.values()]


def _whose(line: Line) -> Key:
    return ("worker", line.worker.pk) if line.worker is not None else ("page", line.url)
