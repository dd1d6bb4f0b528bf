"""Inviting, and coming in by an invitation: a password of one's own, and for a worker an account of their own."""

import secrets
import uuid
from typing import Any

from allauth.usersessions.models import UserSession
from django import forms
from django.conf import settings
from django.contrib import messages
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.core.mail import EmailMessage
from django.db import IntegrityError, transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import translation
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext
from django.views.decorators.http import require_http_methods

from exposure.audit.access_log import note_look
from exposure.audit.models import AccessEntry
from exposure.people import invitations, pins
from exposure.people.access import accounts, find, require_on
from exposure.people.invitations import Asked
from exposure.people.models import Invitation, User, Worker
from exposure.people.passwords import set_password
from exposure.people.policy import Deed, View
from exposure.record import acting
from exposure.refusal import Conflict
from exposure.web.account import phone_pins
from exposure.web.account.sheet import svg
from exposure.web.signed_in import signed_in

GET_POST = require_http_methods(["GET", "HEAD", "POST"])


@GET_POST
@signed_in
def invite_account(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """A way in for an account's holder, by their e-mail; on paper only where the account opens nothing yet."""
    user = get_object_or_404(accounts(request.user, User.objects.all(), at=request.at), uid=uid)
    shown = invitations.may_be_shown(user, at=request.at)
    context: dict[str, Any] = {"name": user.full_name, "email": user.email, "shown": shown}
    context["back"] = reverse("admin:exposure_user_change", args=[user.pk])
    if request.method == "POST" and (user.email or shown):
        secret, _row = invitations.invite(user=user, at=request.at)
        note_look(user, AccessEntry.Kind.INVITED, "sign-in", at=request.at)
        context |= _handed_out(request, secret, user.email or "", paper=shown)
    return render(request, "account/invite.html", context)


@GET_POST
@signed_in
def invite_worker(request: HttpRequest, uid: uuid.UUID) -> HttpResponse:
    """A way in for a worker who has no account, or has lost the phone that alone opened it: by e-mail, or on a printed
    sheet with their number to ring."""
    workers = Worker.objects.select_related("site", "user")
    worker = find(request.user, workers.filter(uid=uid), View.CLINICAL, at=request.at)
    require_on(request.user, Deed.INVITE, worker, at=request.at)
    context: dict[str, Any] = {"name": worker.name, "email": worker.email, "shown": True, "worker": worker}
    context["back"] = reverse("person", args=[worker.uid])
    context |= (asked := _asked(worker))
    context["other_way"] = not invitations.may_be_invited(worker, at=request.at)
    context["earlier"] = earlier = invitations.newest_of(worker)
    context["state"] = earlier and invitations.state_of(earlier, at=request.at)
    if request.method == "POST" and not context["other_way"] and asked["asked"]:
        secret, _row = invitations.invite(worker=worker, at=request.at)
        if worker.user:
            note_look(worker.user, AccessEntry.Kind.INVITED, "sign-in", about=worker.uid, at=request.at)
        # In the language that they have chosen; of whom none is known, in all: they may share none with who prints it.
        context["sheet_languages"] = [worker.language] if worker.language else list(dict(settings.LANGUAGES))
        with translation.override(worker.language or None):
            context |= _handed_out(request, secret, worker.email, paper=True)
    return render(request, "account/invite.html", context)


def _asked(worker: Worker) -> dict[str, Any]:
    """What the invitation will ask of the worker, None where nothing is known that it could; what the site has chosen;
    and whether that is another thing."""
    asked, chosen = invitations.asked_of(worker), worker.site.identity
    return {"asked": asked, "chosen": chosen, "instead": asked not in (None, chosen)}


def _handed_out(request: HttpRequest, secret: str, email: str, *, paper: bool) -> dict[str, Any]:
    """What became of it: sent by e-mail if that was asked for and it left, else shown to be printed."""
    link = settings.SITE_URL + reverse("invitation", args=[secret])
    if email and (request.POST.get("by") != "paper" or not paper):
        try:
            _mail(email, link)
        except OSError:
            messages.error(request, _("The e-mail did not leave. Try again in a while."))
            return {"failed": True}
        return {"sent_to": email}
    return {"link": link, "qr": svg(link)}


def _mail(address: str, link: str) -> None:
    body = _("You can open your page with this link. It works once, and for three days:\n\n%(link)s\n")
    EmailMessage(_("Your way in"), body % {"link": link}, to=[address]).send()


class ComeInForm(forms.Form):
    """What the holder of an account gives: a password of their own."""

    password = forms.CharField(
        label=gettext_lazy("Choose a password"),
        help_text=gettext_lazy("At least 15 characters: four words that have nothing in common, for one."),
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
        strip=False,
        max_length=200,
    )

    def __init__(self, *args: Any, user: User, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.user = user

    def clean_password(self) -> str:
        password = self.cleaned_data["password"]
        validate_password(password, self.user)
        return password


class Unshown(forms.TextInput):
    """What was typed is not on the page that says that it was wrong."""

    def format_value(self, value: Any) -> None:
        return None


DIGITS = {"inputmode": "numeric", "class": "digits"}
QUESTIONS = {
    Asked.BIRTH_YEAR: (
        gettext_lazy("Your year of birth"),
        {**DIGITS, "autocomplete": "bday-year", "maxlength": 4},
    ),
    Asked.NUMBER: (gettext_lazy("Your staff number"), {}),
    Asked.PHONE: (gettext_lazy("The last four digits of your telephone number"), DIGITS),
}


class AnswerForm(forms.Form):
    """By what a worker shows who they are, as their site asks it; no field where it asks nothing."""

    answer = forms.CharField(max_length=40, widget=Unshown(attrs={"autocomplete": "off"}))

    def __init__(self, *args: Any, worker: Worker, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.asked = invitations.asked_of(worker)
        if self.asked not in QUESTIONS:
            del self.fields["answer"]
            return
        self.fields["answer"].label, attributes = QUESTIONS[self.asked]
        self.fields["answer"].widget.attrs |= attributes

    def clean_answer(self) -> str:
        answer = self.cleaned_data["answer"]
        if self.asked is Asked.BIRTH_YEAR and not (
            len(answer) == 4 and answer.isascii() and answer.isdigit()
        ):
            raise ValidationError(_("A year with four digits, such as 1984."))
        return answer


class PhoneForm(AnswerForm):
    """What a worker gives on their own phone: who they are, and the digits that will open it."""

    pin = phone_pins.NewPinField()
    with_password = False

    def __init__(self, *args: Any, worker: Worker, **kwargs: Any) -> None:
        super().__init__(*args, worker=worker, **kwargs)
        self.user = worker.user or _account_of(worker)


class BecomeForm(ComeInForm, AnswerForm):
    """What a worker gives who wants to sign in anywhere: who they are, a name and a password."""

    name = forms.CharField(
        label=gettext_lazy("Choose a name to sign in with"),
        max_length=User._meta.get_field("name").max_length,
        validators=User._meta.get_field("name").validators,
        widget=forms.TextInput(attrs={"autocomplete": "username", "autocapitalize": "none"}),
    )
    field_order = ["answer", "name", "password"]
    with_password = True

    def __init__(self, *args: Any, worker: Worker, **kwargs: Any) -> None:
        user = User(full_name=worker.name, email=worker.email or None)
        super().__init__(*args, user=user, worker=worker, **kwargs)

    def clean_name(self) -> str:
        name = self.cleaned_data["name"]
        if User.objects.filter(name__iexact=name).exists():
            raise ValidationError(_("Somebody has this name already. Choose another."))
        return name


def _account_of(worker: Worker) -> User:
    """An account that opens by digits alone; its name is for the history, and for a password that may come later."""
    user = User(name=f"worker-{secrets.token_hex(4)}", full_name=worker.name, email=worker.email or None)
    user.set_unusable_password()
    return user


def _form_of(request: HttpRequest, invitation: Invitation) -> ComeInForm | PhoneForm | BecomeForm:
    data = request.POST if request.method == "POST" else None
    worker = invitation.worker
    if worker is None:
        return ComeInForm(data, user=invitation.user)
    if "with" in request.GET and worker.user is None:
        return BecomeForm(data, worker=worker)
    return PhoneForm(data, worker=worker)


@GET_POST
def come_in(request: HttpRequest, secret: str) -> HttpResponse:
    """The invitation's own page: what it asks, or that it works no longer and what to do then."""
    invitation = invitations.behind(secret)
    if invitation is None or not invitations.is_open(invitation, at=request.at):
        return _over(request, invitation)
    worker = invitation.worker
    form = _form_of(request, invitation)
    if form.is_bound and form.is_valid() and (worker is None or _is_who(form, invitation, worker, request)):
        try:
            return _come_in(form, invitation, request)
        except (Conflict, IntegrityError):
            return _over(request, invitation)
    invitation.refresh_from_db(fields=["used_at", "ended_at", "locked_at", "wrong_answers"])
    if not invitations.is_open(invitation, at=request.at):
        return _over(request, invitation)
    context = {"form": form, "worker": worker, "site": worker and worker.site, "user_name": form.user.name}
    return render(request, "account/invitation.html", context)


def _is_who(form: forms.Form, invitation: Invitation, worker: Worker, request: HttpRequest) -> bool:
    with acting("anonymous", f"{request.META.get('REMOTE_ADDR', '')} invitation", at=request.at):
        if invitations.shows_who(invitation, form.cleaned_data.get("answer", ""), at=request.at):
            return True
    invitation.refresh_from_db(fields=["wrong_answers"])
    left = invitations.answers_left(invitation)
    words = ngettext(
        "That is not what we have on record. You can try once more.",
        "That is not what we have on record. You can try %(count)s more times.",
        left,
    )
    form.add_error("answer" if "answer" in form.fields else None, words % {"count": left})
    return False


def _over(request: HttpRequest, invitation: Invitation | None) -> HttpResponse:
    """What ended it, and what to do now, with the number of the worker's site where one is known."""
    context: dict[str, Any] = {}
    if invitation is not None:
        row = Invitation.objects.select_related("worker__site").get(pk=invitation.pk)
        context = {"site": row.worker and row.worker.site, "state": invitations.state_of(row, at=request.at)}
    return render(request, "account/invitation_over.html", context, status=410)


def _come_in(form: Any, invitation: Invitation, request: HttpRequest) -> HttpResponse:
    user = form.user
    by_phone = isinstance(form, PhoneForm)
    with transaction.atomic():
        if invitation.worker_id and not by_phone:
            user.name = form.cleaned_data["name"]
        if user.email and User.objects.exclude(pk=user.pk).filter(email__iexact=user.email).exists():
            user.email = None
        if not by_phone:
            set_password(user, form.cleaned_data["password"])
        if not (by_phone and user.pk):
            user.save()
        invitations.use(invitation, user, at=request.at)
        for session in UserSession.objects.filter(user=user):  # of a phone that was lost, say
            session.end()
        if by_phone:
            secret, row = pins.set_pin(user, form.cleaned_data["pin"], at=request.at)
    with acting(user.actor, f"{request.META.get('REMOTE_ADDR', '')} invitation", at=request.at):
        kind = AccessEntry.Kind.FACTOR if by_phone else AccessEntry.Kind.PASSWORD
        note_look(user, kind, "sign-in", at=request.at)
        if by_phone:
            phone_pins.sign_in(request, row)
            response = redirect("today")
            phone_pins.keep(response, secret)
            return response
    messages.success(
        request, _("That is done. Sign in with your name and the password that you have chosen.")
    )
    return redirect("account_login")
