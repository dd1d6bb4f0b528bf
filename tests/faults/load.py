"""A steady, bounded load over HTTP on this machine: reports, told, confirmations, readings and acknowledgements.

What is not answered is sent again under the same id, as a device would. Kept is what the service acknowledged (2xx).
"""

import json
import random
import threading
import urllib.error
import urllib.request
from collections import Counter
from datetime import UTC, datetime
from http.client import HTTPException
from typing import Any
from uuid import UUID

HOST = "exposure.test"
TRIES = 200
AGAIN_AFTER = 0.5  # seconds
PAUSE = 0.15  # seconds between two steps of one person
NOT_NOW = frozenset({429, 503})  # asked to come again
MOST_STEPS = 1500  # of one person


class Unanswered(Exception):
    """The service gave no answer in all the tries, or the load is over."""


class Load:
    """Observer and nurse at work, each in a thread of their own."""

    def __init__(self, port: int, observer: str, nurse: str, workers: list[str], seed: int) -> None:
        self.port, self.observer, self.nurse, self.workers = port, observer, nurse, workers
        self.random = {name: random.Random(f"{seed} {name}") for name in ("reports", "readings")}
        self.sent: set[UUID] = set()
        self.acknowledged: dict[str, set[UUID]] = {
            kind: set() for kind in ("reports", "told", "confirmed", "readings", "seen")
        }
        self.wrong: list[tuple[str, int, str]] = []
        self.failures: list[BaseException] = []
        self.answers: Counter[int] = Counter()
        self.refused: Counter[tuple[str, int, str]] = Counter()
        self._looked_at: set[UUID] = set()
        self._over = threading.Event()
        self._threads = [threading.Thread(target=self._run, args=(step,), daemon=True) for step in (
            self._report, self._clinic, self._read)]  # fmt: skip

    def __enter__(self) -> "Load":
        for thread in self._threads:
            thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        for thread in self._threads:
            thread.join(60)

    def _run(self, step: Any) -> None:
        try:
            for number in range(MOST_STEPS):
                if self._over.wait(PAUSE):
                    return
                step(number)
        except Unanswered as unanswered:
            if not self._over.is_set():
                self.failures.append(unanswered)
        except BaseException as error:
            self.failures.append(error)
            raise

    def _report(self, number: int) -> None:
        uid = UUID(int=self.random["reports"].getrandbits(128), version=4)
        self.sent.add(uid)
        body = {
            "submission_id": str(uid),
            "station": "heron",
            "worker": self.workers[number % len(self.workers)],
            "occurred_at": datetime.now(UTC).isoformat(),
            "facts": {"contact": "splash"},
        }
        if self._post(self.observer, "breaches/", body) is not None:
            self.acknowledged["reports"].add(uid)
        self._over.wait(4 * PAUSE)

    def _clinic(self, number: int) -> None:
        """The nurse tells and confirms what is reported, and sees one alert."""
        waiting = sorted(self.acknowledged["reports"].copy() - self._looked_at)
        if waiting:
            uid = waiting[0]
            self._looked_at.add(uid)
            told = {"by": "phone", "at": datetime.now(UTC).isoformat()}
            if self._post(self.nurse, f"breaches/{uid}/told/", told) is not None:
                self.acknowledged["told"].add(uid)
            if self._post(self.nurse, f"breaches/{uid}/confirm/", {"note": "Spoke."}) is not None:
                self.acknowledged["confirmed"].add(uid)
        page = self._call(self.nurse, "alerts/?open=true", None)
        for alert in page["results"]:
            if alert["acknowledged_at"] is None:
                if self._post(self.nurse, f"alerts/{alert['id']}/acknowledge/", {}) is not None:
                    self.acknowledged["seen"].add(UUID(alert["id"]))
                break
        self._over.wait(3 * PAUSE)

    def _read(self, number: int) -> None:
        """A reading of a worker who is reported, entered by the nurse; now and then a fever. Less than 60 a minute are
        taken."""
        reported = min(len(self.acknowledged["reports"]), len(self.workers))
        if reported:
            uid = UUID(int=self.random["readings"].getrandbits(128), version=4)
            body = {
                "submission_id": str(uid),
                "worker": self.workers[number % reported],
                "taken_at": datetime.now(UTC).isoformat(),
                "temperature": "39.1" if number % 5 == 4 else "36.8",
                "unit": "C",
                "method": "oral",
            }
            if self._post(self.nurse, "readings/", body) is not None:
                self.acknowledged["readings"].add(uid)
        self._over.wait(8 * PAUSE)

    def _post(self, token: str, path: str, body: dict[str, Any]) -> Any:
        try:
            return self._call(token, path, body)
        except urllib.error.HTTPError as refusal:
            # Another decision may stand, or nobody is followed up (any more): no acknowledgement, and no fault.
            said = refusal.read().decode()[:300]
            self.refused[path.split("/")[-2], refusal.code, said] += 1
            if refusal.code not in (404, 409, 422):
                self.wrong.append((path, refusal.code, said))
            return None

    def _call(self, token: str, path: str, body: dict[str, Any] | None) -> Any:
        """The answer's JSON; sent again until there is an answer. Raises HTTPError for one that will not change."""
        request = urllib.request.Request(
            f"http://127.0.0.1:{self.port}/api/v1/{path}",
            data=None if body is None else json.dumps(body).encode(),
            headers={
                "Host": HOST,
                "X-Forwarded-Proto": "https",
                "Authorization": f"Bearer {token}",
                "Content-Type": "application/json",
            },
        )
        for _attempt in range(TRIES):
            try:
                with urllib.request.urlopen(request, timeout=20) as answer:
                    self.answers[answer.status] += 1
                    return json.load(answer)
            except urllib.error.HTTPError as refusal:
                self.answers[refusal.code] += 1
                if refusal.code not in NOT_NOW:
                    raise
            except (OSError, HTTPException, ValueError):  # cut off, before or in the answer
                self.answers[0] += 1
            if self._over.wait(AGAIN_AFTER):
                break
        raise Unanswered(path)
