"""The record of somebody whom no site of the reader's follows up: opened for a reason, for an hour, and seen."""

from django.http import HttpRequest, HttpResponse
from django.urls import reverse
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.translation import gettext_lazy as _

from exposure.people.glass import break_glass
from exposure.people.policy import Deed
from exposure.web.bidi import isolated
from exposure.web.nurse.deed import DeedPage, Done, answer, back_to, plain
from exposure.web.nurse.forms import GlassForm
from exposure.web.nurse.views import for_clinicians


def _opened(done: Done) -> str:
    until = date_format(timezone.localtime(done.result.until_at), "H:i")
    return _("Open until %(time)s. %(name)s and the auditor see that you opened it, and why.") % {
        "time": until,
        "name": isolated(done.result.worker.name),
    }


OPENING = DeedPage(
    "break_glass",
    "people/open/",
    deed=Deed.BREAK_GLASS,
    rows=None,
    named="",
    use_case=break_glass,
    about=lambda _subject: None,
    back=lambda _subject: reverse("monitoring"),
    zone=lambda _subject: timezone.get_current_timezone(),
    form=plain(GlassForm),
    title=_("Open the record of another site"),
    lede=_("Only where somebody's safety needs it now. It is open to you for 60 minutes, to read."),
    button=_("Open it"),
    done=_opened,
    away=lambda done: back_to(done.result.worker),
)


@for_clinicians
def open_record(request: HttpRequest) -> HttpResponse:
    """Which record, and why."""
    return answer(request, OPENING, None)
