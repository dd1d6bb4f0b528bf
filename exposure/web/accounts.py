"""How accounts come to be: an administrator makes them, nobody signs up."""

from allauth.account.adapter import DefaultAccountAdapter
from django.http import HttpRequest


class Adapter(DefaultAccountAdapter):
    """allauth with sign-up closed."""

    def is_open_for_signup(self, request: HttpRequest) -> bool:
        return False
