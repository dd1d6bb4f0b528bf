"""The times at which one person takes readings, planned by occupational health: for nights, for one."""

import uuid
from functools import partial

from django.http import HttpRequest, HttpResponse
from django.utils import timezone
from django.utils.translation import gettext as _

from exposure.people.access import View, find
from exposure.pipeline import follow
from exposure.refusal import BadSubmission
from exposure.web.nurse.deed import one_deed
from exposure.web.nurse.person_deeds import WORKERS, back_to
from exposure.web.signed_in import signed_in
from exposure.web.times import TimesForm, in_words, times_of


@signed_in
def reading_times(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """As at the site, some hours later, or at other times."""
    worker = find(request.user, WORKERS, View.CLINICAL, at=request.at, uid=uid)

    def do(form: TimesForm) -> str:
        try:
            now = follow.set_windows(worker=worker, windows=form.windows, by=request.user, at=request.at)
        except BadSubmission as refused:
            raise form.at_fields(refused) from refused
        return _("Readings are taken %(times)s.") % {"times": in_words(now)}

    with timezone.override(worker.zone):
        return one_deed(
            request,
            partial(TimesForm, worker=worker),
            do,
            back=back_to(worker),
            template="nurse/times.html",
            title=_("Reading times"),
            about=worker,
            lede=_("A reading that has opened stays; those that have not opened move."),
            now=times_of(worker)["words"],
            button=_("Keep these times"),
        )
