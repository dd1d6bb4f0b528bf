"""A contact list or duty roster of one case, line by line: what each would record, and what stands against it."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from zoneinfo import ZoneInfo

from django.utils.formats import date_format
from django.utils.translation import gettext as _

from exposure.classify import assess
from exposure.classify.criteria import text
from exposure.classify.models import CriteriaVersion
from exposure.followup import plans
from exposure.followup.contact_list import ContactRow
from exposure.followup.models import Exposure, FollowUp
from exposure.followup.schedule import end_of_day
from exposure.people.models import User, Worker
from exposure.places.models import Site
from exposure.refusal import Problem
from exposure.report.models import Case
from exposure.report.moments import slip_in

Source = Exposure.Source


def tiers_to_follow(site: Site, pathogen: str, *, at: datetime) -> list[tuple[str, str]]:
    """(code, label) of the tiers that ask for follow-up, lowest first, in the criteria that the site works with."""
    version = assess.adopted(site, pathogen, at=at)
    tiers = assess.tiers_of(version)
    return [(one.code, text(one.label)) for one in tiers if plans.brings_follow_up(one.plan)]


@dataclass(frozen=True)
class ListedContact:
    """One line of a list as it would be recorded. `worker` is None for somebody new; `joins` says that a follow-up of
    theirs runs, `recorded` that this very contact stands already; problems point to their column, as /tier.
    `elsewhere`: they are known at another site, of which nothing is shown."""

    row: ContactRow
    worker: Worker | None
    occurred_at: datetime | None
    day_zero: date | None
    last_day: date | None
    tier_label: str
    joins: bool
    recorded: bool
    problems: tuple[Problem, ...]
    elsewhere: bool = False


def list_contacts(
    rows: Sequence[ContactRow],
    *,
    case: Case,
    pathogen: str,
    source: str = Source.CONTACT_LIST,
    by: User,
    at: datetime,
) -> list[ListedContact]:
    """What each line would record and what stands against it, from a fixed number of statements. Stores nothing."""
    version = assess.adopted(case.site, pathogen, at=at)
    tiers = {one.code: one for one in assess.tiers_of(version)}
    people = people_named(rows, case)
    found = [one for one in people if one is not None]
    running = FollowUp.objects.running(at=at).filter(worker__in=found, pathogen=pathogen)
    followed = set(running.values_list("worker", flat=True))
    standing = set(
        Exposure.objects.filter(case=case, source=source, corrects=None, follow_up__pathogen=pathogen)
        .values_list("follow_up__worker", "occurred_at", "tier", "note")
    )  # fmt: skip
    first: dict[object, int] = {}
    lines = []
    for row, worker in zip(rows, people, strict=True):
        who = worker.pk if worker else row.person
        moment = row.moment(ZoneInfo(case.site.zone)) if row.last_contact is not None else None
        day_zero = _local_date(moment, case.site) if moment is not None else None
        tier = tiers.get(row.tier)
        problems = [
            *(Problem(f"/{column}", message) for column, message in row.errors),
            *_problems_of_person(row, worker, first.setdefault(who, row.line) if who else row.line, by),
            *_problems_of_contact(row, version, moment, case.site, at),
        ]
        lines.append(
            ListedContact(
                row=row,
                worker=worker,
                occurred_at=moment,
                day_zero=day_zero,
                last_day=plans.last_day_of(tier.plan, day_zero) if tier and day_zero else None,
                tier_label=text(tier.label) if tier else row.tier,
                joins=worker is not None and worker.pk in followed,
                recorded=worker is not None and (worker.pk, moment, row.tier, row.note) in standing,
                problems=tuple(problems),
            )
        )
    return lines


def people_named(rows: Sequence[ContactRow], case: Case) -> list[Worker | None]:
    """Whom each line means: by number; else whoever has this name, telephone and employer as written. A name alone
    is somebody known only where they are on a list of this case already."""
    people = Worker.objects.select_related("same_as")
    numbered = {one.number: one for one in people.filter(number__in={row.number for row in rows})}
    exposed = set(Exposure.objects.filter(case=case).values_list("follow_up__worker", flat=True))
    named: dict[tuple[str, ...], Worker] = {}
    for one in people.filter(site=case.site, number=None, name__in={row.name for row in rows}).order_by("pk"):
        if one.phone or (one.same_as_id or one.pk) in exposed:
            named.setdefault((one.name, one.phone, one.employer), one)
    found = [numbered.get(row.number) if row.number else named.get(row.person) for row in rows]
    return [one and (one.same_as or one) for one in found]


def _problems_of_person(
    row: ContactRow, worker: Worker | None, first_line: int, by: User
) -> Iterator[Problem]:
    column = "/number" if row.number else "/name"
    if row.number and worker is None:
        yield Problem(column, _("Nobody has the number %(number)s.") % {"number": row.number})
    if worker is not None and worker.user_id == by.pk:
        yield Problem(column, _("This is you: somebody else must record it."))
    if first_line != row.line:
        again = _("The same person as in line %(line)s. Keep the line with the later contact.")
        yield Problem(column, again % {"line": first_line})


def _problems_of_contact(
    row: ContactRow, version: CriteriaVersion | None, moment: datetime | None, site: Site, at: datetime
) -> Iterator[Problem]:
    for one in problems_of_recorded(version, row.tier, moment, site, at):
        if row.tier or one.pointer != "/tier":  # a missing tier is said by the reader
            yield Problem(one.pointer.replace("occurred_at", "last_contact"), one.message)


def problems_of_recorded(
    version: CriteriaVersion | None, tier: str, occurred_at: datetime | None, site: Site, at: datetime
) -> list[Problem]:
    """`occurred_at` is None where it could not be read, which is said elsewhere."""
    slip = slip_in(occurred_at, "/occurred_at", at=at) if occurred_at is not None else None
    problems = [slip] if slip else []
    if version is None:
        return [*problems, Problem("/pathogen", _("No criteria are adopted for this."))]
    known = {one.code: one.plan for one in assess.tiers_of(version)}
    if not known:
        unread = _(
            "The criteria that the site works with can no longer be read: a physician must look at them."
        )
        return [*problems, Problem("/pathogen", unread)]
    if tier not in known:
        among = ", ".join(code for code, plan in known.items() if plans.brings_follow_up(plan))
        return [*problems, Problem("/tier", _("Choose one of these tiers: %(among)s.") % {"among": among})]
    if not plans.brings_follow_up(known[tier]):
        problems.append(Problem("/tier", _("This tier asks for no follow-up.")))
    if occurred_at is None or problems:
        return problems
    last_day = plans.last_day_of(known[tier], _local_date(occurred_at, site))
    if last_day is not None and end_of_day(last_day, ZoneInfo(site.zone)) <= at:
        over = _("Its last day was %(day)s: there is nothing left to follow.")
        problems.append(Problem("/occurred_at", over % {"day": date_format(last_day, "j F Y")}))
    return problems


def _local_date(moment: datetime, site: Site) -> date:
    return moment.astimezone(ZoneInfo(site.zone)).date()
