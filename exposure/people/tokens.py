"""Keys to the API: made, shown once, looked up by their SHA-256, revoked."""

import hashlib
import secrets
from datetime import datetime, timedelta

from exposure.people.models import ApiToken, User

PREFIX = "exposure_"  # lets a secret scanner know one when it is committed by mistake


def issue(user: User, *, label: str, days: int, role: str = "", at: datetime) -> tuple[str, ApiToken]:
    """A new key and its row. The key is nowhere kept: this is the one moment to show it. `role`: the one kind of role
    that it carries; empty, all of them; `ApiToken.OWN`, none."""
    key = PREFIX + secrets.token_urlsafe(32)
    token = ApiToken.objects.create(
        user=user,
        label=label,
        role=role,
        sha256=_digest(key.encode()),
        created_at=at,
        expires_at=at + timedelta(days=days),
    )
    return key, token


def holder(key: bytes, *, at: datetime) -> ApiToken | None:
    """The token behind a key, with its account; None when it is unknown, expired, revoked or switched off."""
    standing = ApiToken.objects.filter(revoked_at=None, expires_at__gt=at, user__is_active=True)
    return standing.select_related("user").filter(sha256=_digest(key)).first()


def revoke(user: User, *, at: datetime) -> int:
    """Revoke every key of the account that still works. Returns how many."""
    standing = list(user.api_tokens.filter(revoked_at=None, expires_at__gt=at))
    for token in standing:
        end(token, at=at)
    return len(standing)


def end(token: ApiToken, *, at: datetime) -> None:
    """From now on it opens nothing. The first end stands."""
    if token.revoked_at is None:
        token.revoked_at = at
        token.save()


def _digest(key: bytes) -> str:
    # 256 random bits need no slow hash.
    return hashlib.sha256(key).hexdigest()
