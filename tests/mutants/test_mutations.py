"""What counts as a small wrong change, and that the sample follows from its seed."""

from pathlib import Path

import pytest

from tests.mutants.__main__ import AT_FIRST, ROOT, SOURCES, TESTS, modules, sample, spread
from tests.mutants.mutations import mutations


@pytest.mark.parametrize(
    ("source", "changed"),
    [
        ("a < b\n", {"(a <= b)"}),
        ("a == b\n", {"(a != b)"}),
        ("a and b\n", {"(a or b)"}),
        ("x = 'é', a + b\n", {"x = 'é', (a - b)"}),
        ("x = 3\n", {"x = 4", "x = (2)"}),
        ("def f():\n    return a\n", {"def f():\n    return None"}),
        ("x = a if b else c\n", {"x = a if (not (b)) else c"}),
        ("if a:\n    f()\n", {"if (not (a)):\n    f()", "if a:\n    pass"}),
        ("x.y = a\n", {"pass"}),
        ("z = f(a, b)\n", {"z = f(b, a)"}),
    ],
)
def test_each_kind_of_slip_is_made_where_it_stands(source, changed):
    found = {mutation.apply(source.encode()).decode().rstrip("\n") for mutation in mutations(source.encode())}
    assert found == changed


@pytest.mark.parametrize(
    "source", ["@d(1)\ndef f(a: 2 = None): '''3'''\n", "log.info(1)\n", "z = f'{a + 1}'\n", "z = f(a, a)\n"]
)
def test_decorators_annotations_docstrings_logs_and_what_says_the_same_stay(source):
    found = [one for one in mutations(source.encode()) if one.says_something_else(source.encode())]
    assert found == []


def test_the_same_seed_takes_the_same_sample_and_another_another():
    rule = [Path("exposure/clear/rule.py")]
    assert sample(rule, 5, 1) == sample(rule, 5, 1) != sample(rule, 5, 2)


def test_what_is_sampled_and_what_is_to_notice_is_there():
    assert all((ROOT / source).is_file() for source in modules(""))
    assert all(any(str(source).startswith(place) for source in modules("")) for place in SOURCES)
    assert {path for path in TESTS if not (ROOT / path).exists()} == set()


def test_not_more_tests_than_can_be_waited_for_the_most_particular_first():
    tests = [str(number) for number in range(1000)]
    chosen = spread(tests)
    assert len(chosen) == len(set(chosen)) == AT_FIRST
    assert chosen[:20] == tests[:20]
    assert int(chosen[-1]) > 900
    assert spread(tests[:7]) == tests[:7]
