"""The first account of an installation: somebody who can make the others."""

import secrets
from argparse import ArgumentParser
from typing import Any

from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError
from django.db import transaction

from exposure import clock
from exposure.people.models import Role, User
from exposure.record import acting


class Command(BaseCommand):
    help = "Makes an administrator's account for all sites and prints its first password, once."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("name", metavar="NAME", help="the sign-in name")
        parser.add_argument("--full-name", default="", help="the person's name, as pages show it")

    def handle(self, *args: Any, name: str, full_name: str, **options: Any) -> None:
        at = clock.now()
        password = secrets.token_urlsafe(15)
        user = User(name=name, full_name=full_name or name)
        user.set_password(password)
        try:
            user.full_clean()
        except ValidationError as refusal:
            raise CommandError(" ".join(refusal.messages)) from refusal
        with (
            acting("command:administrator", "command line", "account of an administrator", at=at),
            transaction.atomic(),
        ):
            user.save()
            Role.objects.create(user=user, kind=Role.Kind.ADMINISTRATOR, from_at=at)
        # The password alone on the standard output, so that a script can take it from there.
        self.stderr.write(f"{user.name} may set up everything, at /admin/. The password is shown this once:")
        self.stdout.write(password)
