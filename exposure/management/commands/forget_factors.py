"""Somebody has lost phone, key and recovery codes: whoever runs the server, having seen who they are, takes the second
factors away. The holder sets up others at the next sign-in."""

from argparse import ArgumentParser
from typing import Any

from allauth.mfa.models import Authenticator
from allauth.usersessions.models import UserSession
from django.core.management.base import BaseCommand, CommandError
from django.db import transaction

from exposure import clock
from exposure.audit.access_log import note_look
from exposure.audit.models import AccessEntry
from exposure.people import pins
from exposure.people.models import User
from exposure.record import acting


class Command(BaseCommand):
    help = "Takes an account's second factors away, and signs it out everywhere. Make sure who asks."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("name", metavar="NAME", help="the sign-in name")

    def handle(self, *args: Any, name: str, **options: Any) -> None:
        user = User.objects.filter(name__iexact=name).first()
        if user is None:
            raise CommandError(f"There is no account {name}.")
        at = clock.now()
        with acting("command:forget_factors", "command line", "lost", at=at), transaction.atomic():
            count = Authenticator.objects.filter(user=user).delete()[0]
            pins.end_all(user, at=at)
            note_look(user, AccessEntry.Kind.FACTOR, "sign-in", at=at)
        for session in UserSession.objects.filter(user=user):
            session.end()
        self.stdout.write(f"{user.name}: {count} taken away, and signed out everywhere.")
