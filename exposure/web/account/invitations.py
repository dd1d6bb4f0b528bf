"""Inviting, and coming in by an invitation: a password of one's own, and for a worker an account of their own."""

import uuid
from typing import Any

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
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_http_methods

from exposure.audit.access_log import note_look
from exposure.audit.models import AccessEntry
from exposure.people import invitations
from exposure.people.access import accounts, find, require_on
from exposure.people.models import Invitation, User, Worker
from exposure.people.passwords import set_password
from exposure.people.policy import Deed, View
from exposure.record import acting
from exposure.refusal import Conflict
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
    """A way in for a worker who has no account: by e-mail, or on a printed sheet with their number to ring."""
    workers = Worker.objects.select_related("site", "user")
    worker = find(request.user, workers.filter(uid=uid), View.CLINICAL, at=request.at)
    require_on(request.user, Deed.INVITE, worker, at=request.at)
    context: dict[str, Any] = {"name": worker.name, "email": worker.email, "shown": True, "worker": worker}
    context["back"] = reverse("person", args=[worker.uid])
    context["identity"] = bool(worker.number or worker.phone or worker.mobile)
    if request.method == "POST" and not worker.user_id and context["identity"]:
        secret, _row = invitations.invite(worker=worker, at=request.at)
        context |= _handed_out(request, secret, worker.email, paper=True)
    return render(request, "account/invite.html", context)


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


class BecomeForm(ComeInForm):
    """What a worker gives: who they are, and the name that they will sign in with."""

    answer = forms.CharField(max_length=40, widget=forms.TextInput(attrs={"autocomplete": "off"}))
    name = forms.CharField(
        label=gettext_lazy("Choose a name to sign in with"),
        max_length=User._meta.get_field("name").max_length,
        validators=User._meta.get_field("name").validators,
        widget=forms.TextInput(attrs={"autocomplete": "username", "autocapitalize": "none"}),
    )
    field_order = ["answer", "name", "password"]

    def __init__(self, *args: Any, worker: Worker, **kwargs: Any) -> None:
        super().__init__(*args, user=User(full_name=worker.name, email=worker.email or None), **kwargs)
        if invitations.asks_number(worker):
            self.fields["answer"].label = _("Your staff number")
        else:
            self.fields["answer"].label = _("The last four digits of your telephone number")

    def clean_name(self) -> str:
        name = self.cleaned_data["name"]
        if User.objects.filter(name__iexact=name).exists():
            raise ValidationError(_("Somebody has this name already. Choose another."))
        return name


@GET_POST
def come_in(request: HttpRequest, secret: str) -> HttpResponse:
    """The invitation's own page: what it asks, or that it works no longer and what to do then."""
    invitation = invitations.standing(secret, at=request.at)
    if invitation is None:
        return render(request, "account/invitation_over.html", status=410)
    worker = invitation.worker
    data = request.POST if request.method == "POST" else None
    form = BecomeForm(data, worker=worker) if worker else ComeInForm(data, user=invitation.user)
    if form.is_bound and form.is_valid() and (worker is None or _is_who(form, invitation, worker, request)):
        try:
            _come_in(form, invitation, request)
        except (Conflict, IntegrityError):
            return render(request, "account/invitation_over.html", status=410)
        messages.success(
            request, _("That is done. Sign in with your name and the password that you have chosen.")
        )
        return redirect("account_login")
    if invitation.ended_at:
        return render(request, "account/invitation_over.html", {"site": worker and worker.site}, status=410)
    context = {"form": form, "worker": worker, "site": worker and worker.site, "user_name": form.user.name}
    return render(request, "account/invitation.html", context)


def _is_who(form: ComeInForm, invitation: Invitation, worker: Worker, request: HttpRequest) -> bool:
    if invitations.is_who(worker, form.cleaned_data["answer"]):
        return True
    with acting("anonymous", f"{request.META.get('REMOTE_ADDR', '')} invitation", at=request.at):
        left = invitations.wrong_answer(invitation, at=request.at)
    words = _("That is not what we have on record. You can try %(count)s more times.") % {"count": left}
    form.add_error("answer", words)
    return False


def _come_in(form: ComeInForm, invitation: Invitation, request: HttpRequest) -> None:
    user = form.user
    with transaction.atomic():
        if invitation.worker_id:
            user.name = form.cleaned_data["name"]
            if user.email and User.objects.filter(email__iexact=user.email).exists():
                user.email = None
        set_password(user, form.cleaned_data["password"])
        user.save()
        invitations.use(invitation, user, at=request.at)
    with acting(user.actor, f"{request.META.get('REMOTE_ADDR', '')} invitation", at=request.at):
        note_look(user, AccessEntry.Kind.PASSWORD, "sign-in", at=request.at)
