"""How long a replay takes, how the time splits between reading and classifying, and what memory it needs.

    python tests/benchmarks/replay.py 100000 [250000 ...]

Stores that many synthetic reports of one pathogen in a database of its own (SQLite in a temporary directory, or
DATABASE_URL), then replays a text that differs in one rule. Prints one line per size. All reports are invented.
"""

import os
import random
import resource
import sys
import tempfile
import time
import uuid
from datetime import UTC, datetime, timedelta
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))
os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
os.environ.setdefault("VAR_DIR", tempfile.mkdtemp(prefix="replay-"))

import django  # noqa: E402

django.setup()

from django.core.management import call_command  # noqa: E402

from exposure.classify import replay  # noqa: E402
from exposure.classify.assess import propose_text  # noqa: E402
from exposure.classify.criteria import Criteria  # noqa: E402
from exposure.classify.models import Assessment  # noqa: E402
from exposure.people.models import User, Worker  # noqa: E402
from exposure.places.models import Site  # noqa: E402
from exposure.record import acting, create_many, insert_many  # noqa: E402
from exposure.report.models import Breach  # noqa: E402

AT = datetime(2026, 3, 2, 9, tzinfo=UTC)
BATCH = 5000
TEXT = (ROOT / "fixtures" / "criteria" / "ebola-2023.1.yaml").read_text()
OTHER = (ROOT / "fixtures" / "demo-draft.yaml").read_text()


def main(sizes: list[int]) -> None:
    call_command("migrate", verbosity=0)
    with acting("command:benchmark", "benchmark", at=AT):
        make = Maker()
        for size in sorted(sizes):
            make.reports(size - Breach.objects.count())
            measure(Criteria.parse(OTHER))


class Maker:
    """Writes reports with one assessment each, as the pipeline would have."""

    def __init__(self) -> None:
        self.random = random.Random(1)
        self.version = propose_text(TEXT, by="command:benchmark", at=AT, proposed=True)
        self.criteria = Criteria.parse(TEXT)
        self.site = Site.objects.create(
            code="bench",
            name="Bench",
            short_name="Bench",
            zone="Europe/Lisbon",
            phone="1",
            emergency_phone="1",
        )
        self.user = User.objects.create_user("bench", None, full_name="Bench")
        self.workers = [
            Worker.objects.create(site=self.site, name=f"W{n}", number=f"W{n}") for n in range(50)
        ]
        self.answers = {fact.name: [*fact.positions, None] for fact in self.criteria.facts}

    def reports(self, count: int) -> None:
        for start in range(0, count, BATCH):
            breaches = create_many(Breach, [self._breach() for _ in range(min(BATCH, count - start))])
            insert_many(Assessment, [self._assessment(breach) for breach in breaches])

    def _breach(self) -> Breach:
        while True:
            facts = {name: self.random.choice(codes) for name, codes in self.answers.items()}
            if facts.get("contact") != "none" or facts.get("skin") in (None, "no"):
                break
        happened = AT - timedelta(minutes=self.random.randrange(500_000))
        uid = uuid.UUID(int=self.random.getrandbits(128), version=4)
        return Breach(
            uid=uid,
            site=self.site,
            worker=self.random.choice(self.workers),
            reported_by=self.user,
            reported_at=happened,
            happened_at=happened,
            phase="removal",
            facts={name: answer for name, answer in facts.items() if answer},
            body={"submission_id": str(uid), "facts": facts, "narrative": "Synthetic."},
            body_sha256="0" * 64,
            reference="SYNTHETIC",
            confirmed_at=happened,
        )

    def _assessment(self, breach: Breach) -> Assessment:
        verdict = self.criteria.classify(breach.facts)
        return Assessment(
            breach=breach,
            pathogen="ebola",
            version=self.version,
            kind="report",
            facts=breach.facts,
            floor=verdict.floor,
            ceiling=verdict.ceiling,
            tier=verdict.tier or "",
            treated_as=verdict.ceiling,
            covered=True,
            rules=list(verdict.rules),
        )


def measure(criteria: Criteria) -> None:
    reading = 0.0

    def timed_pages():
        nonlocal reading
        pages = replay.past_reports(criteria.pathogen)
        while True:
            start = time.perf_counter()
            page = next(pages, None)
            reading += time.perf_counter() - start
            if page is None:
                return
            yield page

    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    start, busy = time.perf_counter(), time.process_time()
    replayed = replay.tally(criteria, timed_pages())
    total, busy = time.perf_counter() - start, time.process_time() - busy
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    assert replayed.reports == Breach.objects.count()
    moved = sum(move.count for move in replayed.moves)
    print(
        f"{replayed.reports} reports: {total:.1f} s, of it reading {reading:.1f} s and classifying "
        f"{total - reading:.1f} s ({busy:.1f} s of processor time in all); {moved} would move; "
        f"peak memory {peak / 1024:.0f} MiB, {(peak - before) / 1024:.0f} MiB more than before"
    )


if __name__ == "__main__":
    main([int(size) for size in sys.argv[1:]] or [100_000])
