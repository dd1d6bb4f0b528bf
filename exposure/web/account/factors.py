"""Second factors: whose account needs one, and how they are kept. The pages are django-allauth's, in our words."""

import base64
from datetime import datetime
from typing import Any

from allauth.core import context
from allauth.mfa.adapter import DefaultMFAAdapter
from allauth.mfa.models import Authenticator
from allauth.mfa.utils import is_mfa_enabled
from allauth.mfa.webauthn.forms import AddWebAuthnForm
from cryptography.fernet import Fernet, MultiFernet
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from django.conf import settings
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils.encoding import force_bytes
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from exposure.people.access import holds
from exposure.people.models import User
from exposure.people.policy import TWO_FACTORS
from exposure.web import errors
from exposure.web.account.sheet import svg

# Where somebody can go who has no second factor yet and needs one; and whose password is too short to stand alone.
OPEN = (
    "/account/2fa/",
    "/account/reauthenticate/",
    "/account/logout/",
    "/account/password/change/",
    "/account/session/",
    "/static/",
    "/violations",
    "/app.webmanifest",
)


class AddKeyForm(AddWebAuthnForm):
    """In our words; a passkey unless somebody says otherwise."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["name"].label = _("A name, so that you know it again")
        self.fields["passwordless"].label = _("Sign in with it alone")
        self.fields["passwordless"].help_text = _(
            "No password is asked then. Not every older security key can."
        )
        self.fields["passwordless"].initial = True


class Adapter(DefaultMFAAdapter):
    """Secrets of one-time codes are kept sealed; the last factor stays where it is needed."""

    error_messages = {
        **DefaultMFAAdapter.error_messages,
        "cannot_delete_authenticator": gettext_lazy(
            "The last one is needed, by your role or because your password is short. Add another first."
        ),
    }

    def encrypt(self, text: str) -> str:
        return _sealer().encrypt(text.encode()).decode()

    def decrypt(self, encrypted_text: str) -> str:
        return _sealer().decrypt(encrypted_text.encode()).decode()

    def generate_authenticator_name(self, user: Any, type: Authenticator.Type) -> str:
        count = Authenticator.objects.filter(user=user, type=type).count()
        return _("My phone or computer") if not count else _("Key %(number)s") % {"number": count + 1}

    def build_totp_svg(self, url: str) -> str:
        return svg(url)

    def can_delete_authenticator(self, authenticator: Authenticator) -> bool:
        others = Authenticator.objects.filter(user=authenticator.user).exclude(pk=authenticator.pk)
        is_last = not others.exclude(type=Authenticator.Type.RECOVERY_CODES).exists()
        return not (is_last and self._is_needed(authenticator.user))

    def _is_needed(self, user: Any) -> bool:
        return not user.password_alone or needs_two(user, at=context.request.at)

    def get_totp_label(self, user: Any) -> str:
        return user.name

    _get_user_identifier = get_totp_label

    def _get_site_name(self) -> str:
        return _("Follow-up")  # a phone lists it: as the title of a page, it says to nobody why


def _sealer() -> MultiFernet:
    """By keys derived from SECRET_KEY, and from those before it (RFC 5869)."""
    secrets = [settings.SECRET_KEY, *settings.SECRET_KEY_FALLBACKS]
    return MultiFernet([Fernet(_derived(secret)) for secret in secrets])


def _derived(secret: str) -> bytes:
    key = HKDF(SHA256(), 32, salt=None, info=b"secrets of second factors").derive(force_bytes(secret))
    return base64.urlsafe_b64encode(key)


def needs_two(user: User, *, at: datetime) -> bool:
    """Whether the account holds a role that asks for a second factor."""
    return settings.SECOND_FACTOR_REQUIRED and holds(user, TWO_FACTORS, at=at)


def asked_first(request: HttpRequest) -> HttpResponse | None:
    """What stands before every other page of somebody who has yet to set up a second factor, or a longer password."""
    user = request.user
    if not user.is_authenticated or request.path.startswith(OPEN):
        return None
    needed = needs_two(user, at=request.at)
    if user.password_alone and not needed:
        return None
    if is_mfa_enabled(user, [Authenticator.Type.TOTP, Authenticator.Type.WEBAUTHN]):
        return None
    if errors.for_program(request):
        return errors.not_before(_("Set up a second factor on your account page first."))
    if needed:
        messages.warning(
            request, _("Your role opens other people's records: add a second way to prove who you are.")
        )
        return redirect("mfa_index")
    messages.warning(request, _("Without a second factor your password is too short: choose a longer one."))
    return redirect("account_change_password")
