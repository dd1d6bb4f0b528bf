"""The French catalogue as a text file (.po) and as gettext reads it (.mo), without gettext's own tools.

Formats: GNU gettext manual, "The Format of PO Files" and "The Format of GNU MO Files".
"""

import ast
import struct
from collections.abc import Iterator, Mapping
from pathlib import Path

from tests.locale.sources import EXPOSURE, Sentence, sentences

PO = EXPOSURE / "locale" / "fr" / "LC_MESSAGES" / "django.po"
MO = PO.with_suffix(".mo")
MAGIC = 0x950412DE
HEADER = Sentence("")

Translations = dict[Sentence, tuple[str, ...]]


def head(text: str) -> str:
    """The comments before the first entry."""
    return text[: text.index("msgid")]


def read(text: str) -> Translations:
    """Every entry with what it is translated to: one text, or one per plural form. The header is that of "". Raises
    ValueError for an entry that is there twice, fuzzy or obsolete."""
    found: Translations = {}
    for block in text.split("\n\n"):
        lines = [line for line in block.splitlines() if line]
        if any(line.startswith(("#~", "#,")) and "python-format" not in line for line in lines):
            raise ValueError(f"fuzzy or obsolete: {block}")
        fields = _fields(line for line in lines if not line.startswith("#"))
        if not fields:
            continue
        sentence = Sentence(fields["msgid"], fields.get("msgid_plural", ""), fields.get("msgctxt", ""))
        if sentence in found:
            raise ValueError(f"twice: {sentence}")
        found[sentence] = tuple(text for name, text in fields.items() if name.startswith("msgstr"))
    return found


def _fields(lines: Iterator[str]) -> dict[str, str]:
    fields: dict[str, str] = {}
    name = ""
    for line in lines:
        if not line.startswith('"'):
            name, _space, line = line.partition(" ")
            fields[name] = ""
        fields[name] += ast.literal_eval(line)
    return fields


def write(comments: str, translations: Translations, sources: Mapping[Sentence, str]) -> str:
    """The text file: the header, then the sentences by the file that first has them."""
    blocks = [comments + _entry(HEADER, translations[HEADER], "")]
    order = sorted(sources, key=lambda one: (sources[one], one.context, one.words))
    blocks += [
        _entry(one, translations.get(one) or ("",) * (2 if one.plural else 1), sources[one]) for one in order
    ]
    return "\n\n".join(blocks) + "\n"


def _entry(sentence: Sentence, french: tuple[str, ...], source: str) -> str:
    lines = [f"#: {source}"] if source else []
    lines += [f"msgctxt {_quoted(sentence.context)}"] if sentence.context else []
    lines.append(f"msgid {_quoted(sentence.words)}")
    if sentence.plural:
        lines.append(f"msgid_plural {_quoted(sentence.plural)}")
        lines += [f"msgstr[{n}] {_quoted(text)}" for n, text in enumerate(french)]
    else:
        lines.append(f"msgstr {_quoted(french[0])}")
    return "\n".join(lines)


def _quoted(text: str) -> str:
    parts = text.split("\n")
    lines = [part + "\n" for part in parts[:-1]] + ([parts[-1]] if parts[-1] or len(parts) == 1 else [])
    escaped = [line.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n") for line in lines]
    if len(escaped) == 1:
        return f'"{escaped[0]}"'
    return "\n".join(['""', *(f'"{line}"' for line in escaped)])


def compiled(translations: Translations) -> bytes:
    """The binary file, entries sorted by their bytes; one without a translation is left out."""
    entries = sorted(
        (_key(sentence).encode(), "\0".join(french).encode())
        for sentence, french in translations.items()
        if all(french)
    )
    count = len(entries)
    texts = 28 + 16 * count
    tables: list[list[int]] = [[], []]
    bodies = b""
    for side in (0, 1):
        for entry in entries:
            tables[side] += [len(entry[side]), texts + len(bodies)]
            bodies += entry[side] + b"\0"
    numbers = [MAGIC, 0, count, 28, 28 + 8 * count, 0, texts, *tables[0], *tables[1]]
    return struct.pack(f"<{len(numbers)}I", *numbers) + bodies


def _key(sentence: Sentence) -> str:
    context = f"{sentence.context}\x04" if sentence.context else ""
    return context + sentence.words + (f"\0{sentence.plural}" if sentence.plural else "")


def bring_up_to_date() -> list[Sentence]:
    """Write both files anew from the sentences of the sources: what is new comes in without a translation, what is
    gone goes. Returns what still lacks one."""
    text = PO.read_text(encoding="utf-8")
    translations = read(text)
    wanted = sentences()
    translations = {one: french for one, french in translations.items() if one in wanted or one == HEADER}
    PO.write_text(write(head(text), translations, wanted), encoding="utf-8")
    MO.write_bytes(compiled(translations))
    return [one for one in wanted if not all(translations.get(one, ("",)))]


def entries(file: Path = PO) -> Translations:
    """The committed catalogue without its header."""
    return {one: french for one, french in read(file.read_text(encoding="utf-8")).items() if one != HEADER}
