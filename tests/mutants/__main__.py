"""Whether the tests would notice: small wrong changes, sampled, each in a copy of the tree, and what the tests say.

    python -m tests.mutants --count 200 --seed 1 [--only exposure/pipeline] [--minutes 30]

The same seed takes the same sample. It ends with the share that was killed; a mutant that survives is either a test
that is missing or a change that no behaviour shows. Not part of the continuous integration.
"""

import argparse
import itertools
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.mutants.mutations import Mutation, mutations

ROOT = Path(__file__).resolve().parent.parent.parent
CRITERIA = ("tests/classify/test_criteria_answers.py", "tests/classify/test_criteria_file.py",
            "tests/classify/test_criteria_exact.py", "tests/classify/test_published.py")  # fmt: skip
REMINDED = ("tests/remind", "tests/test_story.py", "tests/followup/test_alerts.py")
CARRIED = ("tests/test_story.py", "tests/test_decisions.py", "tests/test_monitoring.py", "tests/report",
           "tests/followup", "tests/clear", "tests/test_contacts.py", "tests/test_linking.py",
           "tests/test_removals.py", "tests/test_times.py", "tests/test_ended_follow_ups.py",
           "tests/test_untold_exposures.py", "tests/remind", "tests/people", "tests/classify/test_versions.py",
           "tests/pipeline", "tests/attend", "tests/api", "tests/web")  # fmt: skip
# Module or folder -> the tests that are to notice, the quickest first. Paths that are not there yet are left out.
TESTS: dict[str, tuple[str, ...]] = {
    "exposure/followup/status.py": ("tests/followup/test_status.py",),
    "exposure/remind/ladder.py": ("tests/remind/test_ladder.py",),
    "exposure/clear/rule.py": ("tests/clear/test_rule.py",),
    "exposure/report/submission.py": ("tests/report/test_submission.py", "tests/report"),
    "exposure/followup/readings.py": ("tests/followup/test_readings.py", "tests/followup/test_placement.py"),
    "exposure/followup/schedule.py": ("tests/followup/test_schedule.py",),
    **{f"exposure/classify/{name}.py": CRITERIA for name in (
        "criteria", "builder", "diagram", "walk", "questions", "columns", "findings", "compare", "table", "plan",
        "document")},
    "exposure/people/access.py": ("tests/people", "tests/api/test_access.py"),
    "exposure/remind/outbox.py": ("tests/remind/test_outbox.py",),
    **{f"exposure/remind/{name}.py": REMINDED for name in ("sweep", "missing", "rounds", "reminders")},
    "exposure/pipeline": CARRIED,
}  # fmt: skip
LEFT_OUT = shutil.ignore_patterns(
    ".git", ".venv", "var", "__pycache__", ".*_cache", ".hypothesis", "*.sqlite3"
)
LEAST_SECONDS = 60.0
TIMES_USUAL = 5


def modules(only: str) -> dict[Path, tuple[str, ...]]:
    """Source -> its tests, for what begins with `only`."""
    found = {}
    for place, tests in TESTS.items():
        sources = [ROOT / place] if place.endswith(".py") else sorted((ROOT / place).glob("*.py"))
        for source in sources:
            if str(source.relative_to(ROOT)).startswith(only):
                found[source.relative_to(ROOT)] = tuple(test for test in tests if (ROOT / test).exists())
    return found


def sample(sources: list[Path], count: int, seed: int) -> list[tuple[Path, Mutation]]:
    """So many mutations of these sources, none twice, in a random order that the seed decides."""
    every = [(source, mutation) for source in sources for mutation in mutations((ROOT / source).read_bytes())]
    random.Random(seed).shuffle(every)
    real = (
        (source, mutation)
        for source, mutation in every
        if mutation.says_something_else((ROOT / source).read_bytes())
    )
    return list(itertools.islice(real, count))


class Copy:
    """A scratch copy of the tree, in which one source at a time is wrong."""

    def __init__(self, tree: Path) -> None:
        self.tree = tree
        self.usual: dict[tuple[str, ...], float] = {}
        shutil.copytree(ROOT, tree, ignore=LEFT_OUT)

    def run(self, tests: tuple[str, ...], seconds: float, *, keep_bytecode: bool = False) -> bool | None:
        """Whether the tests pass; None when they took too long."""
        options = ["-x", "-q", "-n", "0", "-p", "no:cacheprovider"]
        env = {
            name: value
            for name, value in os.environ.items()
            if name not in ("DATABASE_URL", "DJANGO_SETTINGS_MODULE")
        }
        env["EXPOSURE_TEST_DATABASE"] = "sqlite"
        if not keep_bytecode:
            env["PYTHONDONTWRITEBYTECODE"] = "1"
        process = subprocess.Popen(
            [sys.executable, "-m", "pytest", *options, *tests],
            cwd=self.tree,
            env=env,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        try:
            return process.wait(seconds) == 0
        except subprocess.TimeoutExpired:
            return None
        finally:
            if process.poll() is None:
                os.killpg(process.pid, signal.SIGKILL)
                process.wait()

    def limit(self, tests: tuple[str, ...]) -> float:
        """Seconds for these tests, from how long they take on the source as it is, which they must pass."""
        if tests not in self.usual:
            began = time.monotonic()
            if not tests or not self.run(tests, 1800, keep_bytecode=True):
                raise SystemExit(f"These do not pass on the source as it is: {' '.join(tests) or 'no tests'}")
            self.usual[tests] = time.monotonic() - began
        return max(LEAST_SECONDS, TIMES_USUAL * self.usual[tests])

    def verdict(self, source: Path, mutation: Mutation, tests: tuple[str, ...]) -> str:
        """killed, timed out (which is killed) or SURVIVED."""
        seconds = self.limit(tests)
        target = self.tree / source
        right = target.read_bytes()
        # Bytecode is told apart by second and size only: none of the wrong source may be kept, or taken for it.
        for stale in (target.parent / "__pycache__").glob(f"{target.stem}.*.pyc"):
            stale.unlink()
        target.write_bytes(mutation.apply(right))
        try:
            passed = self.run(tests, seconds)
        finally:
            target.write_bytes(right)
        return "timed out" if passed is None else "SURVIVED" if passed else "killed"


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.mutants", description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="what the paths begin with, such as exposure/pipeline")
    parser.add_argument("--minutes", type=float, default=0, help="begin no other mutant after so long")
    wanted = parser.parse_args()
    tests = modules(wanted.only)
    if not tests:
        parser.error(f"nothing here begins with {wanted.only}: {', '.join(TESTS)}")
    began, verdicts = time.monotonic(), []
    with tempfile.TemporaryDirectory(prefix="exposure-mutants-") as folder:
        scratch = Copy(Path(folder) / "tree")
        for source, mutation in sample(list(tests), wanted.count, wanted.seed):
            if wanted.minutes and time.monotonic() - began > 60 * wanted.minutes:
                print("The time is over.")
                break
            said = scratch.verdict(source, mutation, tests[source])
            verdicts.append(said)
            before = (ROOT / source).read_bytes()[mutation.start : mutation.end].decode()
            change = " ".join(before.split()) + "  ->  " + mutation.text
            print(f"{said:9} {source}:{mutation.line} {mutation.kind}: {change[:200]}", flush=True)
    if verdicts:
        killed = len(verdicts) - verdicts.count("SURVIVED")
        print(f"{killed} of {len(verdicts)} killed, {killed / len(verdicts):.1%} (seed {wanted.seed})")


if __name__ == "__main__":
    main()
