"""Addresses. Pages live in exposure.web, the API in exposure.api, set-up in exposure.admin."""

from django.urls import include, path

from exposure.admin import setup
from exposure.web.account.addresses import change_address

urlpatterns = [
    path("admin/", setup.urls),
    path("account/email/", change_address),  # stands before the one of the same name below
    path("account/", include("allauth.account.urls")),
    path("account/2fa/", include("allauth.mfa.urls")),
    path("api/v1/", include("exposure.api.urls")),
    path("", include("exposure.web.urls")),
]

handler400 = "exposure.web.errors.bad_request"
handler403 = "exposure.web.errors.forbidden"
handler404 = "exposure.web.errors.not_found"
handler429 = "exposure.web.account.adapter.too_many"  # asked for by allauth
handler500 = "exposure.web.errors.broken"
