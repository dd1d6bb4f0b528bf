"""Somebody typed in by name proves to be somebody on the list: found, shown what will happen, linked."""

import re
import uuid
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any

from django.db.models import Q, QuerySet
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.formats import date_format
from django.utils.text import capfirst
from django.utils.translation import gettext_lazy as _
from django.utils.translation import ngettext

from exposure.attend.models import Alert
from exposure.attend.standing import name_of
from exposure.audit.access_log import note_look
from exposure.audit.models import AccessEntry
from exposure.clear.models import Clearance
from exposure.followup import join
from exposure.followup.models import FollowUp, PrivateNote
from exposure.people.access import find, visible
from exposure.people.models import Worker
from exposure.people.policy import IN_LISTS, Deed
from exposure.pipeline import enter, link, unlink
from exposure.report.submission import storable
from exposure.web.bidi import isolated
from exposure.web.nurse import two_records
from exposure.web.nurse.by_telephone import last_digits, with_telephone
from exposure.web.nurse.deed import DeedPage, Done, Subject, back_to, plain
from exposure.web.nurse.forms import NoteForm, ReasonForm
from exposure.web.nurse.person_deeds import WORKERS
from exposure.web.signed_in import signed_in

SHOWN = 50


@signed_in
def search(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """Look for the person on the list. Their own name, as it was typed, is looked for first."""
    worker = _typed_in(request, uid)
    if worker.same_as is not None:
        return redirect(back_to(worker.same_as))
    sought = storable(request.GET.get("find", worker.name)).strip()
    people = _people(request, worker, sought)
    if "find" not in request.GET:  # their own telephone, too
        others = visible(request.user, _others(worker), *IN_LISTS, at=request.at)
        own = with_telephone(others, [worker.phone]).get(worker.phone, [])
        people = list({person.pk: person for person in [*own, *people]}.values())
    own_digits = last_digits(worker.phone)
    note_look(request.user, AccessEntry.Kind.LIST, f"link {sought}", at=request.at)
    context = {
        "worker": worker,
        "sought": sought,
        "people": people[:SHOWN],
        "same_phone": {
            person.pk for person in people if own_digits and own_digits == last_digits(person.phone)
        },
        "more": len(people) > SHOWN,
        "shown": SHOWN,
        "back": back_to(worker),
    }
    return render(request, "nurse/link.html", context)


def _typed_in(request: HttpRequest, uid: uuid.UUID) -> Worker:
    worker = find(request.user, WORKERS.select_related("same_as"), *IN_LISTS, at=request.at, uid=uid)
    _require_unlisted(worker)
    return worker


def _require_unlisted(worker: Worker) -> None:
    if not worker.is_unlisted and worker.same_as is None:
        raise Http404


def _others(worker: Worker) -> QuerySet[Worker]:
    return WORKERS.filter(same_as=None).exclude(pk=worker.pk)


def _people(request: HttpRequest, worker: Worker, sought: str) -> list[Worker]:
    """Whoever has every word in the name, the number or the telephone number."""
    words = re.findall(r"\w+", sought)
    if not words:
        return []
    people = visible(request.user, _others(worker), *IN_LISTS, at=request.at)
    by_telephone = with_telephone(people, [sought]).get(sought, [])
    for word in words:
        has_word = Q(name__icontains=word) | Q(number__icontains=word) | Q(phone__icontains=word)
        people = people.filter(has_word)
    found = {person.pk: person for person in [*by_telephone, *people[: SHOWN + 1]]}
    return list(found.values())[: SHOWN + 1]


def _effects(worker: Worker, known: Worker, at: datetime) -> Iterator[str]:
    """What `link.link_worker` will do, in sentences."""
    name = isolated(known.name) or _("nobody named")
    joined = []
    for follow_up in worker.follow_ups.all():
        runs = follow_up.ended_at is None or follow_up.ended_at > at
        own = join.running_beside(follow_up, known, at) if runs else None
        if own is not None:
            joined += [follow_up, own]
        yield _follow_up_effect(follow_up, name, runs=runs, joins=own is not None)
    if Clearance.objects.filter(follow_up__in=joined, void_at=None, effective_at__gt=at).exists():
        yield _("A sign-off that has not taken effect becomes void.")
    references = [breach.reference for breach in worker.breaches.all()]
    if references:
        words = {"references": ", ".join(references), "name": name}
        yield (
            ngettext(
                "Report %(references)s becomes a report about %(name)s.",
                "Reports %(references)s become reports about %(name)s.",
                len(references),
            )
            % words
        )
    readings = worker.readings.count()
    if readings:
        yield ngettext(
            "%(count)s reading stays as it was entered and is read together with those of %(name)s.",
            "%(count)s readings stay as they were entered and are read together with those of %(name)s.",
            readings,
        ) % {"count": readings, "name": name}
    about = Q(worker=worker) | Q(follow_up__worker=worker, follow_up__in=joined)
    alerts = Alert.objects.filter(about, closed_at=None).count()
    if alerts:
        yield ngettext(
            "%(count)s open alert is raised anew with the whole record: somebody must look again.",
            "%(count)s open alerts are raised anew with the whole record: somebody must look again.",
            alerts,
        ) % {"count": alerts}
    if worker.protections.exists() or PrivateNote.objects.filter(worker=worker).exists():
        yield _("Vaccine, prophylaxis and private note are added to the record of %(name)s.") % {"name": name}
    if worker.phone and not known.phone:
        yield _("The telephone number %(phone)s is kept for %(name)s.") % {
            "phone": worker.phone,
            "name": name,
        }
    elif worker.phone and worker.phone != known.phone:
        words = {"phone": known.phone, "other": worker.phone, "name": name}
        yield _("%(name)s keeps the telephone number %(phone)s; %(other)s stays with the old entry.") % words


def _follow_up_effect(follow_up: FollowUp, name: str, *, runs: bool, joins: bool) -> str:
    days = [
        date_format(exposure.day_zero, "j F") for exposure in follow_up.exposures.filter(withdrawn_at=None)
    ]
    words = {"pathogen": follow_up.pathogen.capitalize(), "name": name, "days": ", ".join(days)}
    if joins:
        return (
            ngettext(
                "%(pathogen)s: the two follow-ups become one. The exposure of %(days)s moves to the follow-up of "
                "%(name)s, whose last day is then that of the latest exposure.",
                "%(pathogen)s: the two follow-ups become one. The exposures of %(days)s move to the follow-up of "
                "%(name)s, whose last day is then that of the latest exposure.",
                len(days),
            )
            % words
        )
    if runs:
        return _("%(pathogen)s: the follow-up, exposure of %(days)s, goes on as the one of %(name)s.") % words
    return _("%(pathogen)s: the follow-up that has ended goes to the record of %(name)s.") % words


def _the_two(request: HttpRequest, worker: Worker, *, known: uuid.UUID) -> Mapping[str, Any] | HttpResponse:
    """The other of the two people, whom the address names too."""
    _require_unlisted(worker)
    if worker.same_as is not None:
        return redirect(back_to(worker.same_as))
    same_as = find(request.user, _others(worker), *IN_LISTS, at=request.at, uid=known)
    note_look(request.user, AccessEntry.Kind.DETAIL, f"link:{worker.uid}", same_as.uid, at=request.at)
    return {"same_as": same_as}


def _question(subject: Subject) -> str:
    return _("Is %(typed)s the same person as %(name)s?") % {
        "typed": isolated(subject.row.name) or _("nobody named"),
        "name": isolated(subject.more["same_as"].name) or _("nobody named"),
    }


def _what_will_happen(subject: Subject) -> Mapping[str, Any]:
    worker, same_as = subject.row, subject.more["same_as"]
    return {
        "way_out": reverse("person_link", args=[worker.uid]),
        "same_as": same_as,
        "records": two_records.rows_of((worker, same_as), subject.user, at=subject.at),
        "effects": list(_effects(worker, same_as, subject.at)),
    }


def _linked(done: Done) -> str:
    return _("Linked: %(typed)s is %(name)s.") % {
        "typed": isolated(done.subject.row.name),
        "name": isolated(done.subject.more["same_as"].name),
    }


def _undoing(subject: Subject) -> Mapping[str, Any]:
    """Who linked them, and what has been written since, by kind."""
    link = unlink.link_of(subject.row)
    written = unlink.written_since(subject.row)
    return {
        "known": subject.row.same_as,
        "linked_at": link.history_date,
        "linked_by": name_of(link.history_user),
        "written": [capfirst(row._meta.verbose_name) for row in written],
    }


PAGES = (
    DeedPage(
        "person_unlink",
        "people/<uuid:uid>/link/undo/",
        deed=Deed.LINK,
        rows=WORKERS.filter(same_as__isnull=False).select_related("same_as"),
        named="worker",
        use_case=unlink.unlink_worker,
        about=lambda subject: subject.row.same_as or subject.row,
        back=lambda subject: back_to(subject.row),
        form=plain(ReasonForm),
        shown=_undoing,
        template="nurse/unlink.html",
        title=_("Undo the link: two people after all"),
        lede=lambda subject: (
            _("%(typed)s was linked to %(name)s.")
            % {
                "typed": isolated(subject.row.name) or _("nobody named"),
                "name": isolated(subject.row.same_as.name) or _("nobody named"),
            }
        ),
        button=_("They are two people: undo it"),
        done=_("The link is undone: this record is by itself again."),
    ),
    DeedPage(
        "person_not_listed",
        "people/<uuid:uid>/link/none/",
        deed=Deed.LINK,
        rows=WORKERS.filter(number=None, user=None, same_as=None),
        named="worker",
        use_case=enter.note_unlisted,
        about=lambda subject: subject.row,
        back=lambda subject: back_to(subject.row),
        form=plain(NoteForm),
        title=_("Not on the list"),
        lede=_(
            "Somebody of an agency, a visitor: nobody is asked again who it is. They can still be linked later."
        ),
        button=_("They are on no list"),
        done=_("Noted: they are on no list."),
    ),
    DeedPage(
        "person_link_to",
        "people/<uuid:uid>/link/<uuid:known>/",
        deed=Deed.LINK,
        rows=WORKERS.select_related("same_as"),
        named="worker",
        use_case=link.link_worker,
        prepare=_the_two,
        sent=lambda _form, subject: {"same_as": subject.more["same_as"]},
        about=lambda subject: subject.row,
        back=lambda subject: back_to(subject.more["same_as"]),
        zone=lambda subject: subject.more["same_as"].site.zone,
        shown=_what_will_happen,
        template="nurse/link_to.html",
        title=_question,
        button=_("The same person: link them"),
        done=_linked,
    ),
)
