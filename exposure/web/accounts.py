"""How accounts come to be: an administrator makes them, nobody signs up."""

from typing import Any

from allauth.account.adapter import DefaultAccountAdapter
from allauth.account.forms import LoginForm
from django.http import HttpRequest
from django.utils.translation import gettext_lazy as _


class Adapter(DefaultAccountAdapter):
    """allauth with sign-up closed."""

    def is_open_for_signup(self, request: HttpRequest) -> bool:
        return False


class SignInForm(LoginForm):
    """Signs in by name or e-mail."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["login"].label = _("Name or e-mail")
