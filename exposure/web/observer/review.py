"""The last look before a report is sent: what was said, in words, and what a nurse will be asked to look at."""

from datetime import timedelta
from typing import Any

from django.utils.translation import gettext as _

from exposure.places.models import FirstAidCard, Step
from exposure.report import flags
from exposure.report.intake import CLOCK_GRACE
from exposure.report.models import Breach, Mark
from exposure.report.submission import uid_in
from exposure.web.observer import questions
from exposure.web.observer.desk import Desk
from exposure.web.observer.here import by_uid, shown_at
from exposure.web.observer.questions import UNKNOWN
from exposure.wording import shipped


def review(desk: Desk) -> dict[str, Any]:
    """What the page shows."""
    draft = desk.draft
    return {
        "who": _who(desk),
        "typed": desk.typed,
        "what": shipped(desk.failure.label) if desk.failure else _("Something else, or not known"),
        "first_aid": first_aid_in_words(
            desk.card, [code for code in [draft.text("first_aid")] if code], asked="first_aid" in draft.values
        ),
        "step": _step(desk),
        "begun": draft.aid_begun,
        "phase": dict(Breach.Phase.choices).get(draft.text("phase")),
        "moment": draft.moment(desk.zone),
        "drill": draft.text("drill") == "yes",
        "answers": _answers(desk),
        "remarks": _remarks(desk),
        "others": [("no", _("No")), ("yes", _("Yes")), ("unknown", _("Don't know"))],
    }


def _who(desk: Desk) -> str:
    """The person as chosen or typed; a number of this site with its name, so that a slip is seen."""
    draft, kind = desk.draft, desk.draft.text("who")
    if kind == "name":
        return ", ".join(draft.text(name) for name in ("name", "phone", "employer") if draft.text(name))
    if kind == "number":
        listed = desk.typed.listed
        return f"{listed.number}, {listed.name}" if listed else draft.text("number")
    worker = by_uid(kind)
    return shown_at(desk.station, worker) if worker else _("Not known yet")


def _step(desk: Desk) -> Step | None:
    """The step at which the reporter marked it."""
    own = Mark.objects.filter(removal__observer=desk.request.user).select_related("step")
    marked = own.filter(uid=uid_in(desk.draft.text("mark"))).first()
    return marked.step if marked else None


def first_aid_in_words(card: FirstAidCard | None, given: list[str], *, asked: bool) -> str:
    """Whether the first aid that was due was given, as the reporter said."""
    titles = dict(FirstAidCard.objects.filter(code__in=given).values_list("code", "title"))
    if given:
        done = ", ".join(shipped(titles.get(code, code)) for code in given)
        return _("%(card)s: done, or being done") % {"card": done}
    if card is None:
        return _("None was due")
    return (_("%(card)s: not done") if asked else _("%(card)s: not asked")) % {"card": shipped(card.title)}


def _answers(desk: Desk) -> list[tuple[str, str, str, bool]]:
    """(fact, question, answer in words, whether it was answered; else it follows from what happened)."""
    lines = []
    for name, answer in desk.answers.items():
        fact = desk.facts.get(name)
        if fact is not None:
            words = {UNKNOWN: _("Don't know"), **dict(questions.choices(fact))}
            typed = f"{answer} {fact.unit or ''}".strip()
            given = name in desk.draft.answers
            lines.append((name, questions.in_words(fact), words.get(answer, typed), given))
    return lines


def _remarks(desk: Desk) -> list[str]:
    """What is odd: said here, and sent all the same."""
    draft, at = desk.draft, desk.request.at
    moment = draft.moment(desk.zone)
    odd = []
    if moment is None:
        odd.append("time_unreadable" if draft.text("occurred_at") else "time_missing")
    elif moment > at + CLOCK_GRACE:
        odd.append("time_in_future")
    elif moment < at - timedelta(days=desk.station.site.default_days):
        odd.append("time_long_ago")
    if desk.typed is not None and desk.typed.listed is None and not desk.typed.known:
        odd.append("unknown_worker" if draft.text("who") == "number" else "unlisted_person")
    elif draft.on_no_list:
        odd.append("unlisted_person")
    if questions.contradict(desk.asked, desk.answers):
        odd.append("contradictory")
    return [flags.in_words(flag) for flag in odd]
