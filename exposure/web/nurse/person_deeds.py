"""What is done for a person: a call, an exposure, reading times, what protects, a private note."""

from collections.abc import Mapping
from datetime import datetime
from functools import partial
from typing import Any

from django.http import HttpRequest, QueryDict
from django.urls import reverse
from django.utils.formats import date_format
from django.utils.timezone import localtime
from django.utils.translation import gettext_lazy as _

from exposure.attend.models import Promise
from exposure.classify import assess
from exposure.followup import listed
from exposure.followup.models import Exposure, PrivateNote
from exposure.people.models import Worker
from exposure.people.policy import Deed
from exposure.pipeline import call, enter, expose, follow
from exposure.places.models import Site
from exposure.web.bidi import isolated
from exposure.web.nurse import call_settles
from exposure.web.nurse.deed import DeedPage, Done, Subject, back_to, plain
from exposure.web.nurse.forms import BirthYearForm, ExposureForm, PrivateForm, ProtectionForm
from exposure.web.times import TimesForm, in_words, times_of

WORKERS = Worker.objects.select_related("site", "user")


def tell_by(exposure: Exposure) -> datetime | None:
    """By when somebody has to tell the worker; None once told."""
    telling = exposure.promises.open().filter(kind=Promise.Kind.TELL).first()
    return telling.due_at if telling else None


def _tiers(request: HttpRequest, worker: Worker) -> Mapping[str, Any]:
    return {"tiers": _tiers_to_follow(worker.site, request.at)}


def _tiers_to_follow(site: Site, at: datetime) -> dict[str, list[tuple[str, str]]]:
    """Pathogen -> (code, label) of the tiers that ask for follow-up, of all criteria that the site works with."""
    return {
        pathogen: listed.tiers_to_follow(site, pathogen, at=at)
        for pathogen in assess.adopted_pathogens(site, at=at)
    }


def _exposure_lede(subject: Subject) -> str:
    if subject.more["tiers"]:
        return _(
            "For a contact outside, or one that nobody reported. Readings are asked for as the tier says."
        )
    return _("No criteria are adopted at %(site)s: there is no tier to choose.") % {
        "site": isolated(subject.row.site.name)
    }


def _exposure_recorded(done: Done) -> str:
    exposure = done.result
    if exposure.withdrawn_at is not None:
        return _("This was recorded before and has been corrected or withdrawn since: nothing is added.")
    due_at = tell_by(exposure)
    if due_at is None:
        return _("The exposure is recorded.")
    due = date_format(localtime(due_at), "D j M, H:i")
    return _("The exposure is recorded. Tell the worker by %(time)s; until then no message goes out.") % {
        "time": due
    }


def _private_form(data: QueryDict | None, subject: Subject) -> PrivateForm:
    note = PrivateNote.objects.filter(worker=subject.row).first()
    initial = {"fever_unreliable": note.fever_unreliable, "text": note.text} if note else None
    return PrivateForm(data, initial=initial)


_page = partial(
    DeedPage,
    rows=WORKERS,
    named="worker",
    about=lambda subject: subject.row,
    back=lambda subject: back_to(subject.row),
)

PAGES = (
    _page(
        "person_call",
        "people/<uuid:uid>/call/",
        deed=Deed.CALL,
        use_case=call.note_call,
        prepare=call_settles.prepare,
        form=lambda data, subject: call_settles.form_of(data, subject.more["open"]),
        sent=lambda form, subject: call_settles.sent(form, subject.more["open"]),
        title=_("Note a call"),
        button=_("Note the call"),
        done=call_settles.noted,
        away=call_settles.away,
    ),
    _page(
        "person_times",
        "people/<uuid:uid>/times/",
        deed=Deed.SET_TIMES,
        use_case=follow.set_windows,
        zone=lambda subject: subject.row.zone,
        form=lambda data, subject: TimesForm(data, worker=subject.row),
        sent=lambda form, _subject: {"windows": form.windows},
        at_fields=lambda form, refused: form.at_fields(refused),
        shown=lambda subject: {"now": times_of(subject.row)["words"]},
        template="nurse/times.html",
        title=_("Reading times"),
        lede=_("A reading that has opened stays; those that have not opened move."),
        button=_("Keep these times"),
        done=lambda done: _("Readings are taken %(times)s.") % {"times": in_words(done.result)},
    ),
    _page(
        "person_exposure",
        "people/<uuid:uid>/exposure/",
        deed=Deed.RECORD_EXPOSURE,
        rows=WORKERS.filter(same_as=None),
        use_case=expose.record_exposure,
        prepare=_tiers,
        form=lambda data, subject: ExposureForm(data, tiers=subject.more["tiers"]),
        sent=lambda form, _subject: form.exposure(),
        title=_("Record an exposure without a report"),
        lede=_exposure_lede,
        button=_("Record the exposure"),
        done=_exposure_recorded,
    ),
    _page(
        "person_birth_year",
        "people/<uuid:uid>/year-of-birth/",
        deed=Deed.INVITE,
        use_case=enter.note_birth_year,
        form=lambda data, subject: BirthYearForm(data, stands=subject.row.birth_year),
        back=lambda subject: reverse("invite_worker", args=[subject.row.uid]),
        title=_("Year of birth"),
        lede=_(
            "An invitation asks for it, where the site has chosen so. It stands on this page and in the history, and "
            "nowhere else. Ask the worker for it, not a colleague."
        ),
        button=_("Keep it"),
        done=_("Kept. Invitations ask for it where the site has chosen so."),
    ),
    _page(
        "person_protection",
        "people/<uuid:uid>/protection/",
        deed=Deed.RECORD_PROTECTION,
        use_case=enter.record_protection,
        form=plain(ProtectionForm),
        title=_("Vaccine or prophylaxis given"),
        button=_("Note it"),
        done=_("Noted. It stands beside every alert and changes no threshold."),
    ),
    _page(
        "person_note",
        "people/<uuid:uid>/private-note/",
        deed=Deed.NOTE_PRIVATELY,
        use_case=enter.note_privately,
        form=_private_form,
        title=_("Private note"),
        button=_("Keep the note"),
        done=_("Noted, for clinicians only."),
    ),
)
