"""The words of a message: one file per language, kind and, where it differs, channel, beside this module.

The first line is the subject, what follows the empty line the body. They may say what stands in PLACES and nothing
else: no disease, exposure, unit of a hospital, temperature or person, in any language (a test reads every file).
"""

import string
from functools import cache
from pathlib import Path

from django.conf import settings

from exposure.remind.channels.letter import Letter
from exposure.remind.links import link_of
from exposure.remind.models import Message

FOLDER = Path(__file__).parent / "messages"
PLACES = frozenset({"site", "link", "count"})


class WrongText(ValueError):
    """A text asks for something that no message may say."""


def letter(message: Message, *, waiting: int) -> Letter:
    """The message as it leaves now, in its recipient's language; `waiting`: how much waits for a clinician."""
    language = message.worker.language if message.worker else ""
    kind = "reminder" if message.reminder_id is not None else "page"
    site = message.worker.site if message.worker else message.site
    link = link_of(message)
    said = {"site": site.short_name, "link": link, "count": str(waiting)}
    subject, body = (part.format_map(said) for part in text(language, kind, message.channel))
    return Letter(uid=message.uid, address=message.address, subject=subject, body=body, link=link)


def languages() -> list[str]:
    """The languages in which there are texts."""
    return sorted(folder.name for folder in FOLDER.iterdir() if folder.is_dir())


@cache
def text(language: str, kind: str, channel: str) -> tuple[str, str]:
    """(subject, body) with its places still open. Raises WrongText."""
    folder = FOLDER / language if language in languages() else FOLDER / settings.LANGUAGE_CODE
    own = folder / f"{kind}.{channel}.txt"
    file = own if own.exists() else folder / f"{kind}.txt"
    subject, _empty, body = file.read_text(encoding="utf-8").partition("\n\n")
    for _text, name, form, conversion in string.Formatter().parse(subject + body):
        if name is not None and (name not in PLACES or form or conversion):
            raise WrongText(f"{file.name} asks for “{name}”; it may ask for {', '.join(sorted(PLACES))}.")
    return subject.strip(), body.strip() + "\n"
