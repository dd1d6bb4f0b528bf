"""A report being written: where, by whom, under which criteria, and which page comes next."""

from dataclasses import dataclass
from functools import cached_property
from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.db.models import Q
from django.http import HttpRequest
from django.utils.translation import gettext as _

from exposure.classify.table import Fact
from exposure.places.first_aid import failures_of
from exposure.places.models import FailureGroup, FailureType, FirstAidCard, Station
from exposure.report.models import Breach, Case
from exposure.web.observer import questions
from exposure.web.observer.draft import ANSWER, Draft
from exposure.web.observer.forms import (
    DONT_KNOW,
    PHASES,
    POINTS,
    FactForm,
    PersonForm,
    ReportedForm,
    TapForm,
    WhenForm,
)
from exposure.web.observer.here import Typed, lately_here, look_up, open_cases
from exposure.wording import shipped

PAGES = ("what", "first_aid", "who", "person", "case", "point", "when", "question", "review")
OTHER = "other"  # what happened is none of the failure types


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
        for name in ("first_aid", "aid_begun"):
            self.draft.values.pop(name, None)
        self.failure = failure
        self.__dict__.pop("answers", None)

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

    @cached_property
    def answers(self) -> dict[str, str]:
        """What was answered, and what the failure says by itself where nothing else was."""
        said = self.failure.answers if self.failure else {}
        return {**questions.implied(self.asked, said), **self.draft.answers}

    @cached_property
    def failures(self) -> list[FailureType]:
        """What may have happened here: what is usual at a step of the station's protocols, and the emergencies; where
        the station has no protocol, everything."""
        usual = Q(step_failures__step__protocol__stations=self.station)
        offered = FailureType.objects.filter(usual | Q(card__emergency__gt="")).distinct()
        return list(offered if self.station.protocols.exists() else FailureType.objects.all())

    def groups(self) -> list[tuple[str, Any]]:
        """(code, words) of what the failures have in common, as far as any is offered here."""
        known = {failure.group for failure in self.failures} | {FailureGroup.OTHER}
        return [(code, words) for code, words in FailureGroup.choices if code in known]

    def what_form(self, group: str, data: Any = None) -> TapForm:
        """The failures of a group; of all where no group is named."""
        chosen = [one for one in self.failures if group in ("", one.group)]
        answers = [*((one.code, shipped(one.label)) for one in chosen)]
        answers.append((OTHER, _("Something else, or not known")))
        words = dict(FailureGroup.choices).get(group) or _("What happened?")
        return TapForm(data, initial=self.draft.values, name="what_happened", ask=words, answers=answers)

    def who_form(self, data: Any = None) -> ReportedForm:
        people = lately_here(self.station, chosen=self.draft.text("who"), at=self.request.at)
        myself = getattr(self.request.user, "worker", None)
        return ReportedForm(
            data, initial=self.draft.values, station=self.station, people=people, self_worker=myself
        )

    def case_form(self, data: Any = None) -> TapForm:
        codes = [*((one.code, one.code) for one in self.cases), (questions.UNKNOWN, DONT_KNOW)]
        ask = _("Which patient's case?")
        return TapForm(data, initial=self.draft.values, name="case", ask=ask, answers=codes)

    def point_form(self, data: Any = None) -> TapForm:
        """At which point of the work, real or drill: one tap; a drill is asked its point with one more."""
        if self.draft.text("drill") == "yes":
            ask, name, answers = _("A drill: at which point?"), "phase", PHASES
        else:
            ask, name, answers = _("At which point?"), "point", POINTS
        return TapForm(data, initial=self.draft.values, name=name, ask=ask, answers=answers)

    def when_form(self, data: Any = None) -> WhenForm:
        return WhenForm(data, initial=self.draft.values, station=self.station)

    def form(self, page: str, fact: str = "", group: str = "", data: Any = None) -> forms.Form | None:
        """The form of a page; bound where there is data."""
        if page == "what":
            return self.what_form(group, data)
        if page == "person":
            return PersonForm(data, initial=self.draft.values)
        if page in ("who", "case", "point", "when"):
            return getattr(self, f"{page}_form")(data)
        if page == "question" and fact in self.facts:
            chosen = {ANSWER + name: answer for name, answer in self.answers.items()}
            return FactForm(data, initial=chosen, fact=self.facts[fact])
        return None

    def settle(self) -> None:
        """Another case is asked about in another version, and another mishap has another first-aid card."""
        self.draft.values["criteria_version"] = questions.version_named(self.asked)
        aid_for = self.draft.text("aid_for")
        if aid_for != self.draft.text("what_happened"):
            self.draft.values.pop("first_aid", None)
            if aid_for:
                self.draft.values.pop("aid_begun", None)

    def next_page(self) -> tuple[str, str]:
        """The first page that is not answered yet, with the fact that it asks about."""
        draft, said = self.draft, self.draft.values
        if self.failure is None and draft.text("what_happened") != OTHER:
            return "what", ""
        if "first_aid" not in said and self.first_aid_asked:
            return "first_aid", ""
        if not self.who_form(said).is_valid():
            return "who", ""
        if draft.on_no_list and "reach_asked" not in said:
            return "person", ""
        if len(self.cases) > 1 and not self.case_form(said).is_valid():
            return "case", ""
        if draft.text("drill") not in ("yes", "no") or draft.text("phase") not in Breach.Phase.values:
            return "point", ""
        if self._when_is_open() or not self.when_form(said).is_valid():
            return "when", ""
        facts = questions.still_open(self.asked, self.answers)
        return ("question", facts[0].name) if facts else ("review", "")

    def _when_is_open(self) -> bool:
        """During a removal it is now, unless somebody says otherwise; of anything else it is asked once."""
        asked = self.draft.text("when_asked")
        now = self.draft.text("phase") == Breach.Phase.REMOVAL or "mark" in self.draft.values
        return asked == "no" or not (now or asked)
