"""A channel for tests: it keeps what it is given."""

from collections.abc import Iterable

from exposure.remind.channels.letter import Letter
from exposure.remind.channels.refusal import Refused


class Recording:
    """Called as any channel's `send`. Refuses as told, letter by letter, and takes every later one."""

    def __init__(self, refusals: Iterable[Refused | None] = ()) -> None:
        self.letters: list[Letter] = []
        self.refusals = list(refusals)

    def __call__(self, letter: Letter) -> None:
        refusal = self.refusals.pop(0) if self.refusals else None
        if refusal is not None:
            raise refusal
        self.letters.append(letter)
