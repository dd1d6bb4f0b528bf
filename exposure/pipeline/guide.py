"""What guides others: criteria under two signatures (drafted, proposed, replayed, approved), and the sheet for home."""

from datetime import datetime, timedelta
from uuid import UUID

from django.db import transaction
from django.utils.translation import gettext as _

from exposure.attend import promises
from exposure.attend.models import Promise
from exposure.classify import assess, replay, versions
from exposure.classify.models import Adoption, CriteriaVersion, Replay
from exposure.people.access import require, roles_of
from exposure.people.models import User
from exposure.people.policy import DOING, Deed
from exposure.places.household import advice_at
from exposure.places.models import HouseholdAdvice, Site
from exposure.record import because as because_of
from exposure.record import create_many
from exposure.refusal import BadSubmission, Conflict, NotYet, Problem, require_text
from exposure.report.models import Breach

REVIEW_WITHIN = timedelta(hours=24)  # local choice
APPROVE_WITHIN = timedelta(days=7)  # from the first signature; local choice


def approve_advice(
    *, site: Site, english: str, french: str, replaces: UUID | None, by: User, at: datetime
) -> HouseholdAdvice:
    """What the people at home do, from now on; both texts empty: nothing of the kind holds any more. `replaces` is what
    stood as it was written. Raises Conflict with what another has approved since; the same again is what stands."""
    require(by, Deed.APPROVE_ADVICE, site.pk, at=at)
    with transaction.atomic():
        Site.objects.select_for_update(no_key=True).get(pk=site.pk)
        standing = advice_at(site)
        texts = {"english": english.strip(), "french": french.strip()}
        if standing is not None:
            if standing.approved_by == by and all(
                getattr(standing, name) == text for name, text in texts.items()
            ):
                return standing
            if standing.uid != replaces:
                raise Conflict(standing)
        if not any(texts.values()) and standing is None:
            raise BadSubmission(Problem("/english", _("Write what the people at home do.")))
        return HouseholdAdvice.objects.create(site=site, approved_by=by, replaces=standing, **texts)


def draft_criteria(*, content: str, by: User, at: datetime) -> CriteriaVersion:
    """A text becomes a draft. Raises CriteriaError with the line."""
    require(by, Deed.PROPOSE_CRITERIA, None, at=at)
    with transaction.atomic():
        return versions.start_draft(content, by=by)


def edit_criteria(*, version: CriteriaVersion, content: str, by: User, at: datetime) -> CriteriaVersion:
    """Another text for a draft. Raises CriteriaError with the line, and NotYet once it is proposed."""
    require(by, Deed.PROPOSE_CRITERIA, None, at=at)
    with transaction.atomic():
        version = _locked_version(version)
        _require_draft(version)
        versions.edit_draft(version, content, by=by)
        return version


def abandon_criteria(*, version: CriteriaVersion, reason: str, by: User, at: datetime) -> CriteriaVersion:
    """Nobody goes on with this draft: it can be read, and no longer edited or proposed. Again changes nothing. Raises
    NotYet once it is proposed."""
    require(by, Deed.PROPOSE_CRITERIA, None, at=at)
    require_text(reason, "/reason", _("Say why."))
    with transaction.atomic(), because_of(reason):
        version = _locked_version(version)
        if version.proposed_at is None and version.retired_at is not None:
            return version
        _require_draft(version)
        versions.abandon(version, at=at)
        return version


def _require_draft(version: CriteriaVersion) -> None:
    if version.proposed_at is not None:
        raise NotYet("proposed")
    if version.retired_at is not None:
        raise NotYet("abandoned")


def propose_criteria(*, version: CriteriaVersion, by: User, at: datetime) -> CriteriaVersion:
    """The text stands from here on, under the proposer's signature. Proposing again changes nothing."""
    require(by, Deed.PROPOSE_CRITERIA, None, at=at)
    with transaction.atomic():
        version = _locked_version(version)
        if version.proposed_by == by.actor:
            return version
        if obstacles := versions.obstacles_to_proposal(version):
            raise NotYet(*obstacles)
        versions.propose(version, by=by, at=at)
        for site in _sites_of(by, at):
            _ask_second(version, site, at)
        return version


def _sites_of(physician: User, at: datetime) -> list[Site]:
    """The sites where the proposer's signature counts."""
    held = [role.site_id for role in roles_of(physician, at=at) if role.kind in DOING[Deed.APPROVE_CRITERIA]]
    return list(Site.objects.all() if None in held else Site.objects.filter(pk__in=held))


def _ask_second(version: CriteriaVersion, site: Site, at: datetime) -> None:
    """A second physician of the site is asked to sign."""
    promises.ask(
        Promise(
            site=site,
            version=version,
            kind=Promise.Kind.SIGN,
            key=site.code,
            title=_("Sign %(version)s, or leave it.") % {"version": version},
            due_at=at + APPROVE_WITHIN,
            basis="7d after first signature",
        ),
        at=at,
    )


def tick_criteria(*, version: CriteriaVersion, row: str, by: User, at: datetime) -> None:
    """A row from memory was compared with its source. Only once proposed: the text can no longer change."""
    require(by, Deed.APPROVE_CRITERIA, None, at=at)
    with transaction.atomic():
        version = _locked_version(version)
        if version.proposed_at is None:
            raise NotYet("not_proposed")
        if row not in versions.memory_rows(assess.criteria_of(version)):
            raise BadSubmission(Problem("/row", _("This is no row that was written from memory.")))
        versions.tick(version, row)


def replay_criteria(*, version: CriteriaVersion, site: Site, by: User, at: datetime) -> Replay:
    """Classify the site's past reports under the version and keep what would change. Nothing is moved."""
    require(by, Deed.PROPOSE_CRITERIA, site.pk, at=at)
    return replay.store(version, site=site)


def review_moved(*, stored: Replay, by: User, at: datetime) -> int:
    """The nurse looks again at every report that a replay names, once per version. How many are newly asked for."""
    with transaction.atomic():
        moved = Breach.objects.filter(uid__in=stored.breaches).select_related("site", "worker")
        key = str(stored.version.uid)
        asked = Promise.objects.filter(breach__in=moved, kind=Promise.Kind.REVIEW, key=key, void_at=None)
        title = _("Look again at the tier: %(version)s would change it") % {"version": stored.version}
        reviews = []
        for breach in moved.exclude(pk__in=asked.values("breach_id")):
            require(by, Deed.PROPOSE_CRITERIA, breach.site_id, at=at)
            reviews.append(
                Promise(
                    site=breach.site,
                    worker=breach.worker,
                    breach=breach,
                    kind=Promise.Kind.REVIEW,
                    key=key,
                    title=title[:200],
                    asked_at=at,
                    due_at=at + REVIEW_WITHIN,
                    basis="24h after replay",
                )
            )
        return len(create_many(Promise, reviews, ignore_conflicts=True))


def approve_criteria(
    *, version: CriteriaVersion, site: Site, by: User, at: datetime, meaning: str = "approved"
) -> Adoption | None:
    """Sign that the site works with this version; the second person's signature puts it in force there. None
    while that is wanted. Raises NotYet with what stands in the way."""
    require(by, Deed.APPROVE_CRITERIA, site.pk, at=at)
    with transaction.atomic():
        Site.objects.select_for_update(no_key=True).get(pk=site.pk)
        version = _locked_version(version)
        if standing := versions.adoption_of(version, site):
            return standing
        if obstacles := versions.obstacles_to_approval(version, site, by=by, at=at):
            raise NotYet(*obstacles)
        adoption = versions.approve(version, site, by=by, at=at, meaning=meaning)
        if adoption is None:
            _ask_second(version, site, at)
        else:
            asked = Promise.objects.open().filter(version=version, site=site)
            promises.keep(asked, by=by, at=at)
        return adoption


def _locked_version(version: CriteriaVersion) -> CriteriaVersion:
    return CriteriaVersion.objects.select_for_update(of=("self",)).get(pk=version.pk)
