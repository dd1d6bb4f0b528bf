"""The table of the Application Security Verification Standard holds every requirement of its groups, once, with a proof
that is there. OWASP ASVS 5.0.0, level 2; the ids per group as a reviewer asks for them."""

import re
from pathlib import Path

from tests.processes import ROOT

TABLE = Path(__file__).with_name("asvs.md").read_text()
ROWS = [
    [cell.strip() for cell in line.strip("|").split("|")]
    for line in TABLE.splitlines()
    if re.match(r"\| \d", line)
]
# Chapter and section -> which of its requirements.
ASKED = {
    "1.2": "1-5 9", "1.3": "2 6 7 11", "1.5": "2", "2.1": "2-3", "2.2": "2-3", "2.3": "1 3 4", "2.4": "1",
    "3.3": "1-4", "3.4": "1 3-6", "3.5": "1-3", "4.1": "1-3", "4.2": "1", "5.1": "1", "5.2": "1-3", "5.3": "1-2",
    "5.4": "1-3", "6.1": "1", "6.2": "1 4 5 9 10 12", "6.3": "2-4", "6.4": "1-4", "6.5": "1-5", "6.6": "1-3",
    "6.8": "1-4", "7.1": "1-3", "7.2": "3-4", "7.3": "1-2", "7.4": "1-5", "7.5": "1-2", "7.6": "1-2", "8.1": "1-2",
    "8.2": "1-3", "8.3": "1", "8.4": "1", "9.1": "1-3", "9.2": "1-4", "10.1": "1-2", "10.2": "1-2", "10.5": "1-5",
    "11.1": "1-2", "11.2": "1-3", "11.3": "1-3", "11.4": "2", "11.5": "1", "12.1": "1-3", "12.2": "1-2",
    "12.3": "1-4", "13.1": "1", "13.2": "1-5", "13.3": "1-2", "13.4": "1-5", "14.1": "1-2", "14.2": "1-4",
    "14.3": "1-3", "15.1": "1-3", "15.2": "1-3", "15.3": "1-7", "16.1": "1", "16.2": "1-5", "16.3": "1-4",
    "16.4": "1-3", "16.5": "1-3",
}  # fmt: skip


def numbers(said: str) -> set[int]:
    parts = [part.partition("-") for part in said.split()]
    return {number for first, _, last in parts for number in range(int(first), int(last or first) + 1)}


def test_every_requirement_stands_there_once():
    named = [one.strip() for row in ROWS for one in row[0].split(",")]
    assert len(named) == len(set(named))
    assert set(named) == {
        f"{section}.{number}" for section, said in ASKED.items() for number in numbers(said)
    }


def test_every_row_says_what_is_asked_and_what_proves_it():
    for ids, asked, proof in ROWS:
        assert len(asked) > 5, ids
        assert re.search(r"`|\bnote\b|[Nn]ot met|\.md|[A-Z]{3,}_", proof), f"{ids}: no test, setting or note"


def test_every_test_named_there_exists():
    named = re.findall(r"`((?:tests|exposure)/[\w/]+\.py)(?:::(\w+))?`", TABLE)
    assert len(named) > 60
    for path, function in named:
        assert (ROOT / path).exists(), path
        assert not function or f"def {function}(" in (ROOT / path).read_text(), function
