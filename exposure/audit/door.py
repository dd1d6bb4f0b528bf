"""What happens at the door, as entries of the access log: signed in and out, refused, password, second factor or
address changed."""

from typing import Any

from allauth.account import signals as account
from allauth.mfa import signals as mfa
from django.contrib.auth import signals as auth
from django.dispatch import receiver
from django.http import HttpRequest

from exposure.audit.access_log import note_look
from exposure.audit.models import AccessEntry
from exposure.people.models import User
from exposure.record import acting, current

Kind = AccessEntry.Kind


def _note(user: User | None, kind: str, request: HttpRequest | None) -> None:
    """Of a name that is no account there is nobody to note it for; without a request nobody stands at the door."""
    at = getattr(request, "at", None)
    if user is None or at is None:
        return
    context = current()
    # Who is refused need not be whose account it is.
    actor = context.actor if kind == Kind.REFUSED else user.actor
    with acting(actor, context.origin, at=at):
        note_look(user, kind, "sign-in", at=at)


@receiver(auth.user_logged_in)
def signed_in(sender: Any, request: HttpRequest, user: User, **more: Any) -> None:
    _note(user, Kind.SIGNED_IN, request)


@receiver(auth.user_logged_out)
def signed_out(sender: Any, request: HttpRequest, user: User | None, **more: Any) -> None:
    _note(user, Kind.SIGNED_OUT, request)


@receiver(auth.user_login_failed)
def refused(
    sender: Any, credentials: dict[str, Any], request: HttpRequest | None = None, **more: Any
) -> None:
    named = next(
        (str(credentials[name]) for name in ("username", "name", "login") if credentials.get(name)), ""
    )
    email = str(credentials.get("email") or "")
    user = User.objects.filter(name__iexact=named).first() if named else None
    if user is None and email:
        user = User.objects.filter(email__iexact=email).first()
    _note(user, Kind.REFUSED, request)


@receiver([account.password_changed, account.password_set, account.password_reset])
def password_set(sender: Any, request: HttpRequest, user: User, **more: Any) -> None:
    _note(user, Kind.PASSWORD, request)


@receiver([mfa.authenticator_added, mfa.authenticator_removed, mfa.authenticator_reset])
def factor_changed(sender: Any, request: HttpRequest, user: User, **more: Any) -> None:
    _note(user, Kind.FACTOR, request)


@receiver(mfa.authentication_failed)
def factor_refused(sender: Any, request: HttpRequest, user: User, **more: Any) -> None:
    _note(user, Kind.REFUSED, request)


@receiver(account.email_changed)
def address_changed(sender: Any, request: HttpRequest, user: User, **more: Any) -> None:
    _note(user, Kind.ADDRESS, request)
