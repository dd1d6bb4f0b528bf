"""The arrangement of the code holds: imports point one way, what is pure stays pure, nothing names a registry."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PURE = (
    "exposure.classify.criteria",
    "exposure.classify.diagram",
    "exposure.classify.findings",
    "exposure.followup.schedule",
    "exposure.followup.readings",
    "exposure.followup.status",
    "exposure.remind.ladder",
    "exposure.clear.rule",
    "exposure.report.submission",
)
WITHOUT_DJANGO = """
import importlib, sys
class Blocked:
    def find_spec(self, name, path=None, target=None):
        if name.partition(".")[0] == "django":
            raise ImportError("Django is absent")
sys.meta_path.insert(0, Blocked())
importlib.import_module(sys.argv[1])
"""


def test_every_package_file_below_exposure_is_empty():
    packages = list((ROOT / "exposure").rglob("__init__.py"))
    assert len(packages) > 10
    assert [str(one) for one in packages if one.stat().st_size] == []


def test_the_import_contracts_hold():
    program = Path(sys.executable).with_name("lint-imports")
    found = subprocess.run([program, "--no-cache"], cwd=ROOT, capture_output=True, text=True, check=False)
    assert found.returncode == 0, found.stdout
    assert "0 broken" in found.stdout


@pytest.mark.parametrize("module", PURE)
def test_what_decides_imports_with_django_absent(module):
    command = [sys.executable, "-c", WITHOUT_DJANGO, module]
    found = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert found.returncode == 0, found.stderr


def test_the_blocked_import_does_block():
    command = [sys.executable, "-c", WITHOUT_DJANGO, "exposure.record"]
    found = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert "Django is absent" in found.stderr


@pytest.mark.parametrize(
    "file", [ROOT / "pyproject.toml", *sorted((ROOT / "config").glob("requirements*.txt"))]
)
def test_what_is_installed_is_named_without_an_address(file):
    assert re.findall(r"https?://\S+|--(?:extra-)?index-url|--find-links", file.read_text()) == []


@pytest.mark.parametrize("name", ["uv.lock", "pylock.toml"])
def test_no_lock_file_that_carries_addresses_is_kept(name):
    tracked = subprocess.run(["git", "ls-files", name], cwd=ROOT, capture_output=True, text=True, check=False)
    assert tracked.stdout == ""
