"""How accounts come to be: an administrator makes them, nobody signs up."""

import math
from typing import Any

from allauth.account.adapter import DefaultAccountAdapter
from allauth.account.forms import ChangePasswordForm, LoginForm
from allauth.account.models import EmailAddress
from allauth.core.exceptions import ImmediateHttpResponse
from allauth.core.internal.ratelimit import get_ip
from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.translation import gettext_lazy as _

from exposure import clock
from exposure.people import passwords, tokens
from exposure.people.models import User
from exposure.web.account import known
from exposure.web.account.limits import seconds_left
from exposure.web.account.sessions import OWN_DEVICE


class Adapter(DefaultAccountAdapter):
    """allauth with sign-up closed."""

    def is_open_for_signup(self, request: HttpRequest) -> bool:
        return False

    def confirm_email(self, request: HttpRequest, email_address: EmailAddress) -> bool:
        """Not where somebody else's account has the address meanwhile."""
        others = User.objects.exclude(pk=email_address.user_id).filter(email__iexact=email_address.email)
        if others.exists():
            messages.error(request, _("This address cannot be used."))
            return False
        return super().confirm_email(request, email_address)

    def set_password(self, user: Any, password: str) -> None:
        passwords.set_password(user, password)
        user.save()

    def _get_login_attempts_cache_key(self, request: HttpRequest, **credentials: Any) -> str:
        """Wrong tries count per account and client: those made elsewhere lock nobody out here."""
        return f"{get_ip(request)} {super()._get_login_attempts_cache_key(request, **credentials)}"

    def get_client_ip(self, request: HttpRequest) -> str:
        """What limits count by: the client's address; while somebody signs in where they have before, the browser."""
        return getattr(request, "counted_as", None) or super().get_client_ip(request)

    def authenticate(self, request: HttpRequest, **credentials: Any) -> Any:
        names = [str(credentials[name]) for name in ("username", "email") if credentials.get(name)]
        request.counted_as = known.counted_as(request, names)
        try:
            return super().authenticate(request, **credentials)
        finally:
            request.counted_as = None

    def post_login(self, request: HttpRequest, user: Any, **more: Any) -> HttpResponse:
        response = super().post_login(request, user, **more)
        known.remember(request, response, user)
        return response

    def pre_authenticate(self, request: HttpRequest, **credentials: Any) -> None:
        """A limit that is reached is answered as every other: 429, and how long it still lasts."""
        try:
            super().pre_authenticate(request, **credentials)
        except forms.ValidationError as refused:
            key = self._get_login_attempts_cache_key(request, **credentials)
            raise ImmediateHttpResponse(too_many(request, key=key)) from refused


def too_many(request: HttpRequest, *, key: str | None = None) -> HttpResponse:
    """429: the page that says when to go on; `key` as `limits.seconds_left` takes it."""
    seconds = seconds_left(request, key=key)
    answer = render(request, "429.html", {"minutes": math.ceil(seconds / 60)}, status=429)
    answer["Retry-After"] = str(seconds)
    return answer


class NewPasswordForm(ChangePasswordForm):
    """Another password; keys to the interface go on working unless they are asked to end too."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["end_keys"] = forms.BooleanField(
            label=_("End my keys to the interface too"),
            help_text=_("Choose it where somebody else may have got hold of them."),
            required=False,
        )

    def save(self) -> None:
        super().save()
        if self.cleaned_data["end_keys"]:
            tokens.revoke(self.user, at=clock.now())


class SignInForm(LoginForm):
    """Signs in by name or e-mail, for longer on a device that nobody else uses."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["login"].label = _("Name or e-mail")
        self.fields["login"].widget.attrs |= {"autocomplete": "username", "placeholder": ""}
        self.fields["remember"].label = _("This is my own phone or computer")
        self.fields["remember"].help_text = _("You stay signed in there, unless your role is one at work.")

    def login(self, request: HttpRequest, redirect_url: str | None = None) -> HttpResponse:
        request.session[OWN_DEVICE] = self.cleaned_data["remember"]
        return super().login(request, redirect_url)
