"""Sealing by hand, and the hand-over from one signing key to the next."""

import os
from argparse import ArgumentParser
from datetime import timedelta
from pathlib import Path
from typing import Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from django.conf import settings
from django.core.management.base import BaseCommand, CommandError

from config.env import local_secret
from config.seal_key import new_seal_key
from exposure import clock
from exposure.audit import heads, sealing
from exposure.remind import heartbeat


class Command(BaseCommand):
    help = "Seals what has no entry yet and signs a head. With --rotate the key in use signs that another follows it."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--rotate", action="store_true", help="hand over to a new key")
        parser.add_argument(
            "--to",
            type=Path,
            metavar="FILE",
            help="the new private key, where SEAL_KEY is set (Ed25519, PEM)",
        )

    def handle(self, *args: Any, rotate: bool, to: Path | None, **options: Any) -> None:
        if to and not rotate:
            raise CommandError("--to FILE goes with --rotate.")
        at, added, caught_up = clock.now(), 0, False
        while not caught_up:
            sealed = sealing.seal(at=at, thorough=True, head_every=timedelta(0))
            added += sealed.entries
            caught_up = sealed.caught_up
        heartbeat.beat(heartbeat.SEALER, at=at)
        head = heads.newest()
        self.stdout.write(
            f"New entries: {added}; in all: {sealing.size()}, "
            + (f"{head.size} of them under the head of {head.at.isoformat()}." if head else "no head signed.")
        )
        if rotate:
            self._rotate(to)

    def _rotate(self, to: Path | None) -> None:
        try:
            key, file = heads.own_key(), to or self._next_file()
            new = heads.read_key(file.read_text())
        except (OSError, ValueError) as error:
            raise CommandError(f"The new key cannot be read: {error}") from None
        if key is None:
            raise CommandError("There is no key that could hand over: set SEAL_KEY.")
        if heads.public(key) == heads.public(new):
            raise CommandError("The new key is the one in use.")
        if heads.due_key(heads.newest()) != heads.public(new):  # else it was cut off after that
            self._hand_over(key, new)
        if to is None:
            os.replace(file, settings.LOCAL_SEAL_KEY)
        heads.write_out()
        self.stdout.write(f"Key {heads.public(key)} has handed over to {heads.public(new)}.")
        if to:
            self.stdout.write("Now set SEAL_KEY to the new key and restart; until then no head is signed.")

    def _hand_over(self, key: Ed25519PrivateKey, new: Ed25519PrivateKey) -> None:
        if heads.sign(key, sealing.size(), at=clock.now(), next_key=heads.public(new)) is None:
            raise CommandError("The key in use may not hand over: run verify, which says why.")

    def _next_file(self) -> Path:
        """The next key of this machine, made once: a rotation that was cut off goes on with the same."""
        if not settings.LOCAL_SEAL_KEY:
            raise CommandError("SEAL_KEY is set: name the file of the new key with --to FILE.")
        file = settings.LOCAL_SEAL_KEY.with_suffix(".next")
        local_secret(file, new_seal_key)
        return file
