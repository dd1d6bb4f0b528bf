"""One form, one deed: shown, sent, refused at its fields, done and away. Repeating it is harmless."""

from collections.abc import Callable, Iterable
from typing import Any

from django.contrib import messages
from django.forms import Form
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.utils.formats import date_format
from django.utils.timezone import localtime
from django.utils.translation import gettext_lazy as _

from exposure.attend.standing import describe
from exposure.refusal import BadSubmission, Conflict, NotYet, Problem
from exposure.web.signed_in import kept_form

OBSTACLES = {
    "not_confirmed": _("A report is not confirmed yet."),
    "last_reading_missing": _("The last reading of the last day is neither recorded nor explained."),
    "open_alerts": _("An alert is open."),
    "open_tasks": _("A task is not done."),
    "physician_signs": _("The plan asks for a physician's signature."),
    "ended": _("The follow-up has ended."),
    "no_exposure": _("No exposure is left that counts."),
    "answered": _("This reading is not missing: there is nothing to explain."),
    "no_longer_asked": _("This is no longer asked for."),
    "same_person": _("The second signature must be somebody else's."),
    "signed_by_the_person": _("The first signature is the exposed person's own: decide the tier anew."),
}


def one_deed(
    request: HttpRequest,
    form_of: Callable[[QueryDict | None], Form],
    do: Callable[[Form], str],
    *,
    back: str,
    template: str = "nurse/deed.html",
    **said: Any,
) -> HttpResponse:
    """The page of one deed. `do` gets the valid form and returns what to say when it is done; what it refuses
    comes back at the fields. `back` is where people go afterwards; `said` are the words of the page."""
    kept = kept_form(request) if request.method != "POST" else None
    form = form_of(request.POST if request.method == "POST" else kept)
    if request.method == "POST" and form.is_valid():
        try:
            done = do(form)
        except BadSubmission as refused:
            put_at_fields(form, refused.problems)
        except NotYet as not_yet:
            for reason in not_yet.reasons:
                form.add_error(None, OBSTACLES[reason])
        except Conflict as conflict:
            form.add_error(None, words_of(conflict))
        else:
            messages.success(request, done)
            return redirect(back)
    return render(request, template, {"form": form, "kept": bool(kept), "back": back, **said})


def words_of(conflict: Conflict) -> str:
    """Who has decided otherwise before, and what."""
    if conflict.standing is None:
        return _("This was sent before with other content. Open the page anew.")
    stands = describe(conflict.standing)
    at = date_format(localtime(stands.at), "D j M, H:i") if stands.at else ""
    who = ", ".join(filter(None, (stands.by, at)))
    words = _("Somebody was before you (%(who)s): %(what)s What you sent is kept beside it.")
    return words % {"who": who, "what": stands.what}


def put_at_fields(form: Form, problems: Iterable[Problem]) -> None:
    """Every problem at the field that its pointer names, else over the form."""
    for problem in problems:
        name = problem.pointer.strip("/").partition("/")[0]
        form.add_error(name if name in form.fields else None, problem.message)
