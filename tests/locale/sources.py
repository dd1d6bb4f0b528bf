"""Which sentences exposed workers and observers can see, read from the files themselves.

Everything in these files is translated. Pages of clinicians, auditors and administrators are in English as a whole
(exposure/web/language.py), so what stands in their files is not.
"""

import ast
import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import yaml
from django.utils.translation.template import templatize

from exposure.wording import SHIPPED

ROOT = Path(__file__).resolve().parents[2]
EXPOSURE = ROOT / "exposure"
TEMPLATES = EXPOSURE / "web" / "templates"

# Pages of clinicians, auditors and administrators among those of everybody.
ENGLISH_TEMPLATES = {
    "home.html",
    "how_told.html",
    "outgoing.html",
    "account/invite.html",
    "account/roles.html",
    "account/locked_observers.html",
    "account/station_devices.html",
    "components/causes.html",
    "components/clock_jumps.html",
    "components/live.html",
    "components/pages.html",
    "components/set_aside.html",
}
ENGLISH_FOLDERS = {"nurse", "physician", "lead", "auditor", "admin"}
PYTHON = (
    "api/advice.py",
    "clear/letters.py",
    "followup/entry.py",
    "followup/own_times.py",
    "followup/store_reading.py",
    "people/passwords.py",
    "people/pins.py",
    "report/moments.py",
    "web/account/adapter.py",
    "web/account/addresses.py",
    "web/account/factors.py",
    "web/account/invitations.py",
    "web/account/keys.py",
    "web/account/known.py",
    "web/account/limits.py",
    "web/account/mobiles.py",
    "web/account/phone_pins.py",
    "web/account/sessions.py",
    "web/account/station_pins.py",
    "web/context.py",
    "web/language.py",
    "web/local_time.py",
    "web/looks.py",
    "web/observer/*.py",
    "web/reach.py",
    "web/reach_forms.py",
    "web/reply.py",
    "web/signed_in.py",
    "web/strip.py",
    "web/tablet/*.py",
    "web/templatetags/*.py",
    "web/times.py",
    "web/worker/*.py",
    "wording.py",
)
# Classes whose words stand on these pages: choices, and what is wrong with a number or a name.
CHOICES = {
    "clear/models.py": {"Clearance"},
    "followup/models.py": {"METHODS"},
    "people/models.py": {"ApiToken", "Channel", "Role", "User", "validate_mobile"},
    "places/models.py": {"Emergency", "FailureGroup", "validate_zone"},
    "report/models.py": {"Breach", "CaseStatement", "Removal", "Told"},
}
# Files with sentences that these people read beside others that go into rows or onto pages of clinicians. Each is in
# one of the two: a sentence in neither fails.
SHOWN = {
    "report/flags.py": {
        "The person is on no list.",
        "There is no worker with this number.",
        "No time is given; days count from the report.",
        "The time cannot be read; days count from the report.",
        "The time had not come yet; days count from the report.",
        "The time is long past; days count from the report.",
        "The answers contradict each other.",
    },
    "pipeline/follow.py": {
        "No readings are asked of this person. If you feel ill, ring %(phone)s.",
        "Give times for %(asked)s readings a day, as the site asks.",
    },
    "pipeline/reach.py": {
        "This browser's notifications are not set up here.",
        "This browser's notifications cannot be used.",
    },
    "pipeline/remove.py": {"Choose a protocol that is in use at this station."},
}
KEPT = {
    "report/flags.py": {
        "The device that reported belongs to another station.",
        "%(name)s further answers are not known ones; they are kept as sent.",
        "%(name)s further entries are not known ones; they are kept as sent.",
        "No station is given.",
        "It was sealed on a station's tablet and cannot be opened here; it is kept as it came. Ask at the station now.",
        "Nobody is named.",
        "Parts could not be stored as sent: unreadable characters show as �, very large numbers stand "
        "as text.",
        "The answer to “%(name)s” is not a known one.",
        "The criteria %(name)s could not be read or applied: nothing is assessed by them.",
        "The first aid given is none of the known ones.",
        "The phase is none of the known ones.",
        "The questions came from a version that is no longer in use.",
        "The questions came from a version that is not known here.",
        "The removal that it names has not come from the tablet yet.",
        "The step is in no protocol.",
        "The time has no time zone; the site's was taken.",
        "The worker reported themself; their answers wait for a clinician.",
        "There is no such case.",
        "There is no such event.",
        "There is no such removal.",
        "There is no such station.",
        "What happened is none of the known failures.",
        "Who observed is as stated at the tablet; badge and digits did not prove it.",
        "“%(name)s” is not a known entry; it is kept as sent.",
    },
    "pipeline/follow.py": {
        "A reading asked for a look before the last day had ended.",
        "Another exposure was reported before the last day had ended.",
        "Nobody follows this person up now, so that nothing is stored. Record an exposure first, or let the "
        "follow-up go on; a fever after an exposure waits for neither: act on it now.",
    },
    "pipeline/reach.py": set(),
    "pipeline/remove.py": set(),
}
# What the sign-in library has in other words than the rest of our pages.
OF_THE_LIBRARY = ("Email", "Use a security key")

CALLS = {
    "_",
    "gettext",
    "gettext_lazy",
    "ngettext",
    "ngettext_lazy",
    "pgettext",
    "pgettext_lazy",
    "npgettext",
}


@dataclass(frozen=True)
class Sentence:
    """What is looked up in a catalogue. `plural` and `context` are empty where there are none."""

    words: str
    plural: str = ""
    context: str = ""


def in_python(source: str) -> Iterator[Sentence]:
    """Every sentence that Python source hands to gettext."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name | ast.Attribute):
            name = node.func.id if isinstance(node.func, ast.Name) else node.func.attr
            if name in CALLS:
                yield from _called(name, [arg.value for arg in node.args if isinstance(arg, ast.Constant)])


def _called(name: str, texts: list) -> Iterator[Sentence]:
    if not texts:
        return
    if name.startswith("np"):
        yield Sentence(texts[1], texts[2], texts[0])
    elif name.startswith("n"):
        yield Sentence(texts[0], texts[1])
    elif name.startswith("p"):
        yield Sentence(texts[1], context=texts[0])
    else:
        yield Sentence(texts[0])


LITERAL = r"""u?(?:'(?:[^'\\\n]|\\.)*'|"(?:[^"\\\n]|\\.)*")"""
IN_TEMPLATE = re.compile(rf"\b(np?gettext|pgettext|gettext|_)\(({LITERAL}(?:,\s*{LITERAL})*)")


def in_template(source: str) -> Iterator[Sentence]:
    """Every sentence of a template, by the same reading that makemessages has."""
    for name, texts in IN_TEMPLATE.findall(templatize(source)):
        yield from _called(name, list(ast.literal_eval(f"({texts},)")))


def templates() -> Iterator[Path]:
    """The templates of pages that these people see."""
    for file in sorted(TEMPLATES.rglob("*")):
        name = file.relative_to(TEMPLATES).as_posix()
        english = name in ENGLISH_TEMPLATES or name.partition("/")[0] in ENGLISH_FOLDERS
        if file.suffix in (".html", ".txt") and not english:
            yield file


@cache
def sentences() -> dict[Sentence, str]:
    """Every sentence to be translated -> the first file that has it."""
    found: dict[Sentence, str] = {}
    for where, sentence in _all():
        if sentence.words:
            found.setdefault(sentence, where)
    return found


def _all() -> Iterator[tuple[str, Sentence]]:
    for file in templates():
        yield from ((file.relative_to(ROOT).as_posix(), each) for each in in_template(file.read_text()))
    for pattern in PYTHON:
        for file in sorted(EXPOSURE.glob(pattern)):
            yield from ((file.relative_to(ROOT).as_posix(), each) for each in in_python(file.read_text()))
    for name, classes in CHOICES.items():
        yield from ((f"exposure/{name}", each) for each in choices_in((EXPOSURE / name).read_text(), classes))
    for name, shown in SHOWN.items():
        yield from ((f"exposure/{name}", Sentence(words)) for words in sorted(shown))
    yield from (("django-allauth", Sentence(words)) for words in OF_THE_LIBRARY)
    for name, words in shipped_texts():
        yield name, Sentence(words, context=SHIPPED)


def choices_in(source: str, names: set[str]) -> Iterator[Sentence]:
    """The sentences of top-level definitions with these names, without names and helps of fields, which only set-up
    shows."""
    for node in ast.parse(source).body:
        targets = node.targets if isinstance(node, ast.Assign) else [node]
        if names & {getattr(target, "name", getattr(target, "id", "")) for target in targets}:
            for inner in ast.walk(node):
                if isinstance(inner, ast.Tuple | ast.Call) and not _is_field(inner):
                    yield from _direct(inner)


def _is_field(node: ast.AST) -> bool:
    return isinstance(node, ast.Call) and getattr(node.func, "attr", "").endswith("Field")


def _direct(node: ast.Tuple | ast.Call) -> Iterator[Sentence]:
    for part in node.elts if isinstance(node, ast.Tuple) else node.args:
        if isinstance(part, ast.Call):
            yield from in_python(ast.unparse(part))


def shipped_texts() -> Iterator[tuple[str, str]]:
    """(file, English text) of what protocols, first-aid cards and criteria show to a worker or observer."""
    yield from (("fixtures/protocols.yaml", words) for words in _of_protocols())
    for file in sorted((ROOT / "fixtures" / "criteria").glob("*.yaml")):
        content = yaml.load(file.read_text(), Loader=yaml.CSafeLoader)
        yield from ((f"fixtures/criteria/{file.name}", words) for words in _of_criteria(content) if words)


def _of_protocols() -> Iterator[str]:
    content = yaml.load((ROOT / "fixtures" / "protocols.yaml").read_text(), Loader=yaml.CSafeLoader)
    for card in content["cards"]:
        yield from (card["title"], *card["text"])
    yield from (failure["label"] for failure in content["failures"])
    for protocol in content["protocols"]:
        yield protocol["title"]
        for step in protocol["steps"]:
            yield from (step["item"], step["action"])


def _of_criteria(content: dict) -> Iterator[str]:
    for fact in content["facts"]:
        if fact.get("about", "event") == "event":
            yield from (fact["ask"], *(answer["label"] for answer in fact.get("answers", ())))
    yield from (symptom["ask"] for symptom in (content["profile"].get("symptoms") or {}).values())
    for tier in content["tiers"]:
        yield tier["label"]
        yield from (one["title"] for one in (tier.get("plan") or {}).get("restrictions", ()))
    yield from (rule.get("because") for rule in content["rules"])
