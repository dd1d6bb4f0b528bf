"""Where a criteria version stands, in words: its state, who wrote and signed it, what is in the way."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from django.utils.translation import gettext_lazy as _

from exposure.classify import versions
from exposure.classify.models import Adoption, CriteriaVersion, Replay
from exposure.people.access import roles_of
from exposure.people.models import Role, User
from exposure.places.models import Site

OBSTACLES = {
    "not_proposed": _("It is a draft: it must be proposed first."),
    "proposed": _("It is proposed: its text stands as it is. Start a new draft from it."),
    "abandoned": _("It is abandoned: nobody goes on with it. Start a new draft from it."),
    "retired": _("It is retired: no site works with it any more. Start a new draft from it."),
    "malformed": _("Its text cannot be read."),
    "entangled": _("Its rules are too entangled to be proved: name fewer facts in each, or split the facts."),
    "text_changed": _("Its text is not the one that was proposed. It must not be used."),
    "withdrawn": _("This guidance is withdrawn: it serves comparison only."),
    "lacking": _("Something must still be written before it can be approved."),
    "gap": _("For some answers no rule holds. This cannot be accepted."),
    "not_monotone": _("A later answer can lower the tier, and the file does not accept that."),
    "unticked": _("A row from memory has not been compared with its source."),
    "not_replayed": _("Nobody has looked yet at whom it would move at this site."),
    "editor": _("You wrote this text: somebody else must approve it."),
    "same_person": _("You have signed already: the other signature must be somebody else's."),
}


def state_of(version: CriteriaVersion) -> str:
    """Draft, abandoned, proposed, approved or retired."""
    if version.retired_at is not None and version.proposed_at is None:
        return str(_("abandoned draft"))
    if version.retired_at is not None:
        return str(_("retired"))
    if version.approved_at is not None:
        return str(_("approved"))
    return str(_("proposed") if version.proposed_at is not None else _("draft"))


def names_of(actors: Iterable[str]) -> dict[str, str]:
    """Actor -> the name of the account, or for what no person did what did it."""
    wanted = set(actors)
    accounts = User.objects.by_actor(wanted)
    return {actor: str(accounts.get(actor, _("came with the service"))) for actor in wanted}


def sites_of(user: User, *, at: datetime) -> list[Site]:
    """The sites at which the account is a physician, in the order in which it became one."""
    held = [role.site for role in roles_of(user, at=at) if role.kind == Role.Kind.PHYSICIAN]
    return list(Site.objects.all()) if None in held else list(dict.fromkeys(held))


@dataclass(frozen=True)
class SiteStanding:
    """A version at one site: the adoption in force, who has signed, the newest replay of this very text."""

    site: Site
    adoption: Adoption | None
    signed: list[User]
    replay: Replay | None
    obstacles: list[str]

    @property
    def moved(self) -> int:
        """How many reports the newest replay would move."""
        return sum(move["count"] for move in self.replay.moves) if self.replay else 0


def at_site(version: CriteriaVersion, site: Site, user: User, *, at: datetime) -> SiteStanding:
    """The version as this physician finds it at the site."""
    obstacles = versions.obstacles_to_approval(version, site, by=user, at=at)
    return SiteStanding(
        site,
        versions.adoption_of(version, site),
        versions.signatories(version, site, at=at),
        version.replays.filter(site=site, sha256=version.sha256).last(),
        [str(OBSTACLES[code]) for code in obstacles],
    )
