"""What a page makes a browser load. A bound of our own: all scripts together stay under 60 kB, compressed."""

import gzip
from pathlib import Path

from exposure import web

SCRIPTS = sorted((Path(web.__file__).parent / "static").rglob("*.js"))
MOST = 60_000  # bytes as a server sends them (gzip)


def test_all_scripts_together_are_small():
    sizes = {script.name: len(gzip.compress(script.read_bytes(), mtime=0)) for script in SCRIPTS}
    assert {"page.js", "tablet.js", "criteria.js", "worker.js"} <= set(sizes)
    assert sum(sizes.values()) < MOST, sizes
