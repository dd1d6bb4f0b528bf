"""A person's story in time order: everything that was recorded, with who and when."""

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import date

from django.db.models import Q
from django.urls import reverse
from django.utils import timezone
from django.utils.text import capfirst
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from exposure.attend.models import Alert, AlertEntry, Call
from exposure.classify.assess import tier_label
from exposure.classify.models import Assessment, Signature
from exposure.clear.models import Clearance
from exposure.followup.models import FollowUpState
from exposure.people.models import User, Worker
from exposure.report.models import Breach, Told, WithdrawalDecision, WithdrawalRequest
from exposure.web.nurse.follow_up_deeds import TASK_KINDS
from exposure.web.nurse.happenings import Happening, NamedLater, Seen, some
from exposure.web.nurse.other_decisions import DecisionWords
from exposure.web.nurse.rows import Row
from exposure.web.nurse.story_exposures import exposures
from exposure.web.nurse.story_readings import missing, readings

# What the story can be filtered by.
KINDS = {
    "reading": gettext_lazy("readings"),
    "missing": gettext_lazy("readings missing"),
    "alert": gettext_lazy("alerts"),
    "call": gettext_lazy("calls"),
    "report": gettext_lazy("reports and exposures"),
    "task": gettext_lazy("tasks and what was given"),
    "state": gettext_lazy("states and signatures"),
}


def story(
    worker: Worker, rows: Iterable[Row], decisions: Iterable[DecisionWords], seen: Seen, told: Seen
) -> list[Happening]:
    """All that happened, oldest first, from a fixed number of statements, as far as the reader may know it. `rows`:
    the follow-ups that are the reader's to care for; `decisions`: those that were kept beside one that stood, of which
    the caller knows that the reader may see them; `seen`: the rows that the reader sees; `told`: those of them of which
    the reader is told also what people said in their own words."""
    known = [worker.pk, *worker.also.values_list("pk", flat=True)]
    every = [
        *_of("report", _reports(worker, seen, told)),
        *_of("report", _assessments(worker, seen, told)),
        *_of("report", exposures(worker, seen, told)),
        *_of("reading", readings(worker, known, rows, seen)),
        *_of("missing", missing(rows)),
        *_of("alert", _alerts(known, seen, told)),
        *_of("call", _calls(known, seen)),
        *_of("task", _tasks(worker, seen)),
        *_of("task", _protections(worker, seen)),
        *_of("state", _ends(worker, seen, told)),
        *_of("state", _decisions(decisions)),
    ]
    names = _names(actor for _happening, actor in every)
    happenings = [replace(happening, who=names.get(actor, "")) for happening, actor in every]
    return sorted(happenings, key=lambda happening: happening.at)


def _of(kind: str, happenings: Iterable[NamedLater]) -> Iterator[NamedLater]:
    for happening, actor in happenings:
        yield replace(happening, kind=kind), actor


def fold(happenings: Iterable[Happening]) -> list[Happening]:
    """Readings of one day, in the active time zone, that asked for nothing stand as one, where the first of them
    stood; what is an alarm, could not be taken or was replaced keeps its own place."""
    of_day: dict[date, list[Happening]] = {}
    folded: list[Happening] = []
    for happening in happenings:
        if happening.kind != "reading" or happening.mark != "done":
            folded.append(happening)
            continue
        on = timezone.localtime(happening.at).date()
        if on not in of_day:
            folded.append(happening)
        of_day.setdefault(on, []).append(happening)
    return [_day_of_readings(one, of_day) for one in folded]


def _day_of_readings(first: Happening, of_day: Mapping[date, list[Happening]]) -> Happening:
    if first.kind != "reading" or first.mark != "done":
        return first
    together = of_day[timezone.localtime(first.at).date()]
    if len(together) == 1:
        return first
    titles = "; ".join(reading.title for reading in together)
    return replace(
        first,
        title=_("%(count)s readings: %(titles)s") % {"count": len(together), "titles": titles},
        lines=(),
        who="",
        link=None,
        folded=tuple(together),
    )


def _names(actors: Iterable[str]) -> dict[str, str]:
    """Actor -> name. Whatever is no account is the service itself."""
    actors = {actor for actor in actors if actor}
    accounts = User.objects.by_actor(actors)
    return {actor: str(accounts.get(actor, _("the service"))) for actor in actors}


def _reports(worker: Worker, seen: Seen, told: Seen) -> Iterator[NamedLater]:
    reports = seen(Breach.objects.filter(worker=worker))
    breaches = list(reports.select_related("station", "reported_by", "confirmed_by"))
    in_words = set(told(Breach.objects.filter(worker=worker)).values_list("pk", flat=True))
    for breach in breaches:
        reference = {"reference": breach.reference}
        link = (reverse("breach", args=[breach.uid]), _("Report %(reference)s") % reference)
        where = breach.station.name if breach.station else ""
        title = _("Drill reported") if breach.drill else _("Breach reported")
        said = breach.narrative if breach.pk in in_words else ""
        yield Happening(breach.reported_at, title, some(where, said), link=link), breach.reported_by.actor
        if breach.confirmed_at is not None:
            title = _("Report %(reference)s confirmed") % reference
            actor = breach.confirmed_by.actor if breach.confirmed_by else ""
            note = breach.confirmation_note if breach.pk in in_words else ""
            yield Happening(breach.confirmed_at, title, some(note)), actor
    for telling in Told.objects.filter(breach__in=breaches).select_related("breach"):
        title = _("Told %(how)s") % {"how": telling.get_by_display()}
        yield Happening(telling.told_at, title), telling.recorded_by
    for asked in WithdrawalRequest.objects.filter(breach__in=in_words):
        yield Happening(asked.recorded_at, _("Withdrawal asked for"), (asked.reason,)), asked.recorded_by
    for decision in WithdrawalDecision.objects.filter(request__breach__in=in_words):
        title = _("Withdrawal accepted") if decision.accepted else _("Withdrawal refused: the report stands")
        yield Happening(decision.recorded_at, title, some(decision.reason)), decision.recorded_by


def _assessments(worker: Worker, seen: Seen, told: Seen) -> Iterator[NamedLater]:
    every = Assessment.objects.filter(breach__worker=worker)
    in_words = set(told(Breach.objects.filter(worker=worker)).values_list("pk", flat=True))
    rows = list(seen(every).select_related("version"))
    for row in rows:
        reason = row.reason if row.breach_id in in_words else ""
        if row.version is None:
            lines = some(_("No criteria: treated by the site's usual plan."), reason)
        elif row.tier:
            lines = some(tier_label(row, row.tier), reason)
        else:
            span = {"floor": tier_label(row, row.floor), "ceiling": tier_label(row, row.ceiling)}
            lines = (_("Between “%(floor)s” and “%(ceiling)s”.") % span,)
        title = _("Assessed for %(pathogen)s: %(kind)s") % {
            "pathogen": row.pathogen,
            "kind": row.get_kind_display(),
        }
        yield Happening(row.recorded_at, title, lines), row.recorded_by
    subjects = [f"assessment:{assessment.uid}" for assessment in rows]
    for signature in Signature.objects.filter(subject__in=subjects):
        yield Happening(signature.recorded_at, _("Second signature under the tier")), signature.recorded_by


def _alerts(known: Collection[int], seen: Seen, told: Seen) -> Iterator[NamedLater]:
    about = Q(worker__in=known) | Q(follow_up__worker__in=known) | Q(breach__worker__in=known)
    alerts = seen(Alert.objects.filter(about)).values("pk")
    in_words = set(told(Alert.objects.filter(about)).values_list("pk", flat=True))
    entries = AlertEntry.objects.filter(alert__in=alerts).select_related("alert")
    asking = (AlertEntry.Kind.RAISED, AlertEntry.Kind.ROUND, AlertEntry.Kind.LOOK_DUE)
    for entry in entries:
        words = {"cause": entry.alert.get_cause_display(), "what": entry.get_kind_display()}
        because = entry.because if not entry.is_note or entry.alert_id in in_words else ""
        outcome = entry.alert.get_outcome_display() if entry.kind == AlertEntry.Kind.CLOSED else ""
        yield (
            Happening(
                entry.recorded_at,
                _("Alert (%(cause)s): %(what)s") % words,
                some(outcome, because),
                mark="alert" if entry.kind in asking else "done",
                link=(reverse("alert", args=[entry.alert.uid]), _("The alert")),
            ),
            entry.recorded_by,
        )


def _calls(known: Collection[int], seen: Seen) -> Iterator[NamedLater]:
    for call in seen(Call.objects.filter(worker__in=known)).select_related("worker"):
        title = _("Call, answered") if call.answered else _("Call, not answered")
        if call.by_user_id == call.worker.user_id:
            title = _("Says that they have telephoned")
        mark = "done" if call.answered else "none"
        yield Happening(call.called_at, title, some(call.note), mark=mark), call.recorded_by


def _tasks(worker: Worker, seen: Seen) -> Iterator[NamedLater]:
    done = worker.promises.filter(kind__in=TASK_KINDS, kept_at__isnull=False)
    for task in seen(done).select_related("kept_by"):
        title = _("Does not apply: %(task)s") if task.not_applicable else _("Done: %(task)s")
        title %= {"task": task.title}
        actor = task.kept_by.actor if task.kept_by else ""
        yield Happening(task.kept_at, title, some(task.note)), actor


def _decisions(decisions: Iterable[DecisionWords]) -> Iterator[NamedLater]:
    for decision in decisions:
        title = _("Another decision, kept: %(about)s") % {"about": decision.about}
        yield Happening(decision.at, title, some(decision.sent), mark="none"), decision.actor


def _protections(worker: Worker, seen: Seen) -> Iterator[NamedLater]:
    for given in seen(worker.protections.all()):
        title = _("%(kind)s given: %(what)s") % {
            "kind": capfirst(given.get_kind_display()),
            "what": given.what,
        }
        batch = _("Batch %(batch)s.") % {"batch": given.batch} if given.batch else ""
        yield Happening(given.given_at, title, some(batch)), given.recorded_by


def _ends(worker: Worker, seen: Seen, told: Seen) -> Iterator[NamedLater]:
    """States and clearances."""
    follow_ups = worker.follow_ups.all()
    in_words = set(told(follow_ups).values_list("pk", flat=True))
    states = FollowUpState.objects.filter(follow_up__in=seen(follow_ups).values("pk"))
    for state in states.select_related("follow_up"):
        title = _("Follow-up for %(pathogen)s: %(state)s") % {
            "pathogen": state.follow_up.pathogen,
            "state": state.get_kind_display(),
        }
        accepted = _("Accepted by %(name)s.") % {"name": state.accepted_by} if state.accepted_by else ""
        basis = capfirst(state.get_basis_display())
        reason = state.reason if state.follow_up_id in in_words else ""
        yield Happening(state.from_at, title, some(reason, basis, accepted)), state.by
    signed = seen(Clearance.objects.filter(follow_up__worker=worker))
    clearances = {f"clearance:{clearance.uid}": clearance for clearance in signed}
    for signature in Signature.objects.filter(subject__in=list(clearances)):
        kind = clearances[signature.subject].get_kind_display()
        yield Happening(signature.recorded_at, _("Clearance signed"), (kind,)), signature.recorded_by
    for clearance in clearances.values():
        if clearance.void_at is not None:
            because = some(clearance.void_because)
            yield Happening(clearance.void_at, _("Clearance void"), because, mark="alert"), ""
