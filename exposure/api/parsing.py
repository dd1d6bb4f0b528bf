"""JSON and nothing else, within the limits that RFC 8259 section 9 lets a receiver set."""

import json
from typing import IO, Any, NoReturn

from django.conf import settings
from django.core.exceptions import RequestDataTooBig
from django.utils.translation import gettext as _
from rest_framework.exceptions import ParseError
from rest_framework.parsers import JSONParser

MOST_DEPTH = 32
MOST_DIGITS = 100  # longer whole numbers are kept as their text


class StrictJSON(JSONParser):
    """UTF-8 JSON. What is none is 400, a body longer than Django takes is 413; neither is a crash."""

    def parse(self, stream: IO[bytes], media_type: str | None = None, parser_context: Any = None) -> Any:
        most = settings.DATA_UPLOAD_MAX_MEMORY_SIZE
        raw = stream.read(most + 1)
        if len(raw) > most:
            raise RequestDataTooBig
        try:
            body = json.loads(raw.decode(), parse_int=_whole, parse_constant=_no_constant)
        except ValueError as error:
            raise ParseError(_("This is not JSON: %(error)s") % {"error": error}) from None
        except RecursionError:
            raise _too_deep() from None
        _refuse_deep(body, MOST_DEPTH)
        return body


def _whole(digits: str) -> int | str:
    return int(digits) if len(digits) <= MOST_DIGITS else digits


def _no_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is no number")


def _refuse_deep(value: Any, left: int) -> None:
    if isinstance(value, dict | list):
        if not left:
            raise _too_deep()
        for item in value.values() if isinstance(value, dict) else value:
            _refuse_deep(item, left - 1)


def _too_deep() -> ParseError:
    return ParseError(_("This is nested too deep; at most %(most)s levels are read.") % {"most": MOST_DEPTH})
