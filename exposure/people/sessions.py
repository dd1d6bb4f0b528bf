"""Sign-ins that have run out."""

from datetime import datetime, timedelta

from django.contrib.sessions.models import Session

KEPT = timedelta(days=1)
AT_ONCE = 1000


def clear_expired_sessions(*, at: datetime) -> int:
    """Delete what has been expired for a day, at most AT_ONCE of it; how many went. Without any, one look is all."""
    keys = Session.objects.filter(expire_date__lte=at - KEPT).values_list("pk", flat=True)[:AT_ONCE]
    expired = list(keys)
    if not expired:
        return 0
    return Session.objects.filter(pk__in=expired).delete()[0]
