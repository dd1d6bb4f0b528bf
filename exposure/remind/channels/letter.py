"""What a channel is given to deliver."""

from dataclasses import dataclass
from uuid import UUID


@dataclass(frozen=True, slots=True)
class Letter:
    """One message to one address, as it leaves: the words are final, and no channel looks anything up about the person.

    `uid` is the same at every attempt: the idempotency key towards the gateway. `address` is what the channel knows
    (an e-mail address; a number like +441632960001; the primary key of a push subscription as text). `subject` is one
    line. `link` is an absolute address of this service that `body` may hold too; "" where there is none.
    """

    uid: UUID
    address: str
    subject: str
    body: str
    link: str = ""
