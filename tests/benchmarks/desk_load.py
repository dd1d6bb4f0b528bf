"""How many pages and calls a desk gets: a cohort at the highest tier, day by day, under the real rounds.

    python -m tests.benchmarks.desk_load --people 500 --days 21 --fevers 2.6

Everybody is asked twice a day; `--missing` of the prompts go unanswered until somebody rings, and the rest bring a
normal reading. Fevers that have nothing to do with the exposure come at so many per 1,000 person-days, and go through
the pipeline. One nurse for a hundred people sees what pages ten minutes later, rings, and enters what is missing.
Normal readings are written in bulk: only what they leave behind is asked about. The rates are assumptions.
"""

import argparse
import os
import random
import tempfile
from collections import Counter, defaultdict
from contextlib import nullcontext
from datetime import timedelta

os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"
os.environ["VAR_DIR"] = tempfile.mkdtemp(prefix="desk-load-")
os.environ.pop("DATABASE_URL", None)

import django

django.setup()

from django.core.management import call_command  # noqa: E402

from exposure.attend.models import Alert  # noqa: E402
from exposure.followup.models import Check, Fill, FollowUp, Reading  # noqa: E402
from exposure.management.new_database import lay_out_tables  # noqa: E402
from exposure.people.models import Role, User, Worker  # noqa: E402
from exposure.pipeline import attend, enter, follow, remind  # noqa: E402
from exposure.record import insert_many, update_many  # noqa: E402
from exposure.remind.models import Message, Rung  # noqa: E402
from exposure.remind.outbox import deliver  # noqa: E402
from tests import crowd  # noqa: E402
from tests.cast import MONDAY, assemble, doing  # noqa: E402
from tests.walk import follow_up_told_and_confirmed, log  # noqa: E402

SEEN_AFTER = timedelta(minutes=10)
NOT_A_PATTERN = 20260302  # the seed


class Desk:
    """The cohort, its nurses, and what they get."""

    def __init__(self, people, missing, fevers):
        self.cast = assemble()
        self.missing, self.fevers = missing, fevers
        followed = follow_up_told_and_confirmed(self.cast)
        with doing("command:bench"):
            others = crowd.people_like(self.cast.worker, people - 1, parts=(*crowd.PARTS, Rung))
            for worker in others:
                worker.email = f"{worker.number.lower()}@example.org"
            update_many(Worker, others, ["email"])
            extra = max(0, people // 100 - 2)  # the cast has two nurses
            for number in range(extra):
                nurse = User.objects.create_user(name=f"nurse-{number}", email=f"n{number}@example.org")
                Role.objects.create(user=nurse, site=self.cast.site, kind="nurse", from_at=MONDAY)
        self.template = self._usual(followed)
        self.chance = random.Random(NOT_A_PATTERN)
        self.calls, self.acted, self.paged = Counter(), Counter(), defaultdict(Counter)

    def _usual(self, followed):
        """A normal reading as the pipeline stores it, of which the others are copies."""
        check = followed.checks.order_by("opens_at").first()
        log(self.cast, at=check.due_at)
        return Reading.objects.get()

    def windows(self, days):
        """(opens, due, closes) of every window, which are everybody's."""
        first = FollowUp.objects.order_by("pk").first().checks.filter(withdrawn_at=None).order_by("opens_at")
        return list(first.values_list("opens_at", "due_at", "closes_at")[: 2 * days])

    def round(self, at):
        with doing("command:clock", at=at):
            remind.pass_time(at=at)
            deliver(now=lambda: at, within=lambda _seconds: nullcontext())

    def answer(self, opens, due):
        """Most bring a normal reading by the time it is due; a few a fever. Returns who did not answer."""
        checks = list(
            Check.objects.filter(opens_at=opens, withdrawn_at=None).select_related("follow_up__worker")
        )
        silent = [check for check in checks if self.chance.random() < self.missing]
        left_out = {check.pk for check in silent}
        well, ill = [], []
        for check in checks:
            if check.pk in left_out:
                continue
            (ill if self.chance.random() < self.fevers / 1000 / 2 else well).append(check)
        self._fill(well, due, "recorded")
        for check in ill:
            worker = check.follow_up.worker
            with doing(self.cast.nurse, at=due):
                body = self.cast.reading(temperature="38.4", taken_at=due.isoformat())
                follow.log_reading(body=body, worker=worker, entered_by=self.cast.nurse, at=due)
        return silent

    def _fill(self, checks, at, state):
        with doing("command:bench", at=at):
            copies = [self._copy(check, at, state) for check in checks]
            made = insert_many(Reading, copies)
            insert_many(
                Fill,
                [
                    Fill(check_row=check, reading=reading, state=state)
                    for check, reading in zip(checks, made, strict=True)
                ],
            )

    def _copy(self, check, at, state):
        own = {f.attname: getattr(self.template, f.attname) for f in Reading._meta.concrete_fields}
        for name in ("id", "uid", "recorded_at", "recorded_by", "origin"):
            del own[name]
        return Reading(**own | {
            "worker_id": check.follow_up.worker_id, "taken_at": at, "window": check.window,
            "local_date": check.local_date, "state": state,
        })  # fmt: skip

    def ring(self, silent, at):
        """Each of those is rung and gives the reading by telephone."""
        self.calls[at.date(), at.hour >= 15] += len(silent)
        for check in silent:
            with doing(self.cast.nurse, at=at):
                enter.note_call(
                    worker=check.follow_up.worker, answered=True, note="Given.", by=self.cast.nurse, at=at
                )
        self._fill(silent, at, "recorded_late")

    def see(self, at):
        """Every alert is seen and closed with an outcome."""
        waiting = Alert.objects.filter(closed_at=None).select_related("site", "follow_up__worker", "worker")
        for alert in waiting:
            self.acted[alert.cause] += 1
            with doing(self.cast.nurse, at=at):
                attend.acknowledge_alert(alert=alert, by=self.cast.nurse, at=at)
                attend.close_alert(
                    alert=alert, outcome="evaluated", note="Rung, and looked at.", by=self.cast.nurse, at=at
                )


def main():
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--people", type=int, default=500)
    asked.add_argument("--days", type=int, default=21)
    asked.add_argument("--fevers", type=float, default=2.6, help="per 1,000 person-days")
    asked.add_argument("--missing", type=float, default=0.09, help="share of prompts that need a call")
    given = asked.parse_args()
    lay_out_tables()
    call_command("migrate", verbosity=0)
    desk = Desk(given.people, given.missing, given.fevers)
    for opens, due, closes in desk.windows(given.days):
        desk.round(opens)
        silent = desk.answer(opens, due)
        desk.round(due)
        desk.see(due + SEEN_AFTER)
        desk.round(closes - timedelta(minutes=30))
        desk.round(closes)
        desk.ring(silent, closes + SEEN_AFTER)
        desk.see(closes + SEEN_AFTER)
    report(desk, given)


def report(desk, given):
    pages = Counter()
    sent = Message.objects.filter(alert__isnull=False, sent_at__isnull=False)
    for user, at in sent.values_list("user", "sent_at"):
        pages[user, at.replace(minute=0, second=0)] += 1
    nurses = max(1, given.people // 100)
    evenings = [count for (_day, evening), count in desk.calls.items() if evening]
    raised = Alert.objects.count()
    needed = Alert.objects.filter(cause__in=("fever", "symptom", "missed", "silence")).count()
    print(f"{given.people} people, {given.days} days, {Check.objects.filter(fills__isnull=False).count():,} readings,"
          f" {Alert.objects.filter(cause='fever').count()} fevers, {nurses} nurses")  # fmt: skip
    print(f"alerts raised, by cause: {dict(desk.acted)}")
    print(f"messages that paged somebody, most to one nurse in an hour: {max(pages.values(), default=0)}")
    print(
        f"the same, on average over the hours in which anything came: {sum(pages.values()) / max(1, len(pages)):.2f}"
    )
    print(
        f"alerts in all behind each hour's messages: {raised / max(1, len({hour for _who, hour in pages})):.1f}"
    )
    print(f"calls an evening, whole desk: {sum(evenings) / max(1, len(evenings)):.1f},"
          f" per nurse {sum(evenings) / max(1, len(evenings)) / nurses:.1f}")  # fmt: skip
    print(f"share of what paged that needed somebody: {needed / max(1, raised):.2f}")
    print(f"left open: {Alert.objects.filter(closed_at=None).count()}")


if __name__ == "__main__":
    main()
