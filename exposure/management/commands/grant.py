"""The rights of the application's and the reader's database accounts, given by the owner after each migrate."""

from argparse import ArgumentParser
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError

from exposure.audit import accounts


class Command(BaseCommand):
    help = (
        "Gives the database account of the application, and the one of the backups, exactly the rights that they need. "
        "Run it as the owner of the tables after each migrate (PostgreSQL)."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--application", required=True, metavar="NAME", help="what web and workers sign in as"
        )
        parser.add_argument("--reader", metavar="NAME", help="what backups and reports sign in as")

    def handle(self, *args: Any, application: str, reader: str | None, **options: Any) -> None:
        if application == reader:
            raise CommandError("The application and the reader must be two accounts.")
        works = accounts.Account(application, settings.APPLICATION_PASSWORD)
        reads = accounts.Account(reader, settings.READER_PASSWORD) if reader else None
        try:
            count = accounts.grant(works, reads)
        except accounts.NotGranted as error:
            raise CommandError(str(error)) from None
        self.stdout.write(
            f"{application} works on {count} tables and owns none" + (f"; {reader} reads." if reader else ".")
        )
