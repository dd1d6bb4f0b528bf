"""Needs action, person by person: all that waits for one of them stands together, under the most urgent of it.

Of a case that has changed, everybody who waits for a decision stands together, under the case.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from exposure.people.models import User, Worker
from exposure.places.models import Site
from exposure.report.models import Case
from exposure.web.nurse.deed import anchor_of
from exposure.web.nurse.waits import Line

Key = tuple[str, int | str]


@dataclass(frozen=True)
class Matter:
    """All that waits for one person, or for one `case` that has changed, most urgent first; of nobody (criteria), one
    thing."""

    lines: tuple[Line, ...]
    case: Case | None = None

    @property
    def first(self) -> Line:
        return self.lines[0]

    @property
    def worker(self) -> Worker | None:
        return self.first.worker if self.case is None else None

    @property
    def site(self) -> Site:
        return self.case.site if self.case is not None else self.first.site

    @property
    def people(self) -> int:
        """How many people wait, of a case."""
        return len({line.worker.pk for line in self.lines if line.worker is not None})

    @property
    def holders(self) -> list[str]:
        """Who has any of it, each once."""
        return list(dict.fromkeys(line.holder for line in self.lines if line.holder))

    @property
    def held(self) -> int:
        return sum(bool(line.holder) for line in self.lines)

    @property
    def anchor(self) -> str:
        """Where on the page it stands: the same as long as anything waits."""
        if self.case is not None:
            return f"case-{self.case.uid}"
        return anchor_of(self.worker) if self.worker is not None else ""

    def is_held_by(self, user: User) -> bool:
        return any(line.held_by == user for line in self.lines)

    def has(self, cause: str) -> bool:
        return any(line.cause == cause for line in self.lines)


def matters(lines: Iterable[Line]) -> list[Matter]:
    """The lines by whom they are about. They come in order of urgency: whoever has the most urgent stands first."""
    grouped: dict[Key, list[Line]] = {}
    cases: dict[Key, Case] = {}
    for line in lines:
        for key, case in _whose(line):
            grouped.setdefault(key, []).append(line)
            if case is not None:
                cases[key] = case
    return [Matter(tuple(group), cases.get(key)) for key, group in grouped.items()]


def _whose(line: Line) -> Iterator[tuple[Key, Case | None]]:
    for case in line.cases:
        yield ("case", case.pk), case
    if not line.cases:
        yield (("worker", line.worker.pk) if line.worker is not None else ("page", line.url)), None
