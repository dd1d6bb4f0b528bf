"""Whatever tells a worker what to do stands in `worker_sentences.py` with its source: complete by construction, read
from the templates and modules themselves."""

import ast
import re
from functools import cache
from pathlib import Path

from exposure.web import worker
from tests.web.worker_sentences import ONLY_NAMES, TELLS

EXPOSURE = Path(worker.__file__).parents[2]
TEMPLATES = EXPOSURE / "web" / "templates"
PAGES = [
    *sorted((TEMPLATES / "worker").glob("*.html")),
    *(TEMPLATES / "components" / name for name in ("kept.html", "ring_anyway.html")),
]
MODULES = [
    EXPOSURE / "web" / "worker" / "forms.py",
    EXPOSURE / "web" / "worker" / "settings_form.py",
    EXPOSURE / "api" / "advice.py",
]
ASKED_AGAIN = (EXPOSURE / "followup" / "entry.py", "worth_asking")
TELLING = re.compile(
    r"\b(stop|call|ring|telephone|stay|move away|put on|walk in|do not|do what|take|repeat|please|say first|send|sent|"
    r"tick|choose|enter|ask|emergency|start|until they|until occupational)\b",
    re.IGNORECASE,
)


@cache
def said():
    """Every sentence of the worker's pages, of the advice of the API and of what is asked again."""
    found = set()
    for page in PAGES:
        text = page.read_text()
        found |= {one or other for one, other in re.findall(r'{% translate "([^"]+)"|_\("([^"]+)"\)', text)}
        blocks = re.findall(r"{% blocktranslate[^%]*%}(.*?){% endblocktranslate %}", text, re.DOTALL)
        found |= {" ".join(block.split()) for block in blocks}
    trees = [ast.parse(module.read_text()) for module in MODULES]
    path, name = ASKED_AGAIN
    trees += [one for one in ast.parse(path.read_text()).body if getattr(one, "name", "") == name]
    for tree in trees:
        for call in ast.walk(tree):
            if isinstance(call, ast.Call) and getattr(call.func, "id", "") in ("_", "gettext_lazy"):
                found.add(call.args[0].value)
    return frozenset(found)


def test_every_sentence_that_tells_what_to_do_has_its_source():
    telling = {sentence for sentence in said() if TELLING.search(sentence)}
    assert telling - TELLS.keys() - ONLY_NAMES == set()
    assert all(TELLS.values())


def test_the_table_holds_no_sentence_that_is_not_said():
    assert (TELLS.keys() | ONLY_NAMES) - said() == set()


def test_the_pages_and_the_advice_were_found():
    assert len(PAGES) > 15
    assert {"Stop, and call", "Please ring now"} <= said()
