"""Why something is not done: what every use case raises, and pages, API and commands put into words alike."""

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Problem:
    """What is wrong with one field: `pointer` is a JSON pointer (RFC 6901), `message` names the remedy."""

    pointer: str
    message: str


class BadSubmission(ValueError):
    """The body cannot be taken; `problems` says why, field by field."""

    def __init__(self, *problems: Problem) -> None:
        super().__init__("; ".join(problem.message for problem in problems))
        self.problems = problems


class NotYet(ValueError):
    """What was asked for cannot be done yet; `reasons` are codes of what stands in the way."""

    def __init__(self, *reasons: str) -> None:
        super().__init__(", ".join(reasons))
        self.reasons = reasons


class Conflict(Exception):
    """Something else stands already, by another hand or with other content. What was sent is kept where it says so.

    `standing` is the row that stands, None where the sender may not see it.
    """

    def __init__(self, standing: Any = None) -> None:
        super().__init__(str(standing or ""))
        self.standing = standing


def require_text(text: str, pointer: str, message: str) -> None:
    """Raise BadSubmission at the pointer where nothing was written."""
    if not text.strip():
        raise BadSubmission(Problem(pointer, message))
