"""What a call with one person can settle, and the form that asks which of it this one did."""

from collections.abc import Mapping
from typing import Any

from django.http import HttpRequest, QueryDict

from exposure.attend.models import Promise
from exposure.people.models import Worker
from exposure.pipeline.call import Open, Settled, open_to
from exposure.web.nurse.forms import CallForm

FIRST = "first_call"  # the code of that task in criteria


def prepare(request: HttpRequest, worker: Worker) -> Mapping[str, Any]:
    chosen = request.POST.getlist("settles") if request.method == "POST" else ()
    return {"open": open_to(request.user, worker, chosen, at=request.at)}


def form_of(data: QueryDict | None, settled: Open) -> CallForm:
    words = {key: _words(row) for key, row in settled.items()}
    first = any(isinstance(row, Promise) and row.key == FIRST for row in settled.values())
    return CallForm(data, settles=words, first=first)


def sent(form: CallForm, settled: Open) -> Mapping[str, Any]:
    given = dict(form.cleaned_data)
    return {**given, "settles": [settled[key] for key in given.get("settles", ())]}


def _words(row: Settled) -> str:
    return row.title if isinstance(row, Promise) else f"{row.get_cause_display()}: {row.words}"
