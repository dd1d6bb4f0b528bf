"""A criteria text on its way: draft, proposed, approved where a site has adopted it, retired where none has any more.

Nothing here asks who may: `exposure.pipeline` does, and calls these inside one transaction. What stands in the way
of a step comes as codes, in the order in which people would look at it.
"""

import hashlib
import uuid
from datetime import datetime
from typing import Any

from exposure.classify.criteria import Criteria, CriteriaError, TooIntricate, text
from exposure.classify.document import read
from exposure.classify.models import Adoption, CriteriaVersion, Signature, Tick
from exposure.people.access import may
from exposure.people.models import User
from exposure.people.policy import Deed
from exposure.places.models import Site

LONGEST = {"pathogen": 60, "version": 60, "title": 200}


def unusable() -> list[tuple[CriteriaVersion, str]]:
    """The versions that any site works or has worked with whose text cannot be applied by this release, and why."""
    found = []
    adopted = CriteriaVersion.objects.filter(pk__in=Adoption.objects.values("version"))
    for version in adopted.order_by("pathogen", "version"):
        try:
            Criteria.parse(version.text).classify({})
        except Exception as error:  # whatever it is, it must be said
            found.append((version, str(error) or type(error).__name__))
    return found


def columns_of(criteria: Criteria) -> dict[str, Any]:
    """A criteria file as the columns of its version."""
    return {
        "pathogen": criteria.pathogen,
        "version": criteria.version,
        "title": text(criteria.title),
        "text": criteria.text,
        "sha256": criteria.sha256,
        "withdrawn_guidance": criteria.status == "withdrawn",
    }


# Draft


def start_draft(content: str, *, by: User) -> CriteriaVersion:
    """Store a text as a new draft. Raises CriteriaError with the line."""
    version = CriteriaVersion(drafted_by=by.actor)
    _write(version, content)
    return version


def edit_draft(version: CriteriaVersion, content: str, *, by: User) -> None:
    """Give a draft another text; whoever does so is its editor. Raises CriteriaError with the line."""
    if version.text != content:
        version.drafted_by = by.actor
        _write(version, content)


def _write(version: CriteriaVersion, content: str) -> None:
    columns = columns_of(Criteria.parse(content))
    for key, longest in LONGEST.items():
        if len(columns[key]) > longest:
            raise _at_line_of(key, content, f"has {len(columns[key])} characters; at most {longest} are kept")
    standing = CriteriaVersion.objects.filter(pathogen=columns["pathogen"], version=columns["version"])
    if standing.exclude(pk=version.pk).exists():
        name = f"{columns['pathogen']} {columns['version']}"
        raise _at_line_of("version", content, f"'{name}' stands already; give this text another version")
    for name, value in columns.items():
        setattr(version, name, value)
    version.save()


def _at_line_of(key: str, content: str, message: str) -> CriteriaError:
    return CriteriaError(message, line=read(content).entries()[key].line, path=key)


# Proposed


def obstacles_to_proposal(version: CriteriaVersion) -> tuple[str, ...]:
    """What keeps a draft from being proposed."""
    if version.proposed_at is not None:
        return ("proposed",)
    if version.retired_at is not None:
        return ("abandoned",)
    try:
        criteria = Criteria.parse(version.text)
    except CriteriaError:
        return ("malformed",)
    if criteria.too_entangled:
        return ("entangled",)
    return _of_the_text(criteria) or _gap_in(criteria)


def _gap_in(criteria: Criteria) -> tuple[str, ...]:
    try:
        found = criteria.findings()
    except TooIntricate:
        return ("entangled",)
    return ("gap",) if any(finding.kind == "gap" and not finding.accepted for finding in found) else ()


def abandon(version: CriteriaVersion, *, at: datetime) -> None:
    """A draft that nobody goes on with is retired before it was ever proposed; its text and its name are kept."""
    version.retired_at = at
    version.save()


def propose(version: CriteriaVersion, *, by: User, at: datetime) -> None:
    """From here on the text stays as it is. Who proposes has signed first, wherever they are a physician."""
    version.proposed_at, version.proposed_by = at, by.actor
    version.save()
    Signature.objects.create(subject=f"criteriaversion:{version.uid}", user=by, meaning="proposed")


def memory_rows(criteria: Criteria) -> tuple[str, ...]:
    """The rows that were written from memory: the profile, tiers and rules that do not say `seen`."""
    rows = [] if criteria.profile is None or criteria.profile.seen else ["profile"]
    rows += [f"tiers[{at}]" for at, tier in enumerate(criteria.tiers) if not tier.seen]
    rows += [f"rules[{at}]" for at, rule in enumerate(criteria.rules) if not rule.seen]
    return tuple(rows)


def unticked(version: CriteriaVersion) -> tuple[str, ...]:
    """The rows from memory that nobody has compared with their source yet."""
    ticked = set(version.ticks.values_list("row", flat=True))
    return tuple(row for row in memory_rows(Criteria.parse(version.text)) if row not in ticked)


def tick(version: CriteriaVersion, row: str) -> None:
    """Somebody has compared the row with its source. Again changes nothing."""
    Tick.objects.get_or_create(version=version, row=row)


# Approved


def obstacles_to_approval(version: CriteriaVersion, site: Site, *, by: User, at: datetime) -> tuple[str, ...]:
    """What keeps this person from signing that the site works with this version."""
    if version.proposed_at is None:
        return ("not_proposed",)
    if version.retired_at is not None:
        return ("retired",)
    if _changed_since_proposal(version):
        return ("text_changed",)
    try:
        criteria = Criteria.parse(version.text)
        found = {one.kind for one in criteria.findings() if not one.accepted}
    except TooIntricate:
        return ("entangled",)
    except CriteriaError:
        return ("malformed",)
    obstacles = {
        "gap": "gap" in found,
        "not_monotone": "not_monotone" in found,
        "unticked": bool(unticked(version)),
        "not_replayed": not version.replays.filter(site=site, sha256=version.sha256).exists(),
        "editor": by.actor == version.drafted_by,
        "same_person": by in signatories(version, site, at=at),
    }
    return (*_of_the_text(criteria), *(code for code, stands in obstacles.items() if stands))


def signatories(version: CriteriaVersion, site: Site, *, at: datetime) -> list[User]:
    """The physicians of the site who stand behind the version there, whoever proposed it first."""
    subjects = [f"criteriaversion:{version.uid}", f"adoption:{_next_adoption(version, site)}"]
    signatures = (
        Signature.objects.filter(subject__in=subjects).select_related("user").order_by("recorded_at", "id")
    )
    people = dict.fromkeys(one.user for one in signatures)
    return [one for one in people if may(one, Deed.APPROVE_CRITERIA, site.pk, at=at)]


def adoption_of(version: CriteriaVersion, site: Site) -> Adoption | None:
    """The adoption by which the site works with this version now."""
    return version.adoptions.filter(site=site, until_at=None).first()


def approve(
    version: CriteriaVersion, site: Site, *, by: User, at: datetime, meaning: str = "approved"
) -> Adoption | None:
    """Sign; with the second person the site has adopted the version, and the one it worked with ends at that
    instant. None while a second person is wanted."""
    uid = _next_adoption(version, site)
    Signature.objects.create(subject=f"adoption:{uid}", user=by, meaning=meaning)
    if len(signatories(version, site, at=at)) < 2:
        return None
    _end_former(site, version.pathogen, at)
    if version.approved_at is None:
        version.approved_at = at
        version.save()
    return Adoption.objects.create(uid=uid, site=site, pathogen=version.pathogen, version=version, from_at=at)


def _end_former(site: Site, pathogen: str, at: datetime) -> None:
    former = Adoption.objects.filter(site=site, pathogen=pathogen, until_at=None).first()
    if former is None:
        return
    former.until_at = at
    former.save()
    version = CriteriaVersion.objects.select_for_update(of=("self",)).get(pk=former.version_id)
    if not version.adoptions.filter(until_at=None).exists():
        version.retired_at = at
        version.save()


def _next_adoption(version: CriteriaVersion, site: Site) -> uuid.UUID:
    """The uid of the adoption that two signatures will make, so that the first has something to stand under."""
    return uuid.uuid5(version.uid, f"{site.uid} {version.adoptions.filter(site=site).count()}")


def _of_the_text(criteria: Criteria) -> tuple[str, ...]:
    """What the text itself lacks, for proposal and approval alike."""
    obstacles = {"withdrawn": criteria.status == "withdrawn", "lacking": bool(criteria.lacking())}
    return tuple(code for code, stands in obstacles.items() if stands)


def _changed_since_proposal(version: CriteriaVersion) -> bool:
    """Compared with its own sum and with the sum that the history holds of the moment of the proposal."""
    proposed = version.history.filter(proposed_at__isnull=False).order_by("history_id").first()
    sums = {hashlib.sha256(version.text.encode()).hexdigest(), version.sha256}
    return bool(sums - {proposed.sha256 if proposed else version.sha256})
