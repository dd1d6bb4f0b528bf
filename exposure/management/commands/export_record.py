"""One worker's record with its proofs, in a file that can be checked without the service."""

import json
import os
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.db.models import Q

from exposure import clock
from exposure.audit.access_log import note_look
from exposure.audit.exporting import NoHead, record_of
from exposure.audit.models import AccessEntry
from exposure.people.access import visible
from exposure.people.models import User, Worker
from exposure.people.policy import View
from exposure.places.models import Site
from exposure.record import acting


class Command(BaseCommand):
    help = (
        "Writes the sealed record of a worker, as far as an auditor sees it, to a new file: exact bytes, proofs, "
        "signed head. Check it anywhere with exposure/audit/verify_record.py. The export is an entry of the access log."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("worker", metavar="WORKER", help="the worker's number or uid")
        parser.add_argument("path", metavar="PATH", type=Path, help="the new file")
        parser.add_argument("--by", required=True, metavar="NAME", help="the auditor for whom it is exported")

    def handle(self, *args: Any, worker: str, path: Path, by: str, **options: Any) -> None:
        at = clock.now()
        user = User.objects.filter(name__iexact=by, is_active=True).first()
        if user is None:
            raise CommandError(f"There is no account with the sign-in name {by}.")
        named = Q(number=worker) | (Q(uid=worker) if _is_uid(worker) else Q())
        people = visible(user, Worker.objects.exclude(user=user), View.AUDIT, at=at)
        found = people.filter(named).first()
        if found is None:
            raise CommandError(f"{user.name} is no auditor who may see a worker {worker}.")
        person = found.same_as or found
        sites = frozenset(visible(user, Site.objects.all(), View.AUDIT, at=at).values_list("pk", flat=True))
        try:
            record = record_of(person, sites=sites, at=at)
        except NoHead:
            raise CommandError("No head is signed yet: run manage.py seal first.") from None
        with acting(user.actor, "command line", "export", at=at):
            note_look(user, AccessEntry.Kind.DETAIL, f"export:{person.uid}", person.uid, at=at)
        try:
            with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
                json.dump(record, file, ensure_ascii=False, indent=1)
        except OSError as error:
            raise CommandError(f"{path} cannot be written: {error.strerror}.") from None
        self.stdout.write(f"{len(record['entries'])} entries, signed by {record['head']['key']}.")


def _is_uid(text: str) -> bool:
    return len(text.replace("-", "")) == 32 and all(letter in "0123456789abcdef-" for letter in text.lower())
