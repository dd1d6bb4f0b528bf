"""How a channel says no."""


class Refused(Exception):
    """The gateway did not take the letter; `permanent` says that trying again is pointless.

    The detail is stored and may be logged: codes and kinds of errors only, no gateway's words, which may repeat the
    address.
    """

    def __init__(self, detail: str, *, permanent: bool) -> None:
        super().__init__(detail)
        self.permanent = permanent
