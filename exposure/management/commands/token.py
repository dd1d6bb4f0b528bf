"""Keys to the API by hand."""

from argparse import ArgumentParser, ArgumentTypeError
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from exposure import clock
from exposure.people import tokens
from exposure.people.models import User
from exposure.record import acting

MOST_DAYS = 3650


def _days(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= MOST_DAYS:
        raise ArgumentTypeError(f"give whole days from 1 to {MOST_DAYS}")
    return int(text)


class Command(BaseCommand):
    help = (
        "Prints a new API token for an account, once: only its hash is kept. Or revokes the account's tokens."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("name", metavar="NAME", help="the account's sign-in name")
        parser.add_argument("--days", type=_days, default=90, help="how long it works (90)")
        parser.add_argument("--label", default="", help="what it is for")
        parser.add_argument("--revoke", action="store_true", help="make no token; revoke all that still work")

    def handle(self, *args: Any, name: str, days: int, label: str, revoke: bool, **options: Any) -> None:
        user = User.objects.filter(name__iexact=name).first()
        if user is None:
            raise CommandError(f"There is no account with the sign-in name {name}.")
        at = clock.now()
        with acting("command:token", "command line", at=at):
            if revoke:
                self.stdout.write(f"Tokens of {user.name} revoked: {tokens.revoke(user, at=at)}.")
                return
            if not user.is_active:
                raise CommandError(f"The account {user.name} is switched off.")
            key, token = tokens.issue(user, label=label[:100], days=days, at=at)
        # The key alone on the standard output, so that a script can take it from there.
        self.stderr.write(
            f"For {user.name} until {token.expires_at:%Y-%m-%d %H:%M} UTC. It is not shown again."
        )
        self.stdout.write(key)
