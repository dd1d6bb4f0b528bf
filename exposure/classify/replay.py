"""All past reports under other criteria: who would move, and by which rule. Nothing is moved.

Reports are read and classified a page at a time, so that memory does not grow with their number. A report counts
with the answers that stand now, as `assess` would take them; a tier that a clinician has set stands.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import islice
from typing import Any
from uuid import UUID

import numpy as np

from exposure.classify.assess import in_force
from exposure.classify.columns import UNKNOWN
from exposure.classify.criteria import Criteria, CriteriaError, Verdict
from exposure.classify.models import Assessment, CriteriaVersion, Replay, Signature
from exposure.classify.table import Fact
from exposure.places.models import Site
from exposure.report.intake import TREATED_AT_HIGHEST
from exposure.report.models import Breach, CaseStatement

PAGE = 2000  # reports held at a time
MOST_NAMED = 1000  # reports listed per move; all are counted

Answers = tuple[int, ...]  # per fact the position of its answer, or UNKNOWN


@dataclass(frozen=True, slots=True)
class Past:
    """A report as it stands: the tier it is treated as ("" where nothing was adopted) and what is known of it.

    `decided`: a clinician has set the tier. `in_doubt`: it cannot be relied on and is treated at the highest.
    """

    breach: UUID
    treated_as: str
    answers: Mapping[str, Any]
    decided: bool
    in_doubt: bool
    confirmed: bool


@dataclass(slots=True)
class Move:
    """Reports that would go from one tier to another. `rules` hold for them and give the new tier; there are none
    where it is not settled, or where no rule holds. `breaches` are at most MOST_NAMED of them, oldest first."""

    before: str
    after: str
    rules: tuple[str, ...]
    settled: bool
    count: int = 0
    breaches: list[UUID] = field(default_factory=list)


@dataclass(frozen=True)
class Replayed:
    """How many reports were classified, and the moves, the most frequent first."""

    reports: int
    moves: tuple[Move, ...]


def replay(criteria: Criteria, *, site: Site | None = None) -> Replayed:
    """Classify all past reports of the criteria's pathogen, of the site where one is named."""
    return tally(criteria, past_reports(criteria.pathogen, site=site))


def store(version: CriteriaVersion, *, site: Site | None = None) -> Replay:
    """Replay a stored version and keep the result. `breaches` stand in the order of `moves`; see `by_move`."""
    replayed = replay(Criteria.parse(version.text), site=site)
    keys = ("before", "after", "rules", "settled", "count")
    return Replay.objects.create(
        version=version,
        sha256=version.sha256,
        site=site,
        reports=replayed.reports,
        moves=[{key: getattr(move, key) for key in keys} for move in replayed.moves],
        breaches=[str(uid) for move in replayed.moves for uid in move.breaches],
    )


def by_move(stored: Replay) -> Iterator[tuple[dict[str, Any], list[str]]]:
    """Each move of a stored replay with the reports named for it."""
    named = iter(stored.breaches)
    for move in stored.moves:
        yield move, list(islice(named, min(move["count"], MOST_NAMED)))


# Reading


def past_reports(pathogen: str, *, site: Site | None = None) -> Iterator[list[Past]]:
    """The reports of a pathogen that are assessed and not withdrawn, in pages, in the order of their keys."""
    breaches = Breach.objects.filter(withdrawn_at=None, drill=False).order_by("pk")
    if site is not None:
        breaches = breaches.filter(site=site)
    # Plain rows: a million model instances would take longer than all the rest.
    wanted = breaches.values_list("pk", "uid", "facts", "flags", "confirmed_at", "case_id", named=True)
    after = 0
    while page := list(wanted.filter(pk__gt=after)[:PAGE]):
        yield _standing(pathogen, page)
        after = page[-1].pk


def _standing(pathogen: str, page: list[Any]) -> list[Past]:
    """The reports of a page that have an assessment of the pathogen in force."""
    made: dict[int, list[Any]] = {}
    rows = Assessment.objects.filter(pathogen=pathogen, breach_id__gte=page[0].pk, breach_id__lte=page[-1].pk)
    columns = ("uid", "breach_id", "pathogen", "kind", "facts", "treated_as", "second_signature_needed")
    for row in rows.order_by("recorded_at", "id").values_list(*columns, named=True):
        made.setdefault(row.breach_id, []).append(row)
    signed = _signed(row for own in made.values() for row in own)
    cases = _case_facts(pathogen, {breach.case_id for breach in page if breach.pk in made})
    reports = []
    for breach in page:
        standing = in_force(made.get(breach.pk, ()), signed).get(pathogen)
        if standing is not None:
            reports.append(_past(breach, standing, cases.get(breach.case_id, {})))
    return reports


def _past(breach: Any, standing: Any, case_facts: Mapping[str, Any]) -> Past:
    confirmed = breach.confirmed_at is not None
    # What is said about oneself counts once a clinician has confirmed it.
    own = breach.facts if confirmed or "self_answered" not in breach.flags else {}
    return Past(
        breach.uid,
        standing.treated_as,
        {**own, **standing.facts, **case_facts},
        decided=standing.kind == Assessment.Kind.OVERRIDE,
        in_doubt=not confirmed and not TREATED_AT_HIGHEST.isdisjoint(breach.flags),
        confirmed=confirmed,
    )


def _signed(assessments: Iterable[Any]) -> frozenset[str]:
    subjects = [f"assessment:{one.uid}" for one in assessments if one.second_signature_needed]
    if not subjects:
        return frozenset()
    return frozenset(Signature.objects.filter(subject__in=subjects).values_list("subject", flat=True))


def _case_facts(pathogen: str, cases: set[int | None]) -> dict[int | None, dict[str, Any]]:
    """What clinicians stated last about each case."""
    statements = CaseStatement.objects.filter(pathogen=pathogen, case__in=cases - {None})
    newest = {one.case_id: one for one in statements.order_by("recorded_at", "id")}
    return {case: {"case_status": one.status, **one.facts} for case, one in newest.items()}


# Classifying


def tally(criteria: Criteria, pages: Iterable[list[Past]]) -> Replayed:
    """Count who would move. Each page is classified at once; a rule is looked up once per set of answers."""
    reports, moves = 0, {}
    classify = lru_cache(maxsize=4096)(lambda answers: criteria.classify(_facts(criteria, answers)))
    for page in pages:
        reports += len(page)
        for report, answers, after, in_doubt in _classified(criteria, page):
            if report.decided or report.treated_as == after:
                continue
            rules, settled = ((), False) if in_doubt else _decided_by(classify(answers))
            key = (report.treated_as, after, rules, settled)
            move = moves.setdefault(key, Move(*key))
            move.count += 1
            if move.count <= MOST_NAMED:
                move.breaches.append(report.breach)
    return Replayed(reports, tuple(sorted(moves.values(), key=lambda move: -move.count)))


def _decided_by(verdict: Verdict) -> tuple[tuple[str, ...], bool]:
    settled = verdict.tier is not None
    return (tuple(verdict.rules) if settled else ()), settled


def _classified(criteria: Criteria, page: list[Past]) -> Iterator[tuple[Past, Answers, str, bool]]:
    """Each report with its answers, the tier it would be treated as, and whether that is only for doubt."""
    unknown = (UNKNOWN,) * len(criteria.facts)
    read = [
        tuple(_position(fact, report.answers.get(fact.name)) for fact in criteria.facts) for report in page
    ]
    contradictory = _contradictory(criteria, read)
    possible = [unknown if answers in contradictory else answers for answers in read]
    ceilings = _ceilings(criteria, possible)
    for report, before, answers, ceiling in zip(page, read, possible, ceilings, strict=True):
        in_doubt = report.in_doubt or (before in contradictory and not report.confirmed)
        yield report, answers, criteria.tiers[-1 if in_doubt else ceiling].code, in_doubt


def _contradictory(criteria: Criteria, read: list[Answers]) -> set[Answers]:
    """Sets of answers that cannot be true together."""
    try:
        _ceilings(criteria, read)
    except CriteriaError:
        return {answers for answers in set(read) if not _can_be(criteria, answers)}
    return set()


def _can_be(criteria: Criteria, answers: Answers) -> bool:
    try:
        criteria.classify(_facts(criteria, answers))
    except CriteriaError:
        return False
    return True


def _ceilings(criteria: Criteria, read: list[Answers]) -> list[int]:
    table = np.array(read, np.uint8).reshape(len(read), len(criteria.facts))
    columns = {fact.name: np.ascontiguousarray(table[:, at]) for at, fact in enumerate(criteria.facts)}
    return criteria.classify_many(columns)[1].tolist()


def _position(fact: Fact, answer: Any) -> int:
    """Answers that these criteria cannot read are unknown to them."""
    if not fact.cuts:
        return fact.positions.get(answer, UNKNOWN) if isinstance(answer, str) else UNKNOWN
    try:
        return UNKNOWN if answer is None else fact.position(answer)
    except CriteriaError:
        return UNKNOWN


def _facts(criteria: Criteria, answers: Answers) -> dict[str, Any]:
    return {
        fact.name: fact.value(at) for fact, at in zip(criteria.facts, answers, strict=True) if at != UNKNOWN
    }
