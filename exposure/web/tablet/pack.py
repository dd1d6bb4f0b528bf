"""What a station's tablet keeps to report without a network: first-aid cards, protocols, who was there, what goes
wrong, and the criteria in force, compiled. Of this one station, and no more than its page shows or asks.

Texts for people are {language: text}: the page stands in every language, and changes it without a network.
"""

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

from django.conf import settings
from django.db.models import Max
from django.utils import translation

from exposure.classify.criteria import Criteria
from exposure.classify.table import Fact
from exposure.classify.words import said
from exposure.people.models import Worker
from exposure.places.first_aid import emergencies, failures_of
from exposure.places.models import FailureGroup, FailureType, FirstAidCard, Protocol, Station
from exposure.report import sealed
from exposure.report.models import Breach, Case, Removal
from exposure.web.observer.forms import WATCHED
from exposure.web.observer.here import open_cases
from exposure.web.observer.questions import Asked, asked_at, facts_about_event, version_named
from exposure.wording import shipped

FORM = 2  # the page guides no removal by an earlier one, which it may still hold: its steps had no codes
LATELY = timedelta(days=60)
MOST_PEOPLE = 300
Texts = dict[str, str]


def pack_of(station: Station, *, at: datetime) -> dict[str, Any]:
    """JSON-able, and the same as long as nothing in it has changed: no time of day stands in it."""
    cases = open_cases(station)
    choices = [_choice(station, [case], at) for case in cases] if len(cases) > 1 else []
    return {
        "form": FORM,
        "station": {"code": station.code, "name": station.name},
        "site": {
            "name": station.site.short_name,
            "zone": station.site.zone,
            "phone": station.site.phone,
            "emergency_phone": station.site.emergency_phone,
        },
        "seal_for": sealed.public_key(),
        "cards": [_card(card) for card in FirstAidCard.objects.all()],
        "emergencies": _emergencies(station),
        "groups": [{"code": code, "label": in_each(words.__str__)} for code, words in FailureGroup.choices],
        "failures": [_failure(failure) for failure in FailureType.objects.select_related("card")],
        "protocols": [
            _protocol(one) for one in station.protocols.prefetch_related("steps__step_failures__failure")
        ],
        "watched": [_watched(code, words) for code, words in WATCHED],
        "phases": [{"code": code, "label": in_each(words.__str__)} for code, words in Breach.Phase.choices],
        "people": [_person(station, worker) for worker in _people(station, at)],
        "choices": [*choices, _choice(station, cases, at)],
    }


def in_each(words: Callable[[], Any]) -> Texts:
    """What it says in each language."""
    texts = {}
    for language, _name in settings.LANGUAGES:
        with translation.override(language):
            texts[language] = str(words())
    return texts


def _text(text: str) -> Texts:
    return in_each(lambda: shipped(text))


def _card(card: FirstAidCard) -> dict[str, Any]:
    return {
        "code": card.code,
        "title": _text(card.title),
        "lines": [_text(line) for line in card.lines],
        "emergency": card.emergency,
        "minutes": card.minutes,
    }


def _emergencies(station: Station) -> list[dict[str, Any]]:
    """Each with the failure types that it may mean here, the likeliest first."""
    protocols = list(station.protocols.all())
    return [
        {
            "code": code,
            "label": in_each(words.__str__),
            "failures": [failure.code for failure in failures_of(code, protocols)],
        }
        for code, words in emergencies()
    ]


def _failure(failure: FailureType) -> dict[str, Any]:
    return {
        "code": failure.code,
        "label": _text(failure.label),
        "card": failure.card.code if failure.card else None,
        "group": failure.group,
        "answers": failure.answers,
        "bloodborne": failure.bloodborne,
    }


def _protocol(protocol: Protocol) -> dict[str, Any]:
    steps = [
        {
            "code": step.code,
            "item": _text(step.item),
            "action": _text(step.action),
            "way_out": step.way_out,
            "usual": [row.failure.code for row in step.step_failures.all()],
        }
        for step in protocol.steps.all()
    ]
    return {"code": protocol.code, "title": _text(protocol.title), "steps": steps}


def _watched(code: str, words: Any) -> dict[str, Any]:
    """As it is asked, and as it stands beside the removal then."""
    return {
        "code": code,
        "label": in_each(words.__str__),
        "shown": in_each(Removal.Watched(code).label.__str__),
    }


def _people(station: Station, at: datetime) -> list[Worker]:
    """Who took equipment off here lately, by name."""
    seen = Worker.objects.filter(
        removals__station=station, removals__started_at__gte=at - LATELY, same_as=None
    )
    latest = seen.annotate(last_here=Max("removals__started_at")).order_by("-last_here")[:MOST_PEOPLE]
    return sorted(latest, key=lambda worker: (worker.name.casefold(), worker.pk))


def _person(station: Station, worker: Worker) -> dict[str, Any]:
    """Of somebody from another site no more than the number, as everywhere at a station."""
    name = worker.name if worker.site_id == station.site_id else ""
    return {"id": str(worker.uid), "name": name, "number": worker.number or ""}


# Questions


def _choice(station: Station, cases: list[Case], at: datetime) -> dict[str, Any]:
    """What is asked where the report is about these cases: one of them, or all that are open where nobody chose."""
    asked = asked_at(station.site, cases, at=at)
    facts = facts_about_event(asked)
    return {
        "case": cases[0].code if len(cases) == 1 else None,
        "version": version_named(asked),
        "criteria": [_criteria(one) for one in asked],
        "facts": [_fact(fact) for fact in facts],
    }


def _criteria(asked: Asked) -> dict[str, Any]:
    """What the page's engine needs, without names of tiers, and of questions without a word: those that it may put
    stand in `facts`."""
    return {"compiled": compiled_for_page(asked.criteria), "stated": asked.stated}


def compiled_for_page(criteria: Criteria) -> dict[str, Any]:
    """`Criteria.compiled()` with nothing but codes; tiers are their positions."""
    compiled: dict[str, Any] = dict(criteria.compiled())
    facts = []
    for fact in compiled["facts"]:
        codes = {"answers": [{"code": one["code"]} for one in fact["answers"]]} if "answers" in fact else {}
        facts.append({"name": fact["name"], **codes})
    tiers = [{"code": str(place)} for place in range(len(compiled["tiers"]))]
    return {**compiled, "facts": facts, "tiers": tiers}


def _fact(fact: Fact) -> dict[str, Any]:
    asked: dict[str, Any] = {"name": fact.name, "ask": in_each(lambda: said(fact.ask))}
    if fact.cuts:
        return {**asked, "unit": fact.unit or ""}
    answers = [{"code": one.code, "label": in_each(lambda one=one: said(one.label))} for one in fact.answers]
    return {**asked, "answers": answers}
