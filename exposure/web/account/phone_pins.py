"""Six digits on one's own phone: coming in by them, choosing them, and being asked for them again."""

from collections.abc import Callable
from functools import wraps
from typing import Any

from allauth.account import app_settings
from allauth.account.decorators import reauthentication_required
from allauth.account.utils import get_next_redirect_url
from allauth.core.exceptions import ReauthenticationRequired
from allauth.usersessions.models import UserSession
from django import forms
from django.contrib import messages
from django.contrib.auth import login
from django.contrib.auth.signals import user_login_failed
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.http import urlencode
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext
from django.views.decorators.http import require_http_methods, require_POST

from exposure.people import pins
from exposure.people.access import roles_of
from exposure.people.models import PhonePin, User
from exposure.web.account.own_phone import OPENED_BY, keep, secret_of
from exposure.web.account.sessions import OWN_DEVICE
from exposure.web.signed_in import signed_in

SAID = "pin_said_at"  # when the digits were last said in this session, in seconds
# What changes how an account opens: asked for again where nothing but the digits says who somebody is.
ASKED_AGAIN = tuple(f"/account/{page}/" for page in ("2fa", "email", "password", "mobile", "pin/new"))
ON_THIS_PHONE = gettext_lazy("On this phone they open your page. Five wrong tries in a row, and they do not.")
GET_POST = require_http_methods(["GET", "HEAD", "POST"])


def of_phone(request: HttpRequest) -> PhonePin | None:
    """What opens on this phone by six digits."""
    secret = secret_of(request)
    return pins.standing(secret, at=request.at) if secret else None


def asked_before(view: Callable[..., HttpResponse]) -> Callable[..., HttpResponse]:
    """A page on which digits are chosen: who somebody is, is asked first. Digits that come too late for that are typed
    once more: django-allauth would keep them in the session meanwhile."""
    asked = reauthentication_required(view)

    @wraps(view)
    def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        try:
            return asked(request, *args, **kwargs)
        except ReauthenticationRequired:
            if request.method != "POST":
                raise
            return redirect(request.path)

    return guarded


class PinField(forms.CharField):
    """Six digits, with the number pad."""

    def __init__(self, **kwargs: Any) -> None:
        attrs = {"inputmode": "numeric", "autocomplete": "off", "class": "digits"}
        super().__init__(max_length=12, widget=forms.TextInput(attrs=attrs), **kwargs)

    def to_python(self, value: Any) -> str:
        return "".join(super().to_python(value).split())


class NewPinField(PinField):
    """Six digits that somebody chooses."""

    def __init__(self, help_text: Any = ON_THIS_PHONE) -> None:
        super().__init__(label=gettext_lazy("Choose six digits"), help_text=help_text)

    def clean(self, value: Any) -> str:
        pin = super().clean(value)
        wrong = pins.why_not(pin)
        if wrong:
            raise forms.ValidationError(wrong)
        return pin


class PinForm(forms.Form):
    """The digits that open this phone."""

    pin = PinField(label=gettext_lazy("Your six digits"))


class NewPinForm(forms.Form):
    """Digits for this phone."""

    pin = NewPinField()


@GET_POST
def open_by_pin(request: HttpRequest) -> HttpResponse:
    """Comes in by the digits; or, signed in already, says once more who somebody is."""
    row = of_phone(request)
    if row is None or (request.user.is_authenticated and row.user != request.user):
        messages.warning(
            request,
            _("Six digits open nothing on this device. Occupational health lets you in again: ring them."),
        )
        return redirect("home" if request.user.is_authenticated else "account_login")
    form = PinForm(request.POST if request.method == "POST" else None)
    if form.is_bound and form.is_valid():
        if pins.opens(row, secret_of(request), form.cleaned_data["pin"], at=request.at):
            return _go_on(request, row)
        user_login_failed.send(__name__, credentials={"name": row.user.name}, request=request)
        left = pins.tries_left(row)
        if not left:
            return render(request, "account/pin_over.html", status=403)
        words = ngettext(
            "These are not the digits. You can try once more.",
            "These are not the digits. You can try %(count)s more times.",
            left,
        )
        form.add_error("pin", words % {"count": left})
    context = {"form": form, "next": get_next_redirect_url(request) or ""}
    return render(request, "account/pin.html", context)


def _go_on(request: HttpRequest, row: PhonePin) -> HttpResponse:
    if not request.user.is_authenticated:
        sign_in(request, row)
    request.session[SAID] = request.at.timestamp()
    response = redirect(get_next_redirect_url(request) or "home")
    keep(response, secret_of(request))
    return response


def sign_in(request: HttpRequest, row: PhonePin) -> None:
    """The holder is in, on a phone of their own. What they were sending when a session ended stays kept for them."""
    login(request, row.user)
    UserSession.objects.create_from_request(request)  # as for every sign-in that django-allauth sees itself
    request.session.update({OWN_DEVICE: True, OPENED_BY: row.pk, SAID: request.at.timestamp()})


@GET_POST
@signed_in
@asked_before
def new_pin(request: HttpRequest) -> HttpResponse:
    """Digits for the phone that somebody is signed in on; earlier ones of the same phone open nothing any more."""
    if roles_of(request.user, at=request.at):
        raise PermissionDenied
    form = NewPinForm(request.POST if request.method == "POST" else None)
    if not (form.is_bound and form.is_valid()):
        return render(request, "account/pin_new.html", {"form": form})
    earlier = of_phone(request)
    if earlier:
        pins.end(earlier, at=request.at)
    secret, row = pins.set_pin(request.user, form.cleaned_data["pin"], at=request.at)
    request.session.update({OWN_DEVICE: True, OPENED_BY: row.pk, SAID: request.at.timestamp()})
    messages.success(request, _("From now on your six digits open this phone."))
    response = redirect("sessions")
    keep(response, secret)
    return response


@require_POST
@signed_in
def end_pin(request: HttpRequest, uid: Any) -> HttpResponse:
    """That phone opens by digits no more."""
    row = PhonePin.objects.filter(user=request.user, uid=uid, ended_at=None).first()
    if row is None:
        raise Http404
    pins.end(row, at=request.at)
    messages.success(request, _("Six digits open nothing there any more."))
    return redirect("sessions")


def asked_again(request: HttpRequest) -> HttpResponse | None:
    """The digits once more, before somebody who has nothing else changes how their account opens."""
    user: User = request.user
    if not user.is_authenticated or not request.path.startswith(ASKED_AGAIN) or not pins.is_only_way(user):
        return None
    since = request.at.timestamp() - request.session.get(SAID, 0)
    if 0 <= since < app_settings.REAUTHENTICATION_TIMEOUT:
        return None
    return redirect(f"{reverse('open_by_pin')}?{urlencode({'next': request.path})}")
