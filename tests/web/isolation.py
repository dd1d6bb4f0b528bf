"""Pages as they are read: what sets names apart is not seen. `test_names_stand_apart.py` sees that it is there."""

import re

from exposure.web.bidi import FIRST_STRONG_ISOLATE, POP_DIRECTIONAL_ISOLATE

NOT_SEEN = re.compile(f"</?bdi>|[{FIRST_STRONG_ISOLATE}{POP_DIRECTIONAL_ISOLATE}]")


def without_isolation(page: str) -> str:
    return NOT_SEEN.sub("", page)
