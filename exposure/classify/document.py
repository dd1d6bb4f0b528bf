"""Reads the YAML of a criteria file into nodes that know their line, and refuses what is not plain YAML.

The text is read event by event, so nothing is ever constructed or executed: every scalar stays the text as it
was written (`no`, `12:30` and `2026.10` are those five or seven characters), and tags, anchors, aliases, merge
keys and a second document are refused before anything is built from them. Size and depth are bounded first.
"""

import difflib
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from types import MappingProxyType
from typing import NoReturn

import yaml

MOST_BYTES = 256 * 1024
MOST_DEPTH = 12

Words = str | Mapping[str, str]  # a text for people: one, or one per language
NUMBER = re.compile(r"[-+]?[0-9]{1,9}(\.[0-9]{1,6})?")  # 15 digits: a page's numbers hold them exactly
WHOLE = re.compile(r"[0-9]{1,6}")
LANGUAGE = re.compile(r"[a-z]{2,3}(-[A-Za-z0-9]{2,8})*")
UNSTORABLE = re.compile("[\0\ud800-\udfff]")
NULLS = ("", "~", "null", "Null", "NULL")
TRUTHS = {"true": True, "True": True, "TRUE": True, "false": False, "False": False, "FALSE": False}


class CriteriaError(ValueError):
    """What is wrong with a criteria file, or with the facts given to `classify`.

    `line` counts from 1 (None for facts), `path` is like `rules[0].when.contact[0]` (for facts the fact's name),
    `message` says what is wrong and what to do about it.
    """

    def __init__(self, message: str, *, line: int | None = None, path: str = "") -> None:
        self.message, self.line, self.path = message, line, path
        where = ", ".join(part for part in (f"line {line}" if line else "", path) if part)
        super().__init__(f"{where}: {message}" if where else message)


@dataclass(frozen=True, slots=True)
class Node:
    """One value of the file. `value` is a str, a list of nodes or a dict of nodes; lines count from 1."""

    value: "str | list[Node] | dict[str, Node]"
    line: int
    path: str
    key_line: int  # of the key that names this value; the value's own line where no key does
    plain: bool = False  # a scalar without quotes

    def fail(self, message: str) -> NoReturn:
        raise CriteriaError(message, line=self.line, path=self.path)

    def fail_at_key(self, message: str) -> NoReturn:
        raise CriteriaError(message, line=self.key_line, path=self.path)

    def entries(self) -> "dict[str, Node]":
        """The keys and values of a mapping whose keys are the file's own names."""
        if not isinstance(self.value, dict):
            self.fail(f"must be a mapping of keys to values, not {self._kind()}")
        return self.value

    def fields(self, *, required: Iterable[str] = (), optional: Iterable[str] = ()) -> "dict[str, Node]":
        """The keys and values of a mapping whose keys are given by the file format."""
        entries, required = self.entries(), tuple(required)
        known = (*required, *optional)
        for key, node in entries.items():
            if key not in known:
                node.fail_at_key(f"unknown key '{key}'{nearest(key, known)}")
        for key in required:
            if key not in entries:
                self.fail(f"the key '{key}' is missing; add it")
        return entries

    def items(self) -> "list[Node]":
        if not isinstance(self.value, list):
            self.fail(f"must be a list, not {self._kind()}; write [...] or lines that begin with '- '")
        if not self.value:
            self.fail("the list is empty; name at least one, or leave the key out where it is optional")
        return self.value

    def text(self) -> str:
        if not isinstance(self.value, str):
            self.fail(f"must be a text, not {self._kind()}")
        if not self.value.strip():
            self.fail("the text is empty; write something")
        return self.value

    def words(self) -> Words:
        """A text for people: one text, or one per language, such as `{en: Splash, fr: Projection}`."""
        if not isinstance(self.value, dict):
            return self.text()
        if not self.value:
            self.fail("the text is empty; write something")
        for language, node in self.value.items():
            if not LANGUAGE.fullmatch(language):
                node.fail_at_key(f"'{language}' is no language; write a code such as en or fr")
        return MappingProxyType({language: node.text() for language, node in self.value.items()})

    def whole(self, *, least: int = 0) -> int:
        written = self.text()
        if not WHOLE.fullmatch(written) or int(written) < least:
            self.fail(f"'{written[:40]}' must be a whole number of {least} or more, at most six digits")
        return int(written)

    def number(self) -> Decimal:
        written = self.text()
        if not NUMBER.fullmatch(written):
            self.fail(
                f"'{written[:40]}' must be a number such as 15 or 38.0, at most 9 digits and 6 decimals"
            )
        return Decimal(written)

    def truth(self) -> bool:
        written = self.text()
        if written not in TRUTHS:
            self.fail(f"'{written[:40]}' must be true or false")
        return TRUTHS[written]

    def choice(self, options: Iterable[str], what: str = "value") -> str:
        written = self.text()
        if written not in options:
            self.fail(f"unknown {what} '{written}'{nearest(written, options)}")
        return written

    def is_null(self) -> bool:
        return self.plain and self.value in NULLS

    def _kind(self) -> str:
        return {str: "a single text", list: "a list", dict: "a mapping"}[type(self.value)]


def text(value: Words, lang: str = "en") -> str:
    """A text for people in `lang`, else in its main language, else in English, else in the first there is."""
    if isinstance(value, str):
        return value
    for wanted in (lang, lang.partition("-")[0], "en"):
        if wanted in value:
            return value[wanted]
    return next(iter(value.values()))


def nearest(written: str, known: Iterable[str]) -> str:
    """The remedy for a misspelt word: the nearest known one, else all of them."""
    known = list(dict.fromkeys(known))
    lowered = {word.lower(): word for word in known}
    if close := difflib.get_close_matches(written[:80].lower(), lowered, n=1):
        return f"; did you mean '{lowered[close[0]]}'?"
    shown = ", ".join(f"'{word}'" for word in known[:12])
    return f"; known are {shown}{' and others' if len(known) > 12 else ''}" if known else ""


def unique(nodes: "Iterable[tuple[str, Node]]", what: str) -> None:
    """Refuse a second node of the same code, at its own line."""
    first: dict[str, Node] = {}
    for code, node in nodes:
        if code in first:
            node.fail(f"the {what} '{code}' stands already on line {first[code].line}; rename or remove one")
        first[code] = node


def read(text: str) -> Node:
    """The root node of one YAML document. Raises CriteriaError with the line of what is refused."""
    size = len(text.encode("utf-8", "surrogatepass"))
    if size > MOST_BYTES:
        raise CriteriaError(f"the file has {size} bytes; at most {MOST_BYTES} (256 KiB) are read", line=1)
    try:
        events = yaml.parse(text, Loader=yaml.SafeLoader)
        next(events)
        start = next(events)
        if isinstance(start, yaml.StreamEndEvent):
            raise CriteriaError("the file is empty; begin with 'pathogen:' and 'version:'", line=1)
        root = _node(next(events), events, "", None, 1)
        next(events)
        after = next(events)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        problem = error.problem or error.context or "cannot be read"
        raise CriteriaError(f"not valid YAML: {problem}", line=mark.line + 1 if mark else 1) from None
    except yaml.reader.ReaderError as error:
        line = text.count("\n", 0, error.position) + 1
        raise CriteriaError(
            f"the character U+{error.character:04X} is not allowed; remove it", line=line
        ) from None
    if not isinstance(after, yaml.StreamEndEvent):
        line = _line(after)
        raise CriteriaError("a second document begins here; one file holds one version", line=line)
    return root


def _node(
    event: yaml.Event, events: Iterator[yaml.Event], path: str, key_line: int | None, depth: int
) -> Node:
    line = _line(event)
    _refuse_machinery(event, line, path)
    key_line = key_line or line
    if isinstance(event, yaml.ScalarEvent):
        _refuse_unstorable(event.value, line, path)
        return Node(event.value, line, path, key_line, plain=event.style is None)
    if depth > MOST_DEPTH:
        raise CriteriaError(f"nested more than {MOST_DEPTH} deep; no part of a file is", line=line, path=path)
    if isinstance(event, yaml.SequenceStartEvent):
        items: list[Node] = []
        while not isinstance(event := next(events), yaml.SequenceEndEvent):
            items.append(_node(event, events, f"{path}[{len(items)}]", None, depth + 1))
        return Node(items, line, path, key_line)
    entries: dict[str, Node] = {}
    while not isinstance(event := next(events), yaml.MappingEndEvent):
        key, at = _key(event, path)
        inner = f"{path}.{key}" if path else key
        if key in entries:
            first = entries[key].key_line
            raise CriteriaError(
                f"the key '{key}' stands already on line {first}; remove one", line=at, path=inner
            )
        entries[key] = _node(next(events), events, inner, at, depth + 1)
    return Node(entries, line, path, key_line)


def _line(event: yaml.Event) -> int:
    return event.start_mark.line + 1 if event.start_mark else 1


def _key(event: yaml.Event, path: str) -> tuple[str, int]:
    line = _line(event)
    _refuse_machinery(event, line, path)
    if not isinstance(event, yaml.ScalarEvent) or not event.value.strip():
        raise CriteriaError("a key must be a plain text", line=line, path=path)
    _refuse_unstorable(event.value, line, path)
    if event.value == "<<" and event.style is None:
        raise CriteriaError("merge keys are not read; write the keys out", line=line, path=path)
    return event.value, line


def _refuse_unstorable(value: str, line: int, path: str) -> None:
    """Characters that no database keeps; a quoted text can name them by an escape."""
    if found := UNSTORABLE.search(value):
        message = f"the character U+{ord(found[0]):04X} is not allowed; remove its escape"
        raise CriteriaError(message, line=line, path=path)


def _refuse_machinery(event: yaml.Event, line: int, path: str) -> None:
    if isinstance(event, yaml.AliasEvent):
        raise CriteriaError("aliases are not read; write the value out", line=line, path=path)
    if getattr(event, "anchor", None):
        raise CriteriaError("anchors are not read; remove the '&' and its name", line=line, path=path)
    if getattr(event, "tag", None):
        raise CriteriaError("tags are not read; remove the '!' and its name", line=line, path=path)
