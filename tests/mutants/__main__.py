"""Whether the tests would notice: small wrong changes, sampled, each in a copy of the tree, and what the tests say.

    python -m tests.mutants --see routes.db
    python -m tests.mutants --routes routes.db --count 200 --seed 1 [--only exposure/pipeline] [--minutes 30]

The first runs the tests once, on SQLite, and writes down which of them runs through which line. The second takes a
sample (the same seed takes the same), and asks of each change the tests that run through its line: AT_FIRST of them,
the most particular first, and where none of these fails the others. It ends with the share that was killed; a mutant
that survives is a test that is missing or a change that no behaviour shows. Not part of the continuous integration.
"""

import argparse
import bisect
import collections
import itertools
import os
import queue
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from tests.mutants.mutations import Mutation, mutations

ROOT = Path(__file__).resolve().parent.parent.parent
# What is sampled: a module, or every module of a folder.
SOURCES = (
    "exposure/followup/status.py", "exposure/followup/readings.py", "exposure/followup/schedule.py",
    "exposure/remind/ladder.py", "exposure/clear/rule.py", "exposure/report/submission.py",
    *(f"exposure/classify/{name}.py" for name in (
        "criteria", "builder", "diagram", "walk", "questions", "columns", "findings", "compare", "table", "plan",
        "document")),
    "exposure/people/access.py", "exposure/remind/outbox.py", "exposure/remind/sweep.py", "exposure/remind/missing.py",
    "exposure/remind/rounds.py", "exposure/remind/reminders.py", "exposure/pipeline",
)  # fmt: skip
# Which tests are to notice.
TESTS = (
    "tests/api", "tests/attend", "tests/audit", "tests/classify", "tests/clear", "tests/followup", "tests/people",
    "tests/pipeline", "tests/places", "tests/remind", "tests/report", "tests/stateful", "tests/web",
)  # fmt: skip
AT_FIRST = 150
SECONDS = 240.0  # for so many
LEFT_OUT = shutil.ignore_patterns(
    ".git", ".venv", "var", "__pycache__", ".*_cache", ".hypothesis", "*.sqlite3"
)
OPTIONS = ["-q", "-p", "no:cacheprovider", "-m", "not browser and not redis"]


def modules(only: str) -> list[Path]:
    """The sources whose paths begin with `only`."""
    every = itertools.chain.from_iterable(
        [Path(place)]
        if place.endswith(".py")
        else sorted(source.relative_to(ROOT) for source in (ROOT / place).glob("*.py"))
        for place in SOURCES
    )
    return [source for source in every if str(source).startswith(only)]


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


def environment(**more: str) -> dict[str, str]:
    """On SQLite, and each test walks its own way: what is brought back runs through no line."""
    ours = {
        name: value
        for name, value in os.environ.items()
        if name not in ("DATABASE_URL", "DJANGO_SETTINGS_MODULE")
    }
    return {**ours, "EXPOSURE_TEST_DATABASE": "sqlite", "EXPOSURE_SCENES": "anew", **more}


def see(routes: Path) -> None:
    """Run the tests once and write down which of them runs through which line."""
    import coverage

    with tempfile.TemporaryDirectory(prefix="exposure-routes-") as folder:
        tests = [
            *TESTS,
            *(str(test.relative_to(ROOT)) for test in sorted((ROOT / "tests").glob("test_*.py"))),
        ]
        subprocess.run(
            [sys.executable, "-m", "pytest", *OPTIONS, "-n", "2", "-p", "tests.mutants.seen", *tests],
            cwd=ROOT,
            env=environment(EXPOSURE_SEEN=str(Path(folder, "seen"))),
            check=True,
        )
        together = coverage.CoverageData(basename=str(routes))
        for part in Path(folder).iterdir():
            together.update(data := coverage.CoverageData(basename=str(part)), map_path=_beneath_root)
            data.close()
        together.write()


def _beneath_root(path: str) -> str:
    return "exposure/" + path.rpartition("/exposure/")[2]


class Routes:
    """Which tests run through a line."""

    def __init__(self, file: Path) -> None:
        import coverage

        data = coverage.CoverageData(basename=str(file))
        data.read()
        self.lines = {name: data.contexts_by_lineno(name) for name in data.measured_files()}
        self.length: collections.Counter[str] = collections.Counter()
        for tests in self.lines.values():
            self.length.update(itertools.chain.from_iterable(tests.values()))
        self.length.pop("", None)

    def through(self, source: Path, line: int) -> list[str]:
        """The tests through this line, or, where it runs when the module is read, through the module; the most
        particular first."""
        tests = self.lines.get(str(source), {})
        seen = sorted(number for number, names in tests.items() if names != [""])
        place = bisect.bisect_right(sorted(tests), line)
        at = sorted(tests)[place - 1] if place else line
        found = set(tests.get(at, ())) - {""}
        if not found:
            found = set(itertools.chain.from_iterable(tests[number] for number in seen)) - {""}
        return sorted(found, key=lambda test: (self.length[test], test))


class Copy:
    """A scratch copy of the tree, in which one source at a time is wrong."""

    def __init__(self, tree: Path) -> None:
        self.tree = tree
        shutil.copytree(ROOT, tree, ignore=LEFT_OUT)
        # By hash: bytecode of the source as it is must never be taken for that of the wrong one.
        compiled = [sys.executable, "-m", "compileall", "-q", "--invalidation-mode", "checked-hash"]
        subprocess.run([*compiled, "exposure", "config", "tests"], cwd=tree, check=True)

    def run(self, tests: list[str]) -> int | None:
        """What pytest ends with; None when it took too long, for so many tests."""
        process = subprocess.Popen(
            [sys.executable, "-m", "pytest", *OPTIONS, "-x", "-n", "0", *tests],
            cwd=self.tree,
            env=environment(PYTHONDONTWRITEBYTECODE="1"),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        try:
            return process.wait(SECONDS * max(len(tests) / AT_FIRST, 1))
        except subprocess.TimeoutExpired:
            return None
        finally:
            if process.poll() is None:
                os.killpg(process.pid, signal.SIGKILL)
                process.wait()

    def verdict(self, source: Path, mutation: Mutation, tests: list[str]) -> str:
        """killed, timed out (which is killed), SURVIVED or UNSEEN (no test runs through it: it survives)."""
        if not tests:
            return "UNSEEN"
        target = self.tree / source
        right = target.read_bytes()
        target.write_bytes(mutation.apply(right))
        first = spread(tests)
        try:
            ended = self.run(first)
            if ended == 0 and (others := [test for test in tests if test not in set(first)]):
                ended = self.run(others)
        finally:
            target.write_bytes(right)
        if ended not in (0, 1, None) and self.run(tests[:1]) != 0:
            raise SystemExit(f"{tests[0]} does not pass on the source as it is.")
        return "timed out" if ended is None else "SURVIVED" if ended == 0 else "killed"


def spread(tests: list[str]) -> list[str]:
    """Not more than AT_FIRST of them: the first, and some from all over the rest."""
    if len(tests) <= AT_FIRST:
        return tests
    first, rest = tests[: AT_FIRST // 2], tests[AT_FIRST // 2 :]
    step = len(rest) / (AT_FIRST - len(first))
    return first + [rest[int(place * step)] for place in range(AT_FIRST - len(first))]


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.mutants", description=__doc__.splitlines()[0])
    parser.add_argument("--see", type=Path, help="run the tests once and write here what they run through")
    parser.add_argument("--routes", type=Path, help="what --see wrote")
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="what the paths begin with, such as exposure/pipeline")
    parser.add_argument("--minutes", type=float, default=0, help="begin no other mutant after so long")
    wanted = parser.parse_args()
    if wanted.see:
        see(wanted.see)
        return
    sources = modules(wanted.only)
    if not sources or not wanted.routes:
        parser.error("--routes FILE, which --see FILE writes, and sources that begin with --only")
    routes, began, verdicts = Routes(wanted.routes), time.monotonic(), []
    with tempfile.TemporaryDirectory(prefix="exposure-mutants-") as folder:
        copies: queue.Queue[Copy] = queue.Queue()
        for number in range(2):
            copies.put(Copy(Path(folder) / str(number)))

        def judge(source: Path, mutation: Mutation) -> None:
            if wanted.minutes and time.monotonic() - began > 60 * wanted.minutes:
                return
            scratch = copies.get()
            try:
                said = scratch.verdict(source, mutation, routes.through(source, mutation.line))
            finally:
                copies.put(scratch)
            verdicts.append(said)
            before = (ROOT / source).read_bytes()[mutation.start : mutation.end].decode()
            change = " ".join(before.split()) + "  ->  " + mutation.text
            print(f"{said:9} {source}:{mutation.line} {mutation.kind}: {change[:200]}", flush=True)

        with ThreadPoolExecutor(2) as both:
            asked = [both.submit(judge, *wrong) for wrong in sample(sources, wanted.count, wanted.seed)]
            for one in asked:
                one.result()
    if verdicts:
        killed = sum(said in ("killed", "timed out") for said in verdicts)
        print(f"{killed} of {len(verdicts)} killed, {killed / len(verdicts):.1%} (seed {wanted.seed})")


if __name__ == "__main__":
    main()
