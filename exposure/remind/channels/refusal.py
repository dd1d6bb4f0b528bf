"""How a channel says no."""


class Refused(Exception):
    """The gateway did not take the message; `permanent` says that trying again is pointless."""

    def __init__(self, detail: str, *, permanent: bool) -> None:
        super().__init__(detail)
        self.permanent = permanent
