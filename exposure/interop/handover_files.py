"""The hand-over list, written outside the server every 12 hours: for the day on which the server is away.

No transaction is open while a file is made: a folder that hangs holds nobody up. What cannot be written is set aside,
told on the pages and by `/readyz`, and tried again.
"""

import os
from datetime import UTC, datetime
from pathlib import Path

from django.conf import settings

from exposure.interop.handover import EVERY, pdf_of, sheet_of
from exposure.places.models import Site
from exposure.remind import heartbeat
from exposure.remind.models import Heartbeat, SetAside
from exposure.remind.rounds import put_aside

PART = "handover"
KEPT = 14  # files a site: a week of them


def write_due(*, at: datetime) -> int:
    """Write the list of every live site whose last one is 12 hours old. Returns how many were written; nothing without
    HANDOVER_FOLDER."""
    if not settings.HANDOVER_FOLDER:
        return 0
    waiting = SetAside.objects.filter(part=PART, settled_at=None, retry_at__gt=at)
    later = set(waiting.values_list("row", flat=True))
    written = 0
    for site in Site.objects.filter(live_from__lte=at).order_by("pk"):
        last = last_written(site)
        if str(site.pk) in later or (last is not None and at - last < EVERY):
            continue
        try:
            write(site, Path(settings.HANDOVER_FOLDER), at=at)
        except Exception as error:
            put_aside(PART, site.pk, error, at)
            continue
        SetAside.objects.filter(part=PART, row=str(site.pk), settled_at=None).update(settled_at=at)
        heartbeat.beat(_name(site), at=at)
        written += 1
    return written


def last_written(site: Site) -> datetime | None:
    """When the list of the site was last written outside."""
    return Heartbeat.objects.filter(name=_name(site)).values_list("at", flat=True).first()


def write(site: Site, folder: Path, *, at: datetime) -> Path:
    """Write the list whole or not at all, for its owner only, and let go of the oldest. Returns the file."""
    if not folder.is_dir():  # a share that is not there must not become a folder of this machine
        raise FileNotFoundError(folder)
    content = pdf_of(sheet_of(site, at=at))
    file = folder / f"handover-{site.code}-{at.astimezone(UTC):%Y%m%dT%H%MZ}.pdf"
    unfinished = file.with_suffix(".part")
    descriptor = os.open(unfinished, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(descriptor, "wb") as handle:
        handle.write(content)
        handle.flush()
        os.fsync(handle.fileno())
    unfinished.replace(file)
    stamp = "[0-9]" * 8 + "T" + "[0-9]" * 4 + "Z"
    for old in sorted(folder.glob(f"handover-{site.code}-{stamp}.pdf"))[:-KEPT]:
        old.unlink()
    return file


def _name(site: Site) -> str:
    return f"{PART}:{site.code}"
