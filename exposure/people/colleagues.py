"""Who works as nurse or physician at a site: to whom something can be handed over."""

from collections.abc import Collection
from datetime import datetime

from django.db.models import Q
from django.utils.translation import gettext as _

from exposure.people.models import Role, User
from exposure.people.policy import PAGED
from exposure.places.models import Site
from exposure.refusal import BadSubmission, Problem


def colleagues_at(sites: Collection[Site], *, at: datetime) -> dict[Site, list[User]]:
    """Site -> its nurses and physicians, by name. One statement."""
    roles = Role.objects.held(at=at).filter(
        Q(site__in=sites) | Q(site=None), kind__in=PAGED, user__is_active=True
    )
    found: dict[Site, dict[int, User]] = {site: {} for site in sites}
    for role in roles.select_related("user").order_by("user__full_name", "user_id"):
        for site in sites:
            if role.site_id in (None, site.pk):
                found[site][role.user_id] = role.user
    return {site: list(people.values()) for site, people in found.items()}


def colleague_named(said: str, site: Site, *, at: datetime) -> User:
    """The one whose account or whole name this is. Raises BadSubmission at /to, alike for whoever is not there and
    whoever has no role."""
    wanted = said.strip().casefold()
    people = colleagues_at([site], at=at)[site]
    by_account = [user for user in people if user.name.casefold() == wanted]
    found = by_account or [user for user in people if user.full_name.casefold() == wanted]
    if not wanted:
        raise BadSubmission(Problem("/to", _("Say to whom.")))
    if len(found) > 1:
        names = ", ".join(user.name for user in found)
        words = _("Several people are called so. Give the account: %(names)s.")
        raise BadSubmission(Problem("/to", words % {"names": names}))
    if not found:
        words = _("Nobody of this name works as nurse or physician at %(site)s.")
        raise BadSubmission(Problem("/to", words % {"site": site.name}))
    return found[0]
