"""What a call with one person can settle, and the form that asks which of it this one did."""

from collections.abc import Mapping
from typing import Any

from django.http import HttpRequest, QueryDict
from django.urls import reverse
from django.utils.http import urlencode
from django.utils.translation import gettext as _

from exposure.attend.models import Promise
from exposure.people.models import Worker
from exposure.pipeline.call import Open, Settled, open_to
from exposure.web.nurse.deed import Done
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
    if not isinstance(row, Promise):
        return f"{row.get_cause_display()}: {row.words}"
    if row.kind == Promise.Kind.CONFIRM:
        words = _("Spoken and confirmed: report %(reference)s, as it was answered")
        return words % {"reference": row.breach.reference}
    return row.title


def left_to_confirm(done: Done) -> Promise | None:
    """A report that was chosen and whose answers must be gone through first."""
    chosen = [done.subject.more["open"][key] for key in done.form.cleaned_data.get("settles", ())]
    keys = [row.pk for row in chosen if isinstance(row, Promise) and row.kind == Promise.Kind.CONFIRM]
    return Promise.objects.open().filter(pk__in=keys).select_related("breach").first()


def noted(done: Done) -> str:
    left = left_to_confirm(done)
    if left is None:
        return _("The call is noted.")
    words = _(
        "The call is noted. To confirm report %(reference)s, go through its answers: some are open or in doubt."
    )
    return words % {"reference": left.breach.reference}


def away(done: Done) -> str | None:
    """On to the report whose answers must be gone through, with what was typed; None where there is none."""
    left = left_to_confirm(done)
    if left is None:
        return None
    call, _is_new = done.result
    return f"{reverse('breach_confirm', args=[left.breach.uid])}?{urlencode({'call': call.uid})}"
