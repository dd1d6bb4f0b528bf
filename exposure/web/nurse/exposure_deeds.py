"""An exposure that no breach report led to: recorded, and the worker told of it."""

import uuid
from datetime import datetime
from functools import partial

from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.translation import gettext as _

from exposure.attend.models import Promise
from exposure.classify import assess
from exposure.followup import listed
from exposure.followup.models import Exposure
from exposure.people.access import View, find
from exposure.pipeline import attend, follow
from exposure.places.models import Site
from exposure.report.models import Told
from exposure.web.nurse.deed import one_deed
from exposure.web.nurse.forms import ExposureForm, HowToldForm
from exposure.web.nurse.person_deeds import WORKERS, back_to
from exposure.web.signed_in import signed_in


@signed_in
def record(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """An exposure outside, under a tier that a clinician names; told straight away where it was."""
    worker = find(request.user, WORKERS.filter(same_as=None), View.CLINICAL, at=request.at, uid=uid)
    tiers = _tiers(worker.site, request.at)

    def do(form: ExposureForm) -> str:
        given = form.cleaned_data
        pathogen, tier = given["tier"]
        what = {
            "occurred_at": given["occurred_at"],
            "note": given["note"],
            "pathogen": pathogen,
            "tier": tier,
        }
        with transaction.atomic():
            exposure = follow.record_exposure(worker=worker, by=request.user, at=request.at, **what)
            if given["told"] in dict(Told.HOW):
                exposure = attend.tell_of_exposure(
                    exposure=exposure, how=given["told"], by=request.user, at=request.at
                )
        return _recorded(exposure)

    with timezone.override(worker.site.zone):
        return one_deed(
            request,
            partial(ExposureForm, tiers=tiers),
            do,
            back=back_to(worker),
            title=_("Record an exposure without a report"),
            about=worker,
            lede=_(
                "For a contact outside, or one that nobody reported. Readings are asked for as the tier says."
            )
            if tiers
            else _("No criteria are adopted at %(site)s: there is no tier to choose.")
            % {"site": worker.site.name},
            button=_("Record the exposure"),
        )


def _tiers(site: Site, at: datetime) -> dict[str, list[tuple[str, str]]]:
    """Pathogen -> (code, label) of the tiers that ask for follow-up, of all criteria that the site works with."""
    return {one: listed.tiers_to_follow(site, one, at=at) for one in assess.adopted_pathogens(site, at=at)}


def _recorded(exposure: Exposure) -> str:
    if exposure.withdrawn_at is not None:
        return _("This was recorded before and has been corrected or withdrawn since: nothing is added.")
    due_at = _tell_by(exposure)
    if due_at is None:
        return _("The exposure is recorded.")
    due = date_format(timezone.localtime(due_at), "D j M, H:i")
    return _("The exposure is recorded. Tell the worker by %(time)s; until then no message goes out.") % {
        "time": due
    }


def _tell_by(exposure: Exposure) -> datetime | None:
    """By when somebody has to tell the worker; None once told."""
    telling = exposure.promises.open().filter(kind=Promise.Kind.TELL).first()
    return telling.due_at if telling else None


@signed_in
def told(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """A person has told the worker of an exposure without a report; messages may start."""
    exposures = Exposure.objects.filter(withdrawn_at=None, breach=None)
    rows = exposures.select_related("follow_up__site", "follow_up__worker__site", "case")
    exposure = find(request.user, rows, View.CLINICAL, at=request.at, uid=uid)
    follow_up = exposure.follow_up

    def do(form: HowToldForm) -> str:
        attend.tell_of_exposure(exposure=exposure, by=request.user, at=request.at, **form.cleaned_data)
        return _("Recorded: the worker was told.")

    with timezone.override(follow_up.site.zone):
        return one_deed(
            request,
            HowToldForm,
            do,
            back=back_to(follow_up.worker),
            template="nurse/told.html",
            title=_("The worker was told"),
            about=follow_up.worker,
            lede=_("No message goes to the worker before a person has told them."),
            exposure=exposure,
            due_at=_tell_by(exposure),
            button=_("Record it"),
        )
