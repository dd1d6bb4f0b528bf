"""The address of an account: the page is django-allauth's; the one it was made with counts as answered."""

from allauth.account.models import EmailAddress
from allauth.account.views import email
from django.http import HttpRequest, HttpResponse

from exposure.web.signed_in import signed_in


@signed_in
def change_address(request: HttpRequest) -> HttpResponse:
    """An account's own, and another, which is asked first whether it is its holder's."""
    user = request.user
    if user.email and not EmailAddress.objects.filter(user=user, verified=True).exists():
        EmailAddress.objects.update_or_create(
            user=user, email=user.email, defaults={"verified": True, "primary": True}
        )
    return email(request)
