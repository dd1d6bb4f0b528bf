"""What this means: what was found and why these days, what is restricted, who sees what, and who looked."""

from dataclasses import dataclass
from datetime import date
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.translation import get_language
from django.views.decorators.http import require_safe

from exposure.people.models import Worker
from exposure.places.household import advice_at, sentences
from exposure.web.looks import looks
from exposure.web.worker import days
from exposure.web.worker.own import common, own_page
from exposure.web.worker.situation import Situation, situation_of
from exposure.wording import shipped


@dataclass(frozen=True)
class Found:
    """What a clinician has confirmed of one exposure: the day of the contact, its tier in words and why, and how many
    days of readings it brings."""

    day_zero: date
    tier: str
    because: tuple[str, ...]
    days: int
    last_day: date | None


@require_safe
@own_page
def what_this_means(request: HttpRequest, worker: Worker) -> HttpResponse:
    """Restrictions, what happens next, whom to call, who looked."""
    situation = situation_of(worker, at=request.at)
    context = {
        **common(request, situation),
        "counts": [days.counted(one) for one in situation.overviews],
        "found": [] if situation.news_waits else found(situation),
        "looks": looks(worker),
        "today": situation.today,
        "broken": worker.broken_glass.select_related("user").order_by("-recorded_at", "-pk"),
    }
    return render(request, "worker/what_this_means.html", context)


@require_safe
@own_page
def household(request: HttpRequest, worker: Worker) -> HttpResponse:
    """A sheet for the people one lives with: whom to ring, what a physician has approved for the people at home, and
    room for what is agreed beside it. It names no disease, and nobody but the worker hands it over."""
    approved = advice_at(worker.site)
    context = {
        **common(request, situation_of(worker, at=request.at)),
        "advice": sentences(approved, get_language() or "en"),
        "approved": approved,
    }
    return render(request, "worker/household.html", context)


def found(situation: Situation) -> list[Found]:
    """The exposure in force of each follow-up, once a clinician has confirmed it."""
    in_force = [exposure for one in situation.overviews if (exposure := one.in_force) and exposure.tier_label]
    return [
        Found(
            day_zero=exposure.day_zero,
            tier=shipped(exposure.tier_label),
            because=_because(exposure.assessment),
            days=(exposure.last_day - exposure.day_zero).days if exposure.last_day else 0,
            last_day=exposure.last_day,
        )
        for exposure in in_force
    ]


def _because(assessment: Any) -> tuple[str, ...]:
    """The rules that held, in the words of the criteria."""
    reasons = assessment.reasons if assessment is not None else ()
    return tuple(dict.fromkeys(shipped(one["because"]) for one in reasons if one.get("because")))
