"""A bound on work that is counted in steps and never in seconds, so that every machine gives the same answer."""

from exposure.classify.document import CriteriaError


class TooIntricate(CriteriaError):
    """The rules are too entangled to decide exactly within bounded time and memory."""

    def __init__(
        self,
        message: str = "the rules are too entangled to decide exactly; name fewer facts in each, or split the facts "
        "over two files",
        *,
        line: int | None = None,
        path: str = "",
    ) -> None:
        super().__init__(message, line=line, path=path)


class Budget:
    """So many steps, for one piece of work in one thread."""

    __slots__ = ("most", "spent")

    def __init__(self, most: int) -> None:
        self.most, self.spent = most, 0

    def spend(self, steps: int = 1) -> None:
        """Raises TooIntricate where these steps are more than is left."""
        self.spent += steps
        if self.spent > self.most:
            raise TooIntricate
