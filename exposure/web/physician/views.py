"""What a physician looks at: the versions, one as people read it, answers tried on it, two compared."""

import uuid
from collections.abc import Callable
from functools import wraps
from http import HTTPStatus
from itertools import groupby
from typing import Any

from django.core.exceptions import PermissionDenied
from django.db.models import Prefetch
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone

from exposure.classify.assess import criteria_of
from exposure.classify.criteria import Criteria, CriteriaError
from exposure.classify.models import Adoption, CriteriaVersion
from exposure.classify.versions import memory_rows, obstacles_to_proposal, unticked
from exposure.classify.words import (
    change_in_words,
    finding_in_words,
    plan_of,
    rules_of,
    said,
    tier_label,
)
from exposure.people.access import holds
from exposure.people.models import Role
from exposure.web.physician.forms import TryForm
from exposure.web.physician.standing import OBSTACLES, at_site, names_of, sites_of, state_of
from exposure.web.signed_in import signed_in


def for_physicians(view: Callable[..., HttpResponse]) -> Callable[..., HttpResponse]:
    """Pages for physicians, in the time of their first site. A stored text that cannot be used any more says why."""

    @signed_in
    @wraps(view)
    def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        if not holds(request.user, {Role.Kind.PHYSICIAN}, at=request.at):
            raise PermissionDenied
        sites = sites_of(request.user, at=request.at)
        with timezone.override(sites[0].zone if sites else "UTC"):
            try:
                return view(request, *args, **kwargs)
            except CriteriaError as error:
                return _unreadable(request, error)

    return guarded


def _unreadable(request: HttpRequest, error: CriteriaError) -> HttpResponse:
    return render(request, "physician/unreadable.html", {"error": error}, status=HTTPStatus.CONFLICT)


def find_version(uid: uuid.UUID) -> CriteriaVersion:
    """The version, or Http404. Criteria name nobody: every physician may read all of them."""
    version = CriteriaVersion.objects.filter(uid=uid).first()
    if version is None:
        raise Http404
    return version


@for_physicians
def criteria(request: HttpRequest) -> HttpResponse:
    """All versions by pathogen, with their state and the sites that work with them."""
    adopted = Adoption.objects.filter(until_at=None).select_related("site")
    rows = list(
        CriteriaVersion.objects.defer("text").prefetch_related(
            Prefetch("adoptions", queryset=adopted, to_attr="in_force")
        )
    )
    names = names_of(row.drafted_by for row in rows)
    described = [{"row": row, "state": state_of(row), "by": names[row.drafted_by]} for row in rows]
    by_pathogen = [list(own) for _code, own in groupby(described, key=lambda words: words["row"].pathogen)]
    # A title reads "Crimean-Congo haemorrhagic fever: high-risk exposure, ..."; the code is for machines.
    named = [(own[0]["row"].title.partition(":")[0], own) for own in by_pathogen]
    return render(request, "physician/criteria.html", {"pathogens": named})


@for_physicians
def version(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """One version as people read it, what is wrong with it, and what can be done."""
    row = find_version(uid)
    table = criteria_of(row)
    waiting = unticked(row) if row.proposed_at else memory_rows(table)
    context = {
        "row": row,
        "state": state_of(row),
        "drafted_by": names_of([row.drafted_by])[row.drafted_by],
        "tiers": _tiers(table, set(waiting)),
        "otherwise": tier_label(table, table.table.otherwise) if table.table.otherwise else "",
        "facts": [
            (fact, said(fact.ask), [said(answer.label) for answer in fact.answers]) for fact in table.facts
        ],
        "profile": table.profile,
        "symptoms": [
            (said(symptom.ask), symptom.urgent)
            for symptom in (table.profile.symptoms.values() if table.profile else ())
        ],
        "sources": [
            (said(source.title), said(source.publisher), source.year, said(source.note))
            for source in table.sources
        ],
        "lacking": table.lacking(),
        "waiting": waiting,
        "profile_from_memory": "profile" in waiting,
        "to_proposal": [OBSTACLES[code] for code in obstacles_to_proposal(row)],
        "sites": [
            at_site(row, site, request.user, at=request.at) for site in sites_of(request.user, at=request.at)
        ],
        "others": CriteriaVersion.objects.filter(pathogen=row.pathogen).exclude(pk=row.pk).defer("text"),
        **findings_of(table),
    }
    return render(request, "physician/version.html", context)


def _tiers(table: Criteria, waiting: set[str]) -> list[dict[str, Any]]:
    """Highest first, as the highest wins."""
    tiers = [
        {
            "label": said(tier.label),
            "plan": plan_of(tier.plan),
            "rules": rules_of(table, tier.code),
            "from_memory": not tier.seen,
            "waits": f"tiers[{at}]" in waiting,
        }
        for at, tier in enumerate(table.tiers)
    ]
    return tiers[::-1]


def findings_of(table: Criteria) -> dict[str, Any]:
    """What is wrong with the text, in words; or why that could not be found out."""
    try:
        return {"findings": [finding_in_words(table, finding) for finding in table.findings()]}
    except CriteriaError as error:
        return {"findings": [], "not_found_out": error.message}


@for_physicians
def try_answers(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """Answers tried on a version: floor, ceiling, what decides, what to ask next. Nothing is stored."""
    row = find_version(uid)
    table = criteria_of(row)
    form = TryForm(request.GET, criteria=table)
    context: dict[str, Any] = {"row": row, "state": state_of(row), "form": form}
    if form.is_valid():
        try:
            verdict = table.classify(form.cleaned_data["facts"])
        except CriteriaError as error:
            form.add_error(
                error.path if error.path in form.fields else None,
                f"{error.message[:1].upper()}{error.message[1:]}.",
            )
        else:
            form.mark_next(verdict.open_questions)
            asks = {fact.name: said(fact.ask) for fact in table.facts}
            context |= {
                "verdict": verdict,
                "floor": tier_label(table, verdict.floor),
                "ceiling": tier_label(table, verdict.ceiling),
                "rules": [rule for rule in rules_of(table, verdict.floor) if rule.id in verdict.rules],
                "questions": [(name, asks[name]) for name in verdict.open_questions],
            }
    return render(request, "physician/try.html", context)


@for_physicians
def compare(request: HttpRequest, uid: uuid.UUID, other: uuid.UUID) -> HttpResponse:
    """What changes from the other version to this one, in sentences."""
    after, before = find_version(uid), find_version(other)
    if after.pathogen != before.pathogen:
        raise Http404
    context: dict[str, Any] = {"before": before, "after": after}
    tables = criteria_of(before), criteria_of(after)
    try:
        changes = tables[0].compare(tables[1])
    except CriteriaError as error:
        context["refused"] = error.message
    else:
        context["changes"] = [change_in_words(*tables, change) for change in changes]
    rules = [{rule.id for rule in table.rules} for table in tables]
    context["dropped"], context["added"] = sorted(rules[0] - rules[1]), sorted(rules[1] - rules[0])
    names = [{fact.name for fact in table.facts} for table in tables]
    context["only"] = [
        [said(fact.ask) for fact in table.facts if fact.name not in known]
        for table, known in zip(tables, names[::-1], strict=True)
    ]
    return render(request, "physician/compare.html", context)
