"""What a physician does to criteria: write, propose, tick what was from memory, replay, ask for a review, approve."""

import uuid
from functools import partial
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from exposure.audit.access_log import note_look
from exposure.audit.models import AccessEntry
from exposure.classify.assess import criteria_of, criteria_or_none
from exposure.classify.criteria import Criteria, CriteriaError
from exposure.classify.models import CriteriaVersion, Replay
from exposure.classify.replay import by_move
from exposure.classify.versions import memory_rows, obstacles_to_proposal, unticked
from exposure.classify.words import plan_of, rules_of, said, tier_label
from exposure.people.access import visible
from exposure.people.policy import Deed, View
from exposure.pipeline import guide
from exposure.places.models import Site
from exposure.refusal import BadSubmission, NotYet
from exposure.report.models import Breach
from exposure.web.bidi import isolated
from exposure.web.nurse.deed import DeedPage, Subject, answer, plain
from exposure.web.nurse.forms import ReasonForm
from exposure.web.physician.forms import TextForm
from exposure.web.physician.standing import OBSTACLES, at_site, sites_of, state_of
from exposure.web.physician.views import find_version, findings_of, for_physicians
from exposure.web.signed_in import kept_form

# Write


@for_physicians
def new(request: HttpRequest) -> HttpResponse:
    """A new draft, from the text of another version where `from` names one."""
    start = ""
    if given := request.GET.get("from"):
        try:
            start = find_version(uuid.UUID(given)).text
        except ValueError:
            raise Http404 from None

    def keep(content: str) -> CriteriaVersion:
        return guide.draft_criteria(content=content, by=request.user, at=request.at)

    return _write(request, start, keep, title=_("New draft"))


@for_physicians
def edit(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """Another text for a draft."""
    version = find_version(uid)

    def keep(content: str) -> CriteriaVersion:
        return guide.edit_criteria(version=version, content=content, by=request.user, at=request.at)

    return _write(
        request, version.text, keep, title=_("Edit %(version)s") % {"version": version}, row=version
    )


def _write(request: HttpRequest, start: str, keep: Any, **page: Any) -> HttpResponse:
    kept = kept_form(request) if request.method != "POST" else None
    form = TextForm(request.POST if request.method == "POST" else kept, initial={"content": start})
    if request.method == "POST" and form.is_valid():
        try:
            version = keep(form.cleaned_data["content"])
        except CriteriaError as error:
            form.refuse(error)
        except NotYet as not_yet:
            _refuse(form, not_yet)
        else:
            messages.success(request, _("Kept. What the text says, and what is wrong with it, stands here."))
            return redirect("criteria_version", version.uid)
    return render(request, "physician/edit.html", {"form": form, "kept": bool(kept), **page})


def _refuse(form: TextForm, not_yet: NotYet) -> None:
    for code in not_yet.reasons:
        form.add_error(None, OBSTACLES[code])


# Propose


def _of_the_version(subject: Subject) -> dict[str, Any]:
    version = subject.row
    return {
        "row": version,
        "state": state_of(version),
        "to_proposal": [OBSTACLES[code] for code in obstacles_to_proposal(version)],
        **findings_of(criteria_of(version)),
    }


_of_draft = partial(
    DeedPage,
    deed=Deed.PROPOSE_CRITERIA,
    rows=None,
    named="version",
    about=lambda _subject: None,  # nobody's page; the head of criteria, or the title, names the version
    back=lambda subject: reverse("criteria_version", args=[subject.row.uid]),
    obstacles=OBSTACLES,
    zone=lambda _subject: timezone.get_current_timezone(),
)

PROPOSAL = _of_draft(
    "criteria_propose",
    "criteria/<uuid:uid>/propose/",
    use_case=guide.propose_criteria,
    shown=_of_the_version,
    template="physician/propose.html",
    title=gettext_lazy("Propose this version"),
    button=gettext_lazy("Sign and propose"),
    done=gettext_lazy("Proposed, under your signature. The text can no longer be changed."),
)


@for_physicians
def propose(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """What a proposal means, then the signature: the text stands from there on."""
    return answer(request, PROPOSAL, find_version(uid))


ABANDONING = _of_draft(
    "criteria_abandon",
    "criteria/<uuid:uid>/abandon/",
    use_case=guide.abandon_criteria,
    form=plain(ReasonForm),
    title=lambda subject: _("Abandon the draft %(version)s") % {"version": subject.row},
    button=gettext_lazy("Abandon this draft"),
    lede=gettext_lazy(
        "It can still be read, and another draft can start from it. It can no longer be edited or proposed, and its "
        "version is not given again."
    ),
    done=gettext_lazy("The draft is abandoned."),
)


@for_physicians
def abandon(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """Why nobody goes on with a draft."""
    return answer(request, ABANDONING, find_version(uid))


@for_physicians
def memory(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """The rows from memory, ticked one by one once somebody has compared them with their source."""
    version = find_version(uid)
    if request.method == "POST":
        try:
            row = request.POST.get("row", "")
            guide.tick_criteria(version=version, row=row, by=request.user, at=request.at)
        except NotYet as not_yet:
            _say_why(request, not_yet)
        except BadSubmission as refused:
            for problem in refused.problems:
                messages.error(request, problem.message)
        else:
            messages.success(request, _("Ticked under your name."))
        return redirect("criteria_memory", uid)
    waiting = set(unticked(version))
    rows = [
        {"row": row, "waits": row in waiting, **words} for row, words in _memory_words(criteria_of(version))
    ]
    return render(
        request,
        "physician/memory.html",
        {"row": version, "rows": rows, "waiting": len(waiting), "state": state_of(version)},
    )


def _memory_words(table: Criteria) -> list[tuple[str, dict[str, Any]]]:
    """Each row from memory with what it says."""
    words: dict[str, dict[str, Any]] = {}
    if table.profile is not None:
        symptoms = [(said(symptom.ask), symptom.urgent) for symptom in table.profile.symptoms.values()]
        words["profile"] = {
            "title": _("Numbers for readings"),
            "profile": table.profile,
            "symptoms": symptoms,
        }
    for at, tier in enumerate(table.tiers):
        title = _("What “%(tier)s” brings") % {"tier": said(tier.label)}
        words[f"tiers[{at}]"] = {"title": title, "sentences": plan_of(tier.plan)}
        for rule in rules_of(table, tier.code):
            title = _("Rule %(rule)s, for “%(tier)s”") % {"rule": rule.id, "tier": said(tier.label)}
            words[rule.row] = {"title": title, "rule": rule}
    return [(row, words[row]) for row in memory_rows(table)]


# Replay


@for_physicians
def replay(request: HttpRequest, uid: uuid.UUID, code: str) -> HttpResponse:
    """Whom the version would move at a site: run, and looked at."""
    version, site = find_version(uid), _site(request, code)
    if request.method == "POST":
        guide.replay_criteria(version=version, site=site, by=request.user, at=request.at)
        return redirect("criteria_replay", uid, code)
    with timezone.override(site.zone):
        return render(request, "physician/replay.html", _at(request, version, site))


@for_physicians
def review(request: HttpRequest, uid: uuid.UUID, code: str) -> HttpResponse:
    """A task for the nurse on every report that the newest replay names. The page of the replay asks for it."""
    version, site = find_version(uid), _site(request, code)
    if request.method != "POST":
        return redirect("criteria_replay", uid, code)
    stored = at_site(version, site, request.user, at=request.at).replay
    if stored is None:
        raise Http404
    made = guide.review_moved(stored=stored, by=request.user, at=request.at)
    words = ngettext("%(n)d task was made for the nurse.", "%(n)d tasks were made for the nurse.", made)
    messages.success(request, words % {"n": made})
    return redirect("criteria_replay", uid, code)


# Approve


@for_physicians
def approve(request: HttpRequest, uid: uuid.UUID, code: str) -> HttpResponse:
    """Whom it would move, then the signature; with the second one the site works with the version."""
    version, site = find_version(uid), _site(request, code)
    if request.method == "POST":
        try:
            adoption = guide.approve_criteria(version=version, site=site, by=request.user, at=request.at)
        except NotYet as not_yet:
            _say_why(request, not_yet)
            return redirect("criteria_approve", uid, code)
        names = {"site": isolated(site.name), "version": version}
        if adoption is None:
            messages.success(request, _("Signed. A second physician of %(site)s must sign too.") % names)
        else:
            messages.success(request, _("%(site)s works with %(version)s from now on.") % names)
        return redirect("criteria_version", uid)
    with timezone.override(site.zone):
        return render(request, "physician/approve.html", _at(request, version, site))


def _site(request: HttpRequest, code: str) -> Site:
    """A site at which this person is a physician, or Http404."""
    for site in sites_of(request.user, at=request.at):
        if site.code == code:
            return site
    raise Http404


def _at(request: HttpRequest, version: CriteriaVersion, site: Site) -> dict[str, Any]:
    standing = at_site(version, site, request.user, at=request.at)
    moves = _moves(request, version, standing.replay) if standing.replay else []
    return {"row": version, "state": state_of(version), "standing": standing, "moves": moves}


def _moves(request: HttpRequest, version: CriteriaVersion, stored: Replay) -> list[dict[str, Any]]:
    """The moves in words, with the reports that this person may see."""
    note_look(request.user, AccessEntry.Kind.LIST, f"criteria replay {stored.uid}", at=request.at)
    labels, order = _labels(version), [tier.code for tier in criteria_of(version).tiers]
    reports = Breach.objects.filter(uid__in=stored.breaches).select_related("worker")
    visible_reports = visible(request.user, reports, View.CLINICAL, at=request.at)
    seen = {str(report.uid): report for report in visible_reports}
    return [
        {
            **move,
            "direction": _direction(order, move["before"], move["after"]),
            "before": labels.get(move["before"], move["before"]) or _("not assessed"),
            "after": labels.get(move["after"], move["after"]),
            "reports": (shown := [seen[uid] for uid in named if uid in seen]),
            "more": move["count"] - len(shown),
        }
        for move, named in by_move(stored)
    ]


def _direction(order: list[str], before: str, after: str) -> str:
    """Lower or higher, where both are tiers of this version."""
    if before not in order:
        return ""
    return "lower" if order.index(after) < order.index(before) else "higher"


def _labels(version: CriteriaVersion) -> dict[str, str]:
    """Tier code -> its name, in this version's words, else in those of another one of the pathogen."""
    labels: dict[str, str] = {}
    others = CriteriaVersion.objects.filter(pathogen=version.pathogen).exclude(pk=version.pk)
    for known in (version, *others.order_by("-proposed_at")):
        table = criteria_or_none(known)
        for tier in table.tiers if table else ():
            labels.setdefault(tier.code, tier_label(table, tier.code))
    return labels


def _say_why(request: HttpRequest, not_yet: NotYet) -> None:
    for code in not_yet.reasons:
        messages.error(request, OBSTACLES[code])
