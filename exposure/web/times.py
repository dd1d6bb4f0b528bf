"""Reading times in words, and the form in which they are chosen: by the worker, or by occupational health."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from django import forms
from django.forms import BoundField
from django.utils.formats import time_format
from django.utils.text import get_text_list
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, pgettext

from exposure.followup import expected
from exposure.followup.own_times import moved
from exposure.followup.schedule import Window
from exposure.people.models import Worker
from exposure.refusal import BadSubmission, Problem
from exposure.web.bidi import isolated

NAMES = {
    "morning": gettext_lazy("morning"),
    "evening": gettext_lazy("evening"),
    "first": gettext_lazy("first reading"),
    "second": gettext_lazy("second reading"),
}  # others are named by the site
OWN_NAMES = ("first", "second")
AS_SITE, LATER, OWN = "site", "later", "own"
WALLS = {
    "opens": gettext_lazy("Opens"),
    "due": gettext_lazy("Due, with a reminder"),
    "closes": gettext_lazy("Closes"),
}


def window_name(name: str) -> str:
    """The window in the reader's words."""
    return str(NAMES.get(name, name))


def in_words(windows: Iterable[Window]) -> str:
    """ "06:00–10:00 and 18:00–22:00"."""
    clock = pgettext("date format: 07:40", "H:i")
    spans = [f"{time_format(one.opens, clock)}–{time_format(one.closes, clock)}" for one in windows]
    return get_text_list(spans, _("and"))


def times_of(worker: Worker) -> dict[str, Any]:
    """The times in force, in words, and whether they are the worker's own."""
    return {"words": in_words(expected.windows_of(worker)), "own": worker.windows.exists()}


class TimesForm(forms.Form):
    """As at the site, the site's so many hours later, or every time of one's own. `windows` is what was chosen."""

    choice = forms.ChoiceField(label=gettext_lazy("When are readings taken?"), widget=forms.RadioSelect)
    hours = forms.TypedChoiceField(
        label=gettext_lazy("If some hours later, how many?"),
        help_text=gettext_lazy("On nights: choose times when one is awake, after the shift and before it."),
        coerce=int,
    )

    def __init__(self, data: Mapping | None = None, *, worker: Worker) -> None:
        self._site = expected.windows_of_site(worker.site)
        self._later = _other_times(self._site)
        super().__init__(data, initial=self._initial(worker))
        said = {"site": isolated(worker.site.short_name), "times": in_words(self._site)}
        self.fields["choice"].choices = [
            (AS_SITE, _("As at %(site)s: %(times)s") % said),
            (LATER, _("The same, some hours later: for nights")),
            (OWN, _("At other times")),
        ]
        later = _("%(hours)s h later: %(times)s")
        self.fields["hours"].choices = [
            ("", _("Choose")),
            *((n, later % {"hours": n, "times": in_words(windows)}) for n, windows in self._later.items()),
        ]
        for index in range(len(self._site)):
            for name, label in WALLS.items():
                missing = _("Reading %(n)s has no time yet: %(what)s") % {"n": index + 1, "what": label}
                self.fields[f"{name}_{index}"] = forms.TimeField(
                    label=label, error_messages={"required": missing}
                )

    def _initial(self, worker: Worker) -> dict[str, Any]:
        """What is in force now."""
        own = expected.windows_of(worker)
        walls = _walls(own)
        later = next((n for n, windows in self._later.items() if _walls(windows) == walls), None)
        choice = AS_SITE if walls == _walls(self._site) else LATER if later else OWN
        fields = {
            f"{name}_{index}": getattr(window, name) for index, window in enumerate(own) for name in WALLS
        }
        return {"choice": choice, "hours": later, **fields}

    def readings(self) -> list[list[BoundField]]:
        """The fields of each reading of one's own: opens, due, closes."""
        return [[self[f"{name}_{index}"] for name in WALLS] for index in range(len(self._site))]

    @property
    def shows_own(self) -> bool:
        """Whether the times of one's own are chosen."""
        return self["choice"].value() == OWN

    def clean(self) -> dict[str, Any]:
        """Only what belongs to the choice must be right."""
        cleaned = super().clean()
        choice = cleaned.get("choice")
        for name in set(self.fields) - {"choice"}:
            if choice != (LATER if name == "hours" else OWN):
                self.errors.pop(name, None)
        return cleaned

    @property
    def windows(self) -> tuple[Window, ...]:
        """What was chosen; empty: as the site does. In the order of the fields."""
        given = self.cleaned_data
        if given["choice"] == AS_SITE:
            return ()
        chosen = (
            moved(self._site, given["hours"])
            if given["choice"] == LATER
            else tuple(
                Window("", *(given[f"{wall}_{index}"] for wall in WALLS)) for index in range(len(self._site))
            )
        )
        names = _names(chosen)
        return tuple(
            Window(name, one.opens, one.due, one.closes) for name, one in zip(names, chosen, strict=True)
        )

    def at_fields(self, refused: BadSubmission) -> BadSubmission:
        """The same refusal, its pointers naming fields of this form."""
        return BadSubmission(*(Problem(self._field(one.pointer), one.message) for one in refused.problems))

    def _field(self, pointer: str) -> str:
        """/windows/1/due is the field due_1 where the times were entered; else how the times were chosen."""
        _windows, _slash, place = pointer.strip("/").partition("/")
        index, _slash, wall = place.partition("/")
        if self.cleaned_data["choice"] == OWN and wall:
            return f"/{wall}_{index}"
        return "/choice"


def _other_times(windows: Sequence[Window]) -> dict[int, tuple[Window, ...]]:
    """Hours later -> the times they give, each set of times once: two windows twelve hours apart change places."""
    found = {0: tuple(windows)}
    for hours in range(1, 24):
        later = moved(windows, hours)
        if all(_walls(later) != _walls(other) for other in found.values()):
            found[hours] = later
    return {hours: later for hours, later in found.items() if hours}


def _walls(windows: Sequence[Window]) -> list[tuple]:
    return sorted((one.opens, one.due, one.closes) for one in windows)


def _names(windows: Sequence[Window]) -> list[str]:
    """First and second by the clock, whatever the order in which they were entered."""
    order = sorted(range(len(windows)), key=lambda index: windows[index].opens)
    names = [
        OWN_NAMES[n] if len(windows) <= len(OWN_NAMES) else f"reading-{n + 1}" for n in range(len(order))
    ]
    return [names[order.index(index)] for index in range(len(windows))]
