"""Set-up by administrators: sites, stations, protocols, first aid, accounts and workers. Nothing clinical is here.

Each change asks why; it is recorded with that reason, the origin "admin" and the address it came from.
"""

from typing import Any

from django import forms
from django.contrib import admin
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import PermissionDenied, ValidationError
from django.db.models import Field, Model, Q, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils.http import urlencode
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from exposure.followup import own_times, schedule
from exposure.followup.models import FollowUp
from exposure.people.access import holds, roles_of, visible
from exposure.people.models import Role, User, Worker, WorkerWindow
from exposure.people.policy import PATHS, SEEING, View
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


def administers_all(request: HttpRequest) -> bool:
    """Whether the administrator's role is bound to no site."""
    roles = roles_of(request.user, at=request.at)
    return any(role.kind in SEEING[View.SETUP] and role.site_id is None for role in roles)


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
            if not administers_all(request):
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
        return super().has_add_permission(request, obj) and administers_all(request)

    def has_change_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:
        return super().has_change_permission(request, obj) and administers_all(request)


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
        return super().has_add_permission(request, obj) and administers_all(request)

    def follow_ups(self, site: Site) -> QuerySet[FollowUp]:
        return FollowUp.objects.filter(worker__site=site, ended_at=None)


class StationProtocolInline(RemovableInline):
    model = StationProtocol


@admin.register(Station, site=setup)
class StationAdmin(RecordedAdmin):
    inlines = [StationProtocolInline]
    list_display = ["name", "code", "site"]
    list_filter = ["site"]


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
    list_display = ["protocol", "position", "item"]
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


@admin.register(FailureType, site=setup)
class FailureTypeAdmin(OfTheOrganisation, RecordedAdmin):
    list_display = ["label", "code", "card", "bloodborne"]
    exclude = ["through_skin"]


class AccountForm(WhyForm):
    new_password = forms.CharField(
        label=gettext_lazy("New password"),
        help_text=gettext_lazy("At least 15 characters. Left empty, the password stays as it is."),
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
        strip=False,
        required=False,
    )

    def clean_email(self) -> str | None:
        return self.cleaned_data["email"] or None

    def _post_clean(self) -> None:
        super()._post_clean()
        password = self.cleaned_data.get("new_password")
        try:
            if password:
                validate_password(password, self.instance)
        except ValidationError as refusal:
            self.add_error("new_password", refusal)

    def save(self, commit: bool = True) -> User:
        password = self.cleaned_data["new_password"]
        if password:
            self.instance.set_password(password)
        elif not self.instance.pk:
            self.instance.set_unusable_password()
        return super().save(commit)


class RoleInline(Inline):
    """Nobody gives roles to themselves, or takes them."""

    model = Role
    fields = ["kind", "site", "from_at", "until_at"]

    def has_add_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:
        return super().has_add_permission(request, obj) and obj != request.user

    def has_change_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:
        return super().has_change_permission(request, obj) and obj != request.user

    def formfield_for_dbfield(self, db_field: Field, request: HttpRequest, **options: Any) -> Any:
        if db_field.name == "from_at":
            options["initial"] = request.at
        return super().formfield_for_dbfield(db_field, request, **options)


@admin.register(User, site=setup)
class UserAdmin(RecordedAdmin):
    form = AccountForm
    fields = ["name", "full_name", "email", "is_active", "new_password", "why"]
    inlines = [RoleInline]
    list_display = ["full_name", "name", "email", "is_active"]
    list_filter = ["is_active"]
    search_fields = ["full_name", "name", "email"]

    def get_queryset(self, request: HttpRequest) -> QuerySet[User]:
        """Whoever administers some sites only does not reach accounts that have a role elsewhere."""
        users = super().get_queryset(request)
        if administers_all(request):
            return users
        sites = visible(request.user, Site.objects.all(), View.SETUP, at=request.at)
        return users.exclude(roles__in=Role.objects.filter(Q(site=None) | ~Q(site__in=sites)))


@admin.register(Worker, site=setup)
class WorkerAdmin(WithWindows):
    fields = ["site", "user", "number", "name", "phone", "email", "employer", "phone_only", "why"]
    inlines = [WorkerWindowInline]
    list_display = ["name", "number", "employer", "site"]
    list_filter = ["site"]
    search_fields = ["name", "number"]
    autocomplete_fields = ["user"]

    def follow_ups(self, worker: Worker) -> QuerySet[FollowUp]:
        return FollowUp.objects.filter(worker=worker, ended_at=None)
