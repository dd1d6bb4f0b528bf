"""The exposed worker's own pages beside Today: my days, settings. Always one's own record."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone, translation
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_safe

from exposure.followup.store_reading import readings_of
from exposure.people.access import visible
from exposure.people.models import Worker
from exposure.people.policy import View
from exposure.pipeline import follow, remind
from exposure.refusal import BadSubmission
from exposure.snapshot import one_moment
from exposure.web.account.mobiles import put_off, waits
from exposure.web.language import of_browser
from exposure.web.reach import devices
from exposure.web.signed_in import kept_form
from exposure.web.times import TimesForm, in_words, times_of
from exposure.web.worker import days, spoken
from exposure.web.worker.own import common, own_page
from exposure.web.worker.settings_form import SettingsForm, city
from exposure.web.worker.situation import situation_of
from exposure.web.worker.travel import journey


@require_safe
@own_page
@one_moment()
def my_days(request: HttpRequest, worker: Worker) -> HttpResponse:
    """The strip, and every reading, gap and refused entry in words; what comes meanwhile is in all of them or none."""
    situation = situation_of(worker, at=request.at)
    readings = list(visible(request.user, readings_of(worker), View.OWN, at=request.at))
    refused = visible(request.user, days.refused_of(worker), View.OWN, at=request.at)
    context = {
        **common(request, situation),
        "strips": days.strips(situation, readings),
        "entries": days.entries(situation, readings, refused),
        "today": situation.today,
        "several": len({exposure.day_zero for one in situation.overviews for exposure in one.exposures}) > 1,
    }
    return render(request, "worker/my_days.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
@own_page
def my_settings(request: HttpRequest, worker: Worker) -> HttpResponse:
    """How and when to be reminded. Saving plans the readings that have not opened anew; where another clock is chosen,
    it is said first what moves (`confirmed`: the zone that was said)."""
    situation = situation_of(worker, at=request.at)
    context = common(request, situation)  # before the form writes on the worker
    context["city"] = city(str(worker.zone))
    before, zone = context["next_when"], worker.own_zone
    posted = request.method == "POST"
    kept = None if posted else kept_form(request)
    form = SettingsForm(request.POST if posted else kept, instance=worker)
    if posted and form.is_valid():
        chosen = form.cleaned_data
        if chosen["own_zone"] in (zone, request.POST.get("confirmed")) or not before:
            now = put_off(request, worker, chosen)
            worker = remind.change_settings(worker=worker, by=request.user, at=request.at, **now)
            translation.activate(worker.language or of_browser(request))  # as the page that says it
            messages.success(request, _saved(worker, before, moved=worker.own_zone != zone, request=request))
            return redirect("confirm_mobile" if waits(request) else "my_settings")
        context["journey"] = journey(worker, chosen, situation, request)
    context |= {"form": form, "kept": kept, "worker": worker, "times": times_of(worker)["words"]}
    context["address"] = worker.email or request.user.email
    context |= devices(request, back="my_settings")
    status = 422 if posted and "journey" not in context else 200
    return render(request, "worker/my_settings.html", context, status=status)


def _saved(worker: Worker, before: str, *, moved: bool, request: HttpRequest) -> str:
    """That it is saved; after a change of place, when the next reading is now."""
    if not moved or not before:
        return _("Saved.")
    with timezone.override(worker.zone):
        coming = situation_of(worker, at=request.at).next
        if coming is None:
            return _("Saved.")
        said = {"city": city(str(worker.zone)), "when": spoken.window(coming, request.at)}
    return _("Saved. Your next reading is now %(when)s, by the clock in %(city)s.") % said


@require_http_methods(["GET", "HEAD", "POST"])
@own_page
def my_times(request: HttpRequest, worker: Worker) -> HttpResponse:
    """When readings are taken: as at the site, or at times of one's own."""
    posted = request.method == "POST"
    kept = None if posted else kept_form(request)
    form = TimesForm(request.POST if posted else kept, worker=worker)
    if posted and form.is_valid():
        try:
            now = follow.set_windows(worker=worker, windows=form.windows, by=request.user, at=request.at)
        except BadSubmission as refused:
            for problem in form.at_fields(refused).problems:
                form.add_error(problem.pointer.strip("/"), problem.message)
        else:
            messages.success(request, _("Saved. Readings are taken %(times)s.") % {"times": in_words(now)})
            return redirect("my_settings")
    context = common(request, situation_of(worker, at=request.at))
    context |= {"form": form, "kept": kept, "now": times_of(worker)["words"]}
    return render(request, "worker/my_times.html", context, status=422 if posted else 200)
