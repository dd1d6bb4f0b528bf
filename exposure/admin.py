"""Set-up by administrators: sites, stations, protocols, first aid, accounts and workers. Nothing clinical is here.

Each change asks why; it is recorded with that reason, the origin "admin" and the address it came from.
"""

from typing import Any

from allauth.account.internal.flows.reauthentication import is_reauthentication_required
from allauth.core.exceptions import ReauthenticationRequired
from django import forms
from django.contrib import admin
from django.core.exceptions import PermissionDenied
from django.db.models import Field, Model, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils.html import format_html
from django.utils.http import urlencode
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from exposure.followup import own_times, schedule
from exposure.followup.models import FollowUp
from exposure.people.access import accounts, administers_all, holds, visible
from exposure.people.models import Role, User, Worker, WorkerWindow
from exposure.people.policy import GIVEN_BY_TWO, PATHS, SEEING, View
from exposure.pipeline import turn
from exposure.places.models import (
    FailureType,
    FirstAidCard,
    Protocol,
    Site,
    SiteWindow,
    Station,
    StationProtocol,
    Step,
    StepFailure,
)
from exposure.record import acting


class SetUp(admin.AdminSite):
    site_title = site_header = index_title = gettext_lazy("Exposure follow-up: set-up")

    def has_permission(self, request: HttpRequest) -> bool:
        return holds(request.user, SEEING[View.SETUP], at=request.at)

    def login(self, request: HttpRequest, extra_context: dict[str, Any] | None = None) -> HttpResponse:
        """By the one page where everybody signs in; who is signed in and no administrator is refused."""
        if request.user.is_authenticated:
            raise PermissionDenied
        after = urlencode({"next": request.GET.get("next") or reverse("admin:index")})
        return redirect(f"{reverse('account_login')}?{after}")


setup = SetUp()


class ByPolicy:
    """Permissions and rows from the one policy; nothing is deleted unless a class says so."""

    def has_add_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:
        return setup.has_permission(request)

    has_view_permission = has_change_permission = has_module_permission = has_add_permission

    def has_delete_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:
        return False

    def get_queryset(self, request: HttpRequest) -> QuerySet:
        rows = super().get_queryset(request)
        listed = self.model.__name__ in PATHS
        return visible(request.user, rows, View.SETUP, at=request.at) if listed else rows

    def formfield_for_foreignkey(self, db_field: Field, request: HttpRequest, **options: Any) -> Any:
        if db_field.related_model is Site:
            options["queryset"] = visible(request.user, Site.objects.all(), View.SETUP, at=request.at)
            if not administers_all(request.user, at=request.at):
                options["required"] = True
        return super().formfield_for_foreignkey(db_field, request, **options)


class WhyForm(forms.ModelForm):
    why = forms.CharField(
        label=gettext_lazy("Why"), help_text=gettext_lazy("Stands in the history."), max_length=500
    )


class RecordedAdmin(ByPolicy, admin.ModelAdmin):
    form = WhyForm

    def lookup_allowed(self, lookup: str, value: Any, request: HttpRequest) -> bool:
        """The filters that the list offers, and no other way to ask what a row hides."""
        offered = {str(name) for name in self.list_filter}
        return lookup in offered | {f"{name}__{kind}" for name in offered for kind in ("exact", "id__exact")}

    actions = None
    save_on_top = False

    def changeform_view(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        origin = f"admin {request.META.get('REMOTE_ADDR', '')}".strip()
        with acting(request.user.actor, origin, request.POST.get("why", "").strip(), at=request.at):
            return super().changeform_view(request, *args, **kwargs)


class OfTheOrganisation:
    """What every site works with: whoever administers some sites only may read it."""

    def has_add_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:
        return super().has_add_permission(request, obj) and administers_all(request.user, at=request.at)

    def has_change_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:
        return super().has_change_permission(request, obj) and administers_all(request.user, at=request.at)


class Inline(ByPolicy, admin.TabularInline):
    extra = 0


class RemovableInline(Inline):
    def has_delete_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:
        return self.has_change_permission(request, obj)


class Windows(forms.BaseInlineFormSet):
    """Windows that a plan can be made of."""

    def clean(self) -> None:
        super().clean()
        if any(self.errors):
            return
        rows = [form for form in self.forms if form.cleaned_data and not form.cleaned_data.get("DELETE")]
        problem = own_times.problem_with([_window(form.cleaned_data) for form in rows])
        if problem is not None:
            _windows, index, field = problem.pointer.strip("/").split("/")
            rows[int(index)].add_error(field, problem.message)


def _window(values: dict[str, Any]) -> schedule.Window:
    return schedule.Window(values["name"], values["opens"], values["due"], values["closes"])


class WindowInline(RemovableInline):
    formset = Windows


class SiteWindowInline(WindowInline):
    model = SiteWindow


class WorkerWindowInline(WindowInline):
    model = WorkerWindow


class WithWindows(RecordedAdmin):
    """Where windows or zone change, the readings that have not opened are planned anew at once."""

    def save_related(self, request: HttpRequest, form: forms.ModelForm, formsets: Any, change: bool) -> None:
        super().save_related(request, form, formsets, change)
        if change and ("zone" in form.changed_data or any(formset.has_changed() for formset in formsets)):
            for key in self.follow_ups(form.instance).values_list("pk", flat=True):
                turn.replan_follow_up(follow_up_id=key, at=request.at)


class SiteForm(WhyForm):
    def clean(self) -> dict[str, Any]:
        values = super().clean()
        tested = values.get("phone_tested_at")
        if values.get("live_from") and not tested and "phone_tested_at" not in self.errors:
            self.add_error("live_from", _("Ring the 24-hour number first, and enter when it was tested."))
        changed = self.instance.pk and "phone" in self.changed_data
        if changed and tested and "phone_tested_at" not in self.changed_data:
            self.add_error("phone_tested_at", _("The number is another one now: enter when it was tested."))
        return values


@admin.register(Site, site=setup)
class SiteAdmin(WithWindows):
    form = SiteForm
    inlines = [SiteWindowInline]
    list_display = ["name", "code", "zone", "phone", "phone_tested_at", "live_from"]

    def has_add_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:
        return super().has_add_permission(request, obj) and administers_all(request.user, at=request.at)

    def follow_ups(self, site: Site) -> QuerySet[FollowUp]:
        return FollowUp.objects.filter(worker__site=site, ended_at=None)


class StationProtocolInline(RemovableInline):
    model = StationProtocol


@admin.register(Station, site=setup)
class StationAdmin(RecordedAdmin):
    inlines = [StationProtocolInline]
    list_display = ["name", "code", "site", "guided_by"]
    list_filter = ["site"]

    def get_queryset(self, request: HttpRequest) -> QuerySet[Station]:
        return super().get_queryset(request).prefetch_related("protocols")

    @admin.display(description=gettext_lazy("Protocols"))
    def guided_by(self, station: Station) -> str:
        titles = ", ".join(protocol.title for protocol in station.protocols.all())
        return titles or _("None: reports only, no removal is guided")


class StepInline(OfTheOrganisation, Inline):
    model = Step
    show_change_link = True


@admin.register(Protocol, site=setup)
class ProtocolAdmin(OfTheOrganisation, RecordedAdmin):
    inlines = [StepInline]
    list_display = ["title", "code"]


class StepFailureInline(OfTheOrganisation, RemovableInline):
    model = StepFailure


@admin.register(Step, site=setup)
class StepAdmin(OfTheOrganisation, RecordedAdmin):
    inlines = [StepFailureInline]
    list_display = ["protocol", "position", "item", "way_out"]
    list_filter = ["protocol"]


class Sentences(forms.CharField):
    """A list of sentences, typed one to a line."""

    widget = forms.Textarea

    def prepare_value(self, value: Any) -> Any:
        return "\n".join(value) if isinstance(value, list) else value

    def to_python(self, value: Any) -> list[str]:
        return [line.strip() for line in super().to_python(value).splitlines() if line.strip()]

    def has_changed(self, initial: Any, data: Any) -> bool:
        return self.to_python(data) != (initial or [])


class FirstAidForm(WhyForm):
    lines = Sentences(
        label=gettext_lazy("What to do"), help_text=gettext_lazy("One short sentence to a line.")
    )


@admin.register(FirstAidCard, site=setup)
class FirstAidAdmin(OfTheOrganisation, RecordedAdmin):
    form = FirstAidForm
    list_display = ["title", "code", "urgent", "emergency"]


class FailureForm(WhyForm):
    def clean_answers(self) -> dict[str, str]:
        """What the report reads: fact and answer, each a text."""
        answers = self.cleaned_data["answers"] or {}
        texts = isinstance(answers, dict) and all(isinstance(answer, str) for answer in answers.values())
        if not texts:
            raise forms.ValidationError(_('Write facts and answers, such as {"contact": "splash"}.'))
        return answers


@admin.register(FailureType, site=setup)
class FailureTypeAdmin(OfTheOrganisation, RecordedAdmin):
    form = FailureForm
    list_display = ["label", "code", "card", "group", "bloodborne"]
    exclude = ["through_skin"]


class AccountForm(WhyForm):
    """Whose account it is sets the password, by an invitation, and changes the address by themselves."""

    def clean_email(self) -> str | None:
        return self.cleaned_data["email"] or None

    def save(self, commit: bool = True) -> User:
        if not self.instance.pk:
            self.instance.set_unusable_password()
        return super().save(commit)


class Roles(forms.BaseInlineFormSet):
    """A role that is given by two waits for the second; so does one that is to last longer than was agreed."""

    asked_by: User  # who sends the form

    def save_new(self, form: forms.ModelForm, commit: bool = True) -> Role:
        self._ask(form.instance, None)
        return super().save_new(form, commit)

    def save_existing(self, form: forms.ModelForm, obj: Role, commit: bool = True) -> Role:
        self._ask(form.instance, Role.objects.get(pk=obj.pk))
        return super().save_existing(form, obj, commit)

    def _ask(self, role: Role, before: Role | None) -> None:
        if before is not None and _is_within(role, before):
            return
        role.waiting = role.kind in GIVEN_BY_TWO
        role.asked_by, role.confirmed_by = self.asked_by, None


def _is_within(role: Role, before: Role) -> bool:
    """Whether it gives no more than before: the same, or ended sooner."""
    if (role.kind, role.site_id) != (before.kind, before.site_id) or role.from_at < before.from_at:
        return False
    if before.until_at is None:
        return True
    return role.until_at is not None and role.until_at <= before.until_at


class RoleInline(Inline):
    """Nobody gives roles to themselves, or takes them."""

    model = Role
    fk_name = "user"
    formset = Roles
    fields = ["kind", "site", "from_at", "until_at", "waiting"]
    readonly_fields = ["waiting"]

    def has_add_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:
        return super().has_add_permission(request, obj) and obj != request.user

    def has_change_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:
        return super().has_change_permission(request, obj) and obj != request.user

    def get_formset(self, request: HttpRequest, obj: Model | None = None, **options: Any) -> Any:
        formset = super().get_formset(request, obj, **options)
        formset.asked_by = request.user
        return formset

    def formfield_for_dbfield(self, db_field: Field, request: HttpRequest, **options: Any) -> Any:
        if db_field.name == "from_at":
            options["initial"] = request.at
        return super().formfield_for_dbfield(db_field, request, **options)


@admin.register(User, site=setup)
class UserAdmin(RecordedAdmin):
    form = AccountForm
    fields = ["name", "full_name", "email", "is_active", "why", "way_in"]
    inlines = [RoleInline]
    list_display = ["full_name", "name", "email", "is_active"]
    list_filter = ["is_active"]
    search_fields = ["full_name", "name", "email"]

    def get_queryset(self, request: HttpRequest) -> QuerySet[User]:
        return accounts(request.user, super().get_queryset(request), at=request.at)

    def get_readonly_fields(self, request: HttpRequest, obj: User | None = None) -> list[str]:
        """An address that an account has is changed by its holder: it is a way in."""
        return ["way_in", "email"] if obj is not None and obj.email else ["way_in"]

    @admin.display(description=gettext_lazy("Way in"))
    def way_in(self, user: User) -> str:
        if not user.pk:
            return _("Save the account first, then invite its holder.")
        address = reverse("invite_account", args=[user.uid])
        return format_html('<a href="{}">{}</a>', address, _("Invite the holder, or give a new way in"))

    def changeform_view(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        """Roles are at stake: whoever opens it is asked who they are, if that is long ago."""
        if is_reauthentication_required(request, app="exposure"):
            raise ReauthenticationRequired
        return super().changeform_view(request, *args, **kwargs)


@admin.register(Worker, site=setup)
class WorkerAdmin(WithWindows):
    fields = ["site", "number", "name", "phone", "email", "employer", "left_on", "phone_only", "why"]
    inlines = [WorkerWindowInline]
    list_display = ["name", "number", "employer", "site"]
    list_filter = ["site"]
    search_fields = ["name", "number"]

    def follow_ups(self, worker: Worker) -> QuerySet[FollowUp]:
        return FollowUp.objects.filter(worker=worker, ended_at=None)
