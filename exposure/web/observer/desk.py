"""A report being written: where, by whom, under which criteria, and which page comes next."""

from dataclasses import dataclass
from functools import cached_property
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import Q
from django.http import HttpRequest

from exposure.classify.table import Fact
from exposure.places.first_aid import failures_of
from exposure.places.models import FailureType, FirstAidCard, Station
from exposure.report.models import Case
from exposure.web.observer import questions
from exposure.web.observer.draft import Draft
from exposure.web.observer.forms import DetailsForm
from exposure.web.observer.here import Typed, lately_here, look_up, open_cases

PAGES = ("details", "first_aid", "person", "question", "review")


@dataclass
class Desk:
    """The draft with everything that its pages need."""

    request: HttpRequest
    station: Station
    draft: Draft

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.station.site.zone)

    @cached_property
    def cases(self) -> list[Case]:
        return open_cases(self.station)

    @cached_property
    def asked(self) -> list[questions.Asked]:
        """The criteria in force for the case; for all open ones while nobody knows which."""
        meant = Case.objects.filter(code=self.draft.case) if self.draft.case else self.cases
        return questions.asked_at(self.station.site, meant, at=self.request.at)

    @cached_property
    def facts(self) -> dict[str, Fact]:
        return {fact.name: fact for fact in questions.facts_about_event(self.asked)}

    @cached_property
    def failure(self) -> FailureType | None:
        """What happened, where the protocols know it."""
        codes = FailureType.objects.filter(code=self.draft.text("what_happened"))
        return codes.select_related("card").first()

    @property
    def card(self) -> FirstAidCard | None:
        return self.failure.card if self.failure else None

    @property
    def first_aid_asked(self) -> bool:
        """Whether first aid has a page: a card, or the emergencies where nobody says which of the failures it was."""
        return self.card is not None or self.failure is None

    def meet(self, emergency: str) -> None:
        """One tap on an emergency says what happened; its card comes next."""
        for failure in failures_of(emergency, self.station.protocols.all())[:1]:
            self.say_what(failure)

    def say_what(self, failure: FailureType) -> None:
        self.draft.values["what_happened"] = failure.code
        self.draft.values.pop("first_aid", None)
        self.failure = failure

    @property
    def alike(self) -> list[FailureType]:
        """What else the same emergency may have been, each with another card."""
        if self.card is None or not self.card.emergency:
            return []
        failures = failures_of(self.card.emergency, self.station.protocols.all())
        return [failure for failure in failures if failure.card_id != self.card.pk]

    @cached_property
    def typed(self) -> Typed | None:
        """Somebody who was typed in, as the station may know of them; None where one of the list was chosen."""
        kind = self.draft.text("who")
        return look_up(self.station, kind, self.draft.text(kind)) if kind in ("number", "name") else None

    def details_form(self, data: Any = None) -> DetailsForm:
        here, request = self.station, self.request
        usual = Q(step_failures__step__protocol__stations=here)
        failures = FailureType.objects.filter(usual | Q(card__emergency__gt="")).distinct()
        return DetailsForm(
            data,
            initial=self.draft.values,
            station=here,
            cases=self.cases,
            failures=list(failures),
            people=lately_here(here, chosen=self.draft.text("who"), at=request.at),
            self_worker=getattr(request.user, "worker", None),
        )

    def settle_details(self) -> None:
        """Another case is asked about in another version, and another mishap has another first-aid card."""
        self.draft.values["criteria_version"] = questions.version_named(self.asked)
        if self.draft.text("aid_for") != self.draft.text("what_happened"):
            self.draft.values.pop("first_aid", None)

    def next_page(self) -> tuple[str, str]:
        """The first page that is not answered yet, with the fact that it asks about."""
        if not self.details_form(self.draft.values).is_valid():
            return "details", ""
        if "first_aid" not in self.draft.values and self.first_aid_asked:
            return "first_aid", ""
        if self.draft.on_no_list and "reach_asked" not in self.draft.values:
            return "person", ""
        facts = questions.still_open(self.asked, self.draft.answers)
        return ("question", facts[0].name) if facts else ("review", "")
