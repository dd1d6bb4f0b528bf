"""Who calls: `Authorization: Bearer` with a key of `manage.py token`. Sessions are DRF's own, with CSRF."""

from django.utils.translation import gettext as _
from drf_spectacular.extensions import OpenApiAuthenticationExtension
from rest_framework.authentication import BaseAuthentication, get_authorization_header
from rest_framework.exceptions import AuthenticationFailed
from rest_framework.request import Request

from exposure.people import tokens
from exposure.people.models import ApiToken, User


class BearerToken(BaseAuthentication):
    """Answers 401 with a challenge for a key that does not work; another scheme is left to others."""

    def authenticate(self, request: Request) -> tuple[User, ApiToken] | None:
        scheme, _space, key = get_authorization_header(request).partition(b" ")
        if scheme.lower() != b"bearer":
            return None
        token = tokens.holder(key.strip(), at=request.at)
        if token is None:
            raise AuthenticationFailed(_("This token is unknown, expired or revoked."))
        token.user.acts_as = token.role
        return token.user, token

    def authenticate_header(self, request: Request) -> str:
        return 'Bearer realm="api"'


class BearerTokenInSchema(OpenApiAuthenticationExtension):
    target_class = BearerToken
    name = "bearerToken"

    def get_security_definition(self, auto_schema: object) -> dict[str, str]:
        return {"type": "http", "scheme": "bearer"}
