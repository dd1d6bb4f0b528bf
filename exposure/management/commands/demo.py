"""The demo scenario by hand."""

from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError

from exposure import clock
from exposure.management.scenario import RealPeople, load_demo, sign_ins


class Command(BaseCommand):
    help = "Loads the invented demo scenario relative to now; twice changes nothing."

    def handle(self, *args: Any, **options: Any) -> None:
        if not settings.LOCAL_USE:
            raise CommandError(
                "The demo scenario is for one machine: its accounts share a password. Unset DATABASE_URL and SITE_URL."
            )
        at = clock.now()
        try:
            fresh = load_demo(at=at)
        except RealPeople as refusal:
            raise CommandError(str(refusal)) from refusal
        self.stdout.write(
            "The demo scenario is loaded." if fresh else "The demo scenario stands already; unchanged."
        )
        self.stdout.write("\n".join(sign_ins()))
