"""Reports that a tablet had sealed for a key that was not at hand: tried again once it is."""

from typing import Any

from django.core.management.base import BaseCommand
from django.utils.translation import ngettext

from exposure import clock
from exposure.pipeline.receive import open_kept
from exposure.record import acting


class Command(BaseCommand):
    help = (
        "Opens the sealed reports that could not be opened when they came, with the keys that REPORT_KEY has now. What "
        "opens stands beside the sealed one, and a nurse is asked; nothing of it is printed. Twice changes nothing."
    )

    def handle(self, *args: Any, **options: Any) -> None:
        at = clock.now()
        with acting("command:open_kept", "command line", at=at):
            opened, closed = open_kept(at=at)
        self.stdout.write(
            ngettext("%(count)s report opened.", "%(count)s reports opened.", opened) % {"count": opened}
        )
        if closed:
            words = ngettext(
                "%(count)s cannot be opened by any key in REPORT_KEY; it stays as it came.",
                "%(count)s cannot be opened by any key in REPORT_KEY; they stay as they came.",
                closed,
            )
            self.stdout.write(words % {"count": closed})
