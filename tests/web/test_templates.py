"""A template is read like a page: no line is longer than a line of code."""

from pathlib import Path

import exposure.web

TEMPLATES = Path(exposure.web.__file__).parent / "templates"
LONGEST = 120


def too_long(path):
    return any(len(line) > LONGEST for line in path.read_text().splitlines())


def test_no_line_of_a_template_is_over_120_characters():
    assert {str(path.relative_to(TEMPLATES)) for path in TEMPLATES.rglob("*.html") if too_long(path)} == set()
