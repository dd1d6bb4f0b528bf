"""JSON and nothing else, within the limits that RFC 8259 section 9 lets a receiver set."""

import json
import re
from typing import IO, Any, NoReturn

from django.conf import settings
from django.core.exceptions import RequestDataTooBig
from django.utils.translation import gettext as _
from rest_framework.exceptions import ParseError
from rest_framework.parsers import JSONParser

MOST_DEPTH = 32
MOST_DIGITS = 100  # longer whole numbers are kept as their text
# Each part takes all it can and never gives back: a text without an end costs no more than one with it.
_TEXT_OR_BRACKETS = re.compile(r'"[^"\\]*+(?:\\.[^"\\]*+)*+"?|[\[{]++|[\]}]++', re.DOTALL)


class StrictJSON(JSONParser):
    """UTF-8 JSON. What is none is 400, a body longer than Django takes is 413; neither is a crash."""

    def parse(self, stream: IO[bytes], media_type: str | None = None, parser_context: Any = None) -> Any:
        most = settings.DATA_UPLOAD_MAX_MEMORY_SIZE
        raw = stream.read(most + 1)
        if len(raw) > most:
            raise RequestDataTooBig
        try:
            return _read(_flattened(raw.decode()))
        except ValueError as error:
            raise ParseError(_("This is not JSON: %(error)s") % {"error": error}) from None


def _read(text: str) -> Any:
    return json.loads(text, parse_int=_whole, parse_constant=_no_constant)


def _whole(digits: str) -> int | str:
    return int(digits) if len(digits) <= MOST_DIGITS else digits


def _no_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is no number")


def _flattened(text: str) -> str:
    """The JSON text with what lies deeper than MOST_DEPTH turned into the text of it: kept, and never climbed into."""
    parts, depth, deep_from, copied = [], 0, 0, 0
    for found in _TEXT_OR_BRACKETS.finditer(text):
        start, end = found.span()
        if text[start] == '"':
            continue
        before = depth
        depth += end - start if text[start] in "[{" else start - end
        if before <= MOST_DEPTH < depth:
            deep_from = start + MOST_DEPTH - before
        elif depth <= MOST_DEPTH < before:
            deep_to = start + before - MOST_DEPTH
            parts += [text[copied:deep_from], json.dumps(text[deep_from:deep_to])]
            copied = deep_to
    if depth > MOST_DEPTH:
        raise ValueError("brackets are left open")
    return "".join([*parts, text[copied:]])
