"""The whole record against its seals."""

from argparse import ArgumentParser
from collections.abc import Iterator
from itertools import chain, islice
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from exposure import clock
from exposure.audit.heads import FILE, Head
from exposure.audit.live import unlike_their_versions
from exposure.audit.verification import KeptHead, Verification
from exposure.snapshot import one_moment

MOST_SHOWN = 50


class Command(BaseCommand):
    help = (
        "Compares the history with its seals, live rows with their newest version, and the seals with heads kept "
        "outside the database: those in SEAL_HEADS_DIR, and in any file named. The first line names the first that "
        "does not fit."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--head",
            type=Path,
            action="append",
            default=[],
            metavar="FILE",
            help="heads kept elsewhere, one a line",
        )
        parser.add_argument(
            "--late-until",
            type=int,
            default=0,
            metavar="N",
            help="entries below this number may be younger than their date: an upgrade brought them",
        )

        parser.add_argument(
            "--thorough",
            action="store_true",
            help="every row is compared outside the database, which takes many times as long",
        )

    def handle(self, *args: Any, head: list[Path], late_until: int, thorough: bool, **options: Any) -> None:
        own = settings.SEAL_HEADS_DIR / FILE
        files = [*([own] if own.exists() else []), *head]
        kept = [one for file in files for one in read_heads(file)]
        verification = Verification(at=clock.now(), kept=kept, late_until=late_until, thorough=thorough)
        with one_moment():
            findings = chain(verification.findings(), unlike_their_versions())
            shown = list(islice(findings, MOST_SHOWN))
            for finding in shown:
                self.stdout.write(finding)
            more = sum(1 for _finding in findings)
        words = {
            "entries": verification.size,
            "heads": verification.heads,
            "kept": len(kept),
            "waiting": verification.waiting,
        }
        self.stdout.write(
            _(
                "%(entries)d entries, %(heads)d heads, %(kept)d kept outside; %(waiting)d rows wait for their entry."
            )
            % words
        )
        for purge in verification.purges:
            if purge.is_lawful:
                self.stdout.write(str(purge))
        if verification.unknown:
            self.stdout.write(
                _("Of tables that are no more, by their bytes alone: %d.") % verification.unknown
            )
        if verification.size and not verification.heads:
            self.stdout.write(_("No head is signed: set SEAL_KEY."))
        if shown:
            count = len(shown) + more
            text = ngettext("%d thing does not fit. First: %s", "%d things do not fit. First: %s", count)
            raise CommandError(text % (count, shown[0]))
        self.stdout.write(_("All of it fits."))


def read_heads(file: Path) -> Iterator[KeptHead]:
    """The heads of a file. Raises CommandError."""
    try:
        lines = file.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise CommandError(f"{file}: {error}") from None
    for number, line in enumerate(lines, 1):
        try:
            yield KeptHead(Head.read(line), f"{file.name}:{number}")
        except ValueError as error:
            raise CommandError(f"{file}:{number}: {error}") from None
