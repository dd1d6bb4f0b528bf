"""A pytest plugin: which test runs through which line. Loaded by `python -m tests.mutants --see`, with every process of
the run writing a file of its own beside EXPOSURE_SEEN."""

import os

import coverage
import pytest

ROUTES = coverage.Coverage(
    data_file=os.environ["EXPOSURE_SEEN"],
    data_suffix=True,
    source=["exposure"],
    config_file=False,
    messages=False,
)
ROUTES.start()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item, nextitem: pytest.Item | None):
    ROUTES.switch_context(item.nodeid)
    done = yield
    ROUTES.switch_context("")
    return done


def pytest_unconfigure(config: pytest.Config) -> None:
    ROUTES.stop()
    ROUTES.save()
