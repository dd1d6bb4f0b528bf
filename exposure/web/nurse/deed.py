"""A page on which one thing is done, as data; and the one view that reads it.

The row is found (404), the form shown, sent to the use case, refused at its fields or done and away. What may be done
is the use case's to say, so that page and API refuse alike. Repeating it is harmless.
"""

import uuid
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.db.models import QuerySet
from django.forms import Form
from django.http import Http404, HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.urls import URLPattern, path, reverse
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.timezone import localtime
from django.utils.translation import gettext_lazy as _

from exposure.attend.standing import describe
from exposure.audit.access_log import note_look
from exposure.audit.models import AccessEntry
from exposure.people.access import find, require_on
from exposure.people.models import User, Worker
from exposure.people.policy import IN_LISTS, Deed
from exposure.refusal import BadSubmission, Conflict, NotYet, Problem
from exposure.web.bidi import isolated
from exposure.web.signed_in import kept_form, signed_in

OBSTACLES = {
    "being_evaluated": _(
        "The worker is being evaluated, or in hospital: a physician returns them to readings first."
    ),
    "not_paused": _(
        "The worker is neither being evaluated nor in hospital: there is nothing to return from."
    ),
    "not_confirmed": _("A report is not confirmed yet."),
    "last_reading_missing": _("The last reading of the last day is neither recorded nor explained."),
    "open_alerts": _("An alert is open."),
    "open_tasks": _("A task is not done."),
    "physician_signs": _("The plan asks for a physician's signature."),
    "ended": _("The follow-up has ended."),
    "no_exposure": _("No exposure is left that counts."),
    "nobody_has_it": _("Nobody has this alert by now: take it first."),
    "answered": _("This reading is not missing: there is nothing to explain."),
    "no_longer_asked": _("This is no longer asked for."),
    "not_linked": _("These two are not linked any more."),
    "linked_before": _(
        "This record was linked to another one, and came here with it: undo the link of that one first."
    ),
    "written_since": _(
        "Something has been written on this record since: the link can no longer be undone here."
    ),
    "same_person": _("The second signature must be somebody else's."),
    "signed_by_the_person": _("The first signature is the exposed person's own: decide the tier anew."),
}


@dataclass(frozen=True)
class Subject:
    """What a deed is about: the row that the address names, and `more` of it: the address' other parts and what
    `prepare` found."""

    request: HttpRequest
    row: Any
    more: Mapping[str, Any] = field(default_factory=dict)

    @property
    def user(self) -> User:
        return self.request.user

    @property
    def at(self) -> datetime:
        return self.request.at


@dataclass(frozen=True)
class Done:
    """A deed that was done: what the use case returned, for which form, about what."""

    result: Any
    form: Any
    subject: Subject


Words = str | Callable[[Subject], str]


# The lists from which a deed is opened, and to which it leads back: `?from=NAME` in its address.
LISTS = ("needs_action", "calls", "telephone_round")


def way_back(page: "DeedPage", subject: Subject) -> str:
    """Where people go afterwards: to the list they came from, at the person, or the case; else where the deed says."""
    name = subject.request.GET.get("from", "")
    if case := _case_from(name):
        return f"{reverse('case', args=[case])}#linked"
    if name not in LISTS:
        return page.back(subject)
    who = page.about(subject)
    return reverse(name) + (f"#{anchor_of(who)}" if isinstance(who, Worker) else "")


def _case_from(name: str) -> uuid.UUID | None:
    """The case from whose page a deed was opened: `?from=case-UID`."""
    kind, _dash, uid = name.partition("-")
    try:
        return uuid.UUID(uid) if kind == "case" else None
    except ValueError:
        return None


def anchor_of(worker: Worker) -> str:
    """Where somebody stands on a list: the same as long as anything waits for them."""
    return f"person-{worker.uid}"


def back_to(worker: Worker) -> str:
    """The worker's page."""
    return reverse("person", args=[worker.uid])


def plain(form_class: type[Form]) -> Callable[[QueryDict | None, Subject], Form]:
    """A form that needs to know nothing of its subject."""
    return lambda data, _subject: form_class(data)


def nothing_to_fill_in(data: QueryDict | None, _subject: Subject) -> Form:
    """A form with nothing but its button."""
    return Form(data)


@dataclass(frozen=True)
class DeedPage:
    """One page. `use_case` gets the row as `named`, who, when, and what `sent` reads from the valid form."""

    name: str
    address: str
    deed: Deed  # asked before anything that was sent is read
    rows: QuerySet | None  # of which a clinician sees some; None where the caller finds the row
    named: str  # empty: `sent` gives the row too
    use_case: Callable[..., Any]
    title: Words
    done: str | Callable[[Done], str]
    button: Words = ""  # empty: the title
    about: Callable[[Subject], Any] = lambda subject: (
        subject.row.worker
    )  # whom or what the head of the page names
    back: Callable[[Subject], str] = lambda subject: back_to(subject.row.worker)  # where people go afterwards
    zone: Callable[[Subject], str] = lambda subject: (
        subject.row.site.zone
    )  # whose times the page shows and reads
    form: Callable[[QueryDict | None, Subject], Form] = nothing_to_fill_in
    sent: Callable[[Any, Subject], Mapping[str, Any]] = lambda form, _subject: form.cleaned_data
    lede: Words = ""
    unchanged: str = ""  # what is said to a form sent as it was shown, where that asks for nothing
    # What else the page needs, by name. May raise, or answer with another page.
    prepare: Callable[..., Mapping[str, Any] | HttpResponse] = lambda _request, _row, **_address: {}
    shown: Callable[[Subject], Mapping[str, Any]] = lambda _subject: {}
    fields: Mapping[str, str] = field(
        default_factory=dict
    )  # of the use case -> of the form, where the names differ
    at_fields: Callable[[Any, BadSubmission], BadSubmission] = lambda _form, refused: refused
    away: Callable[[Done], str | None] = lambda _done: None  # where neither list nor `back` says it
    obstacles: Mapping[str, Any] = field(default_factory=lambda: OBSTACLES)
    template: str = "nurse/deed.html"


def pattern(page: DeedPage) -> URLPattern:
    """The page at its address."""

    @signed_in
    def view(request: HttpRequest, uid: Any, **address: Any) -> HttpResponse:
        row = find(request.user, page.rows, *IN_LISTS, at=request.at, uid=uid)
        return answer(request, page, row, **address)

    return path(page.address, view, name=page.name)


def answer(request: HttpRequest, page: DeedPage, row: Any, **address: Any) -> HttpResponse:
    """The page about a row that was found. Who may not do it is refused before anything that was sent is read."""
    require_on(request.user, page.deed, row, at=request.at)
    subject = _subject(request, page, row, address)
    if isinstance(subject, HttpResponse):
        return subject
    _note_look(page, subject)
    with timezone.override(page.zone(subject)):
        sending = request.method == "POST"
        kept = None if sending else kept_form(request)
        form = page.form(request.POST if sending else kept, subject)
        if sending and form.is_valid():
            try:
                address_after = _do(page, form, subject)
            except Conflict as conflict:
                form.add_error(None, words_of(conflict))
                subject = _as_it_stands(page, form, subject, address)
                address_after = None
            if address_after is not None:
                return redirect(address_after)
        context = {
            "form": form,
            "kept": bool(kept),
            "title": _said(page.title, subject),
            "lede": _said(page.lede, subject),
            "button": _said(page.button or page.title, subject),
            "about": page.about(subject),
            "back": way_back(page, subject),
            **page.shown(subject),
        }
        return render(request, page.template, context)


def _note_look(page: DeedPage, subject: Subject) -> None:
    """Whoever opens the page, or sends it, has seen whom it is about."""
    who = page.about(subject)
    if isinstance(who, Worker):
        what = f"{page.name}:{subject.row.uid}"
        note_look(subject.user, AccessEntry.Kind.DETAIL, what, who.uid, at=subject.at)


def _subject(
    request: HttpRequest, page: DeedPage, row: Any, address: Mapping[str, Any]
) -> Subject | HttpResponse:
    prepared = page.prepare(request, row, **address)
    if isinstance(prepared, HttpResponse):
        return prepared
    return Subject(request, row, {**address, **prepared})


def _as_it_stands(page: DeedPage, form: Form, subject: Subject, address: Mapping[str, Any]) -> Subject:
    """After a conflict the page shows what stands now, and its hidden fields say so: whoever sends the form again
    decides knowingly. Where the page is for that row no longer, it stays as it was, with all that was typed."""
    row = page.rows.filter(pk=subject.row.pk).first() if page.rows is not None else subject.row
    try:
        now = _subject(subject.request, page, row or subject.row, address)
    except (Http404, PermissionDenied):
        return subject
    if isinstance(now, HttpResponse):
        return subject
    fresh = page.form(None, now)
    form.data = form.data.copy()
    for hidden in form.hidden_fields():
        form.data[hidden.html_name] = "" if (shown := fresh[hidden.name].value()) is None else str(shown)
    return now


def _do(page: DeedPage, form: Form, subject: Subject) -> str | None:
    """Where to go once it is done and said; None where it was refused: the form says why. Raises Conflict."""
    if page.unchanged and _as_shown(form):
        messages.success(subject.request, page.unchanged)
        return way_back(page, subject)
    row = {page.named: subject.row} if page.named else {}
    try:
        result = page.use_case(**row, by=subject.user, at=subject.at, **page.sent(form, subject))
    except BadSubmission as refused:
        put_at_fields(form, page.at_fields(form, refused).problems, page.fields)
    except NotYet as not_yet:
        for reason in not_yet.reasons:
            form.add_error(None, page.obstacles[reason])
    else:
        done = Done(result, form, subject)
        messages.success(subject.request, page.done(done) if callable(page.done) else page.done)
        return page.away(done) or way_back(page, subject)
    return None


def _as_shown(form: Form) -> bool:
    return {bound.name for bound in form.visible_fields()}.isdisjoint(form.changed_data)


def _said(words: Words, subject: Subject) -> str:
    return words(subject) if callable(words) else words


def words_of(conflict: Conflict) -> str:
    """Who has decided otherwise before, and what; or what has happened since."""
    if conflict.standing is None:
        return _("This was sent before with other content. Open the page anew.")
    stands = describe(conflict.standing)
    at = date_format(localtime(stands.at), "D j M, H:i") if stands.at else ""
    if not stands.is_decision:
        words = _(
            "It has happened again since you opened this page (%(time)s): %(what)s Nothing was decided. Look at it, "
            "then send it again if it still holds."
        )
        return words % {"time": at, "what": stands.what}
    who = ", ".join(filter(None, (isolated(stands.by), at)))
    words = _("Somebody was before you (%(who)s): %(what)s What you sent is kept beside it.")
    return words % {"who": who, "what": stands.what}


def put_at_fields(form: Form, problems: Iterable[Problem], fields: Mapping[str, str]) -> None:
    """Every problem at the field that its pointer names, else over the form."""
    for problem in problems:
        name = problem.pointer.strip("/").partition("/")[0]
        name = fields.get(name, name)
        form.add_error(name if name in form.fields else None, problem.message)
