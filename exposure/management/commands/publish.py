"""Bring the content that ships with the service into the database."""

from typing import Any

from django.core.management.base import BaseCommand

from exposure import clock
from exposure.management.content import load_published
from exposure.record import acting


class Command(BaseCommand):
    help = "Loads protocols and, as proposals that nobody has approved, the published criteria. Again: no change."

    def handle(self, *args: Any, **options: Any) -> None:
        at = clock.now()
        with acting("command:publish", "command line", at=at):
            load_published(at=at)
        self.stdout.write("Protocols and proposed criteria are loaded.")
