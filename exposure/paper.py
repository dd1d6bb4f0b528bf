"""Pages to print, as PDF/A-2a with tags, set by typst from a layout in `papers/`.

What is said comes in as data and is never read as markup. Fonts are those of the library alone, so that a page looks
the same wherever it is made.
"""

import json
from collections.abc import Mapping
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

LAYOUTS = Path(__file__).resolve().parent / "papers"
STANDARD = "a-2a"


@cache
def _layout(name: str) -> bytes:
    return (LAYOUTS / f"{name}.typ").read_bytes()


def pdf(layout: str, data: Mapping[str, Any], *, written_at: datetime, language: str = "en") -> bytes:
    """The page as PDF. `data` is what the layout names, as JSON holds it; `written_at` is aware and stands in the
    document, so that the same data at the same instant gives the same bytes.

    Letters that the fonts lack come out as empty boxes; the standard forbids these, and a page without the standard is
    better than none.
    """
    import typst  # heavy, and most processes never print

    written = written_at.astimezone(UTC).timetuple()
    inputs = {"data": json.dumps({**data, "language": language, "written": list(written[:6])})}
    common = {"format": "pdf", "sys_inputs": inputs, "ignore_system_fonts": True}
    try:
        return typst.compile(_layout(layout), pdf_standards=[STANDARD], **common)
    except typst.TypstError:
        return typst.compile(_layout(layout), **common)
