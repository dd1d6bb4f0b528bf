"""A contact list as people send it: CSV, read line by line, every complaint at its line. Nothing is stored."""

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from django.utils.translation import gettext as _

from exposure.report.submission import YEARS, storable

COLUMNS = ("number", "name", "phone", "employer", "last_contact", "tier", "note")
LONGEST = {"number": 40, "phone": 40, "note": 1000}  # characters
LONGEST_OTHERWISE = 200
MOST_LINES = 500  # recorded in one request, some 50 ms each
MOST_BYTES = 512 * 1024


@dataclass(frozen=True)
class ContactRow:
    """One line: who, by number or name, when last in contact, treated as which tier. `last_contact` has no zone
    unless the file gives one; `errors` are (column, message). `line` is where it starts in the file, from 1."""

    line: int
    number: str
    name: str
    phone: str
    employer: str
    last_contact: datetime | None
    tier: str
    note: str = ""
    errors: tuple[tuple[str, str], ...] = ()

    @property
    def person(self) -> tuple[str, ...]:
        """Who it is, to tell two lines apart; empty where nobody is named."""
        return (self.number,) if self.number else (self.name, self.phone, self.employer) if self.name else ()

    def moment(self, zone: ZoneInfo) -> datetime:
        """The last contact in UTC; a time without a zone is the site's, a date alone its first moment."""
        if self.last_contact is None:
            raise ValueError(f"line {self.line} has no last contact")
        local = self.last_contact if self.last_contact.tzinfo else self.last_contact.replace(tzinfo=zone)
        return local.astimezone(UTC)


class _Unreadable(Exception):
    """No table can be read, from this line on."""

    def __init__(self, message: str, line: int = 1) -> None:
        super().__init__(message)
        self.message, self.line = message, line


def read_contact_list(text: str, *, tier: str = "") -> list[ContactRow]:
    """Comma, semicolon or tab between the columns, named in the first line in any order; empty lines are left out.
    `tier` holds where a line names none. What is wrong with the whole is an error of its first line, or of the line
    from which on it cannot be read."""
    try:
        names, lines = _table(text)
        if len(lines) > MOST_LINES:
            raise _Unreadable(_("At most %(most)s lines at once.") % {"most": MOST_LINES})
    except _Unreadable as why:
        return [ContactRow(why.line, "", "", "", "", None, "", errors=(("", why.message),))]
    return [_row(line, names, cells, tier) for line, cells in lines]


def ignored_columns(text: str) -> list[str]:
    """The columns of a readable list that have another name than those of COLUMNS."""
    try:
        names, _lines = _table(text)
    except _Unreadable:
        return []
    return [name for name in names if name not in COLUMNS]


def _table(text: str) -> tuple[list[str], list[tuple[int, list[str]]]]:
    """The names of the columns, and (line, cells) of every line below them that is not empty."""
    if storable(text) != text:
        raise _Unreadable(_("This is no table of comma-separated values."))
    if len(text.encode()) > MOST_BYTES:
        raise _Unreadable(_("At most %(most)s KiB at once.") % {"most": MOST_BYTES // 1024})
    lines = list(_lines(text.removeprefix("\ufeff").replace("\r\n", "\n").replace("\r", "\n")))
    names = [name.lower().replace(" ", "_") for name in _filled(lines[0][1])] if lines else []
    _require_columns(names)
    if len(lines) == 1:
        raise _Unreadable(_("There is no line below the names of the columns."))
    return names, lines[1:]


def _lines(text: str) -> Iterator[tuple[int, list[str]]]:
    """Every record that is not empty, with the line that it starts in: a cell in quotes may run over several."""
    first = next((line for line in text.split("\n") if line.strip(",;\t ")), "")
    records = csv.reader(io.StringIO(text), delimiter=max(",;\t", key=first.count), strict=True)
    while True:
        line = records.line_num + 1
        try:
            cells = [cell.strip() for cell in next(records)]
        except StopIteration:
            return
        except csv.Error:
            message = _("From this line on it cannot be read as a table: look at its quotation marks.")
            raise _Unreadable(message, line) from None
        if any(cells):
            yield line, cells


def _filled(cells: Sequence[str]) -> Sequence[str]:
    """Without the empty cells at the end: spreadsheets write them."""
    return cells[: max((place for place, cell in enumerate(cells, 1) if cell), default=0)]


def _require_columns(names: Sequence[str]) -> None:
    if "last_contact" not in names or not {"number", "name"} & set(names):
        raise _Unreadable(_("The first line must name the columns: %(all)s.") % {"all": ", ".join(COLUMNS)})
    for place, name in enumerate(names):
        if not name:
            raise _Unreadable(_("Column %(place)s has no name.") % {"place": place + 1})
        if name in names[:place]:
            raise _Unreadable(_("There are two columns with the name %(name)s.") % {"name": name})


def _row(line: int, names: Sequence[str], cells: Sequence[str], tier: str) -> ContactRow:
    written = dict(zip(names, cells, strict=False))
    said = {column: written.get(column, "") for column in COLUMNS}
    said["tier"] = said["tier"] or tier
    last_contact = _instant(said.pop("last_contact"))
    errors = []
    if len(_filled(cells)) > len(names):
        errors.append(("", _("More cells than columns.")))
    if last_contact is None:
        errors.append(("last_contact", _("Write the last contact as 2026-03-02 or 2026-03-02 14:30.")))
    if not (said["number"] or said["name"]):
        errors.append(("name", _("Give a number or a name.")))
    if not said["tier"]:
        errors.append(("tier", _("Give the tier.")))
    for column, value in said.items():
        most = LONGEST.get(column, LONGEST_OTHERWISE)
        if len(value) > most:
            errors.append((column, _("At most %(most)s characters.") % {"most": most}))
    return ContactRow(line=line, last_contact=last_contact, errors=tuple(errors), **said)


def _instant(written: str) -> datetime | None:
    try:
        read = datetime.fromisoformat(written)
    except ValueError:
        return None
    return read if read.year in YEARS else None
