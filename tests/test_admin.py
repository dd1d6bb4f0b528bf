"""Set-up: who may, what may be saved, and that each way of changing something names who, from where, why and when."""

from datetime import timedelta
from io import StringIO

import pytest
from django import forms
from django.apps import apps
from django.core.cache import cache
from django.core.management import CommandError, call_command
from django.urls import reverse

from exposure import admin as set_up
from exposure.audit.live import unlike_their_versions
from exposure.people import access
from exposure.people.models import Role, User, Worker
from exposure.pipeline import report
from exposure.places.models import FirstAidCard, Site, SiteWindow, Step
from tests.cast import MONDAY, PASSWORD, doing

pytestmark = [pytest.mark.database, pytest.mark.django_db]

NOW = MONDAY + timedelta(hours=3)
CLINICAL = {
    "Breach",
    "Assessment",
    "FollowUp",
    "Exposure",
    "Reading",
    "Alert",
    "Promise",
    "Call",
    "Case",
    "Clearance",
}


@pytest.fixture
def everywhere(cast):
    """Alf administers all sites."""
    role = Role.objects.get(user=cast.administrator)
    role.site = None
    with doing("command:tests"):
        role.save()
    return cast.administrator


@pytest.fixture
def browser(client, cast, standing_clock):
    """Alf's browser, at NOW; he has said his password once more."""
    standing_clock(NOW)
    cache.clear()  # who says their password once more may do so ten times a minute
    client.force_login(cast.administrator)
    client.post("/account/reauthenticate/", {"password": PASSWORD})
    return client


def change_page(row):
    return reverse(f"admin:exposure_{row._meta.model_name}_change", args=[row.pk])


def filled(page, **changes):
    """The form of a page as it stands, sent back with changes: what a browser would post."""
    form = page.context["adminform"].form
    fields = {form.add_prefix(name): form[name].value() for name in form.fields}
    for inline in page.context["inline_admin_formsets"]:
        management = inline.formset.management_form
        fields |= {management.add_prefix(name): management[name].value() for name in management.fields}
        for row in inline.formset.initial_forms:
            fields |= {row.add_prefix(name): row[name].value() for name in row.fields}
    sent = {}
    for name, value in fields.items():
        if value is None or value is False:
            continue
        if hasattr(value, "hour") and hasattr(value, "date"):
            sent[f"{name}_0"], sent[f"{name}_1"] = value.strftime("%Y-%m-%d"), value.strftime("%H:%M:%S")
        else:
            sent[name] = value
    return {**sent, **changes}


@pytest.mark.parametrize("model", set_up.setup._registry, ids=lambda model: model.__name__)
def test_whatever_is_changed_in_the_set_up_leaves_a_version_with_who_and_why(
    browser, cast, everywhere, model
):
    row = model._base_manager.order_by("pk").last()
    page = browser.get(change_page(row))
    form = page.context["adminform"].form
    texts = [name for name, field in form.fields.items() if type(field) is forms.CharField]
    text = next((name for name in texts if name not in ("why", "name", "code")), "name")
    versions = row.history.count()
    answer = browser.post(change_page(row), filled(page, **{text: "Something else", "why": "Tried out."}))
    assert answer.status_code == 302, answer.context["errors"]
    newest = row.history.order_by("history_id").last()
    assert row.history.count() == versions + 1
    assert (newest.history_user_id, newest.history_change_reason) == (cast.administrator.actor, "Tried out.")
    assert getattr(newest, text) == "Something else"
    assert list(unlike_their_versions()) == []


def test_every_role_but_the_administrators_is_refused(client, cast, standing_clock):
    standing_clock(NOW)
    for user in (cast.nurse, cast.physician, cast.lead, cast.auditor, cast.observer, cast.worker.user):
        client.force_login(user)
        assert client.get("/admin/", follow=True).status_code == 403, user
        assert client.get(change_page(cast.site), follow=True).status_code == 403, user


def test_without_a_session_one_signs_in_where_everybody_does(client, db):
    answer = client.get("/admin/exposure/site/", follow=True)
    assert answer.redirect_chain[-1][0] == "/account/login/?next=%2Fadmin%2Fexposure%2Fsite%2F"


def test_an_administrator_whose_role_has_ended_is_refused(client, cast, standing_clock):
    role = Role.objects.get(user=cast.administrator)
    role.until_at = NOW
    with doing("command:tests"):
        role.save()
    standing_clock(NOW)
    client.force_login(cast.administrator)
    assert client.get("/admin/", follow=True).status_code == 403


def test_nothing_clinical_is_there():
    registered = {model.__name__ for model in set_up.setup._registry}
    assert registered == {
        "Site", "Station", "Protocol", "Step", "FirstAidCard", "FailureType", "User", "Worker",
    }  # fmt: skip
    assert not registered & CLINICAL


def test_every_page_opens_under_its_own_title(browser, everywhere, cast):
    pages = ["/admin/"]
    for model in set_up.setup._registry:
        pages.append(reverse(f"admin:exposure_{model._meta.model_name}_changelist"))
        pages.append(reverse(f"admin:exposure_{model._meta.model_name}_add"))
        pages.append(change_page(model._default_manager.first()))
    for page in pages:
        answer = browser.get(page)
        assert answer.status_code == 200, page
        assert "Exposure follow-up: set-up" in answer.content.decode()


def test_a_change_is_recorded_with_actor_origin_reason_and_instant(browser, cast):
    page = browser.get(change_page(cast.station))
    answer = browser.post(change_page(cast.station), filled(page, name="Heron East", why="the ward moved"))
    assert answer.status_code == 302
    version = cast.station.history.latest()
    assert version.name == "Heron East"
    assert version.history_user_id == cast.administrator.actor
    assert version.origin == "admin 127.0.0.1"
    assert version.history_change_reason == "the ward moved"
    assert version.history_date == NOW


def test_a_change_without_a_reason_is_not_saved(browser, cast):
    page = browser.get(change_page(cast.station))
    answer = browser.post(change_page(cast.station), filled(page, name="Heron East"))
    assert answer.status_code == 200
    assert "why" in answer.context["adminform"].form.errors
    assert cast.station.history.count() == 1


def test_nothing_is_deleted_in_bulk_or_by_its_page(browser, cast):
    listed = browser.get("/admin/exposure/station/").content.decode()
    assert "delete_selected" not in listed
    browser.post(
        "/admin/exposure/station/", {"action": "delete_selected", "_selected_action": [cast.station.pk]}
    )
    address = reverse("admin:exposure_station_delete", args=[cast.station.pk])
    assert browser.post(address, {"post": "yes"}).status_code == 403
    assert type(cast.station).objects.filter(pk=cast.station.pk).exists()


def window(name="morning", opens="06:00", due="08:00", closes="10:00", index=0):
    return {
        "windows-TOTAL_FORMS": str(index + 1),
        f"windows-{index}-name": name,
        f"windows-{index}-opens": opens,
        f"windows-{index}-due": due,
        f"windows-{index}-closes": closes,
    }


def save_site(browser, site, **changes):
    address = change_page(site)
    return browser.post(address, {**filled(browser.get(address)), "why": "tests", **changes})


def test_a_window_is_saved_with_its_site(browser, cast):
    assert save_site(browser, cast.site, **window()).status_code == 302
    row = cast.site.windows.get()
    assert (row.name, row.history.get().origin) == ("morning", "admin 127.0.0.1")


@pytest.mark.parametrize(
    ("times", "field", "words"),
    [
        ({"due": "11:00"}, "due", "Choose a time from 06:00 to 10:00"),
        ({"opens": "10:00", "due": "10:00"}, "closes", "Let it close later"),
    ],
)
def test_a_window_that_cannot_be_is_refused_at_its_field(times, field, words, browser, cast):
    answer = save_site(browser, cast.site, **window(**times))
    assert answer.status_code == 200
    [inline] = answer.context["inline_admin_formsets"]
    assert words in str(inline.formset.forms[0].errors[field])
    assert not SiteWindow.objects.exists()


def test_windows_that_overlap_are_refused_and_it_is_said_which(browser, cast):
    two = {**window(), **window("noon", "09:00", "15:00", "16:00", index=1)}
    answer = save_site(browser, cast.site, **two)
    [inline] = answer.context["inline_admin_formsets"]
    assert "Let it close by 09:00" in str(inline.formset.forms[0].errors["closes"])
    assert not SiteWindow.objects.exists()


def test_readings_due_too_close_to_each_other_are_refused(browser, cast):
    two = {**window(), **window("noon", "10:00", "13:59", "16:00", index=1)}
    answer = save_site(browser, cast.site, **two)
    assert "less than 6 hours later" in answer.content.decode()
    assert not SiteWindow.objects.exists()


def test_other_windows_move_the_readings_that_have_not_opened(browser, cast):
    with doing(cast.observer):
        report.report_breach(body=cast.body(), reporter=cast.observer, at=MONDAY)
    follow_up = cast.worker.follow_ups.get()
    assert save_site(browser, cast.site, **window("noon", "12:00", "13:00", "14:00")).status_code == 302
    standing = follow_up.checks.filter(withdrawn_at=None, opens_at__gt=NOW)
    assert {check.window for check in standing} == {"noon"}


def test_a_site_without_a_tested_number_cannot_go_live(browser, cast):
    answer = save_site(browser, cast.site, phone_tested_at_0="", phone_tested_at_1="")
    errors = answer.context["adminform"].form.errors
    assert errors["live_from"] == ["Ring the 24-hour number first, and enter when it was tested."]
    assert list(errors) == ["live_from"]


def test_a_new_number_must_be_tested_again(browser, cast):
    answer = save_site(browser, cast.site, phone="+351 900 000 999")
    assert "phone_tested_at" in answer.context["adminform"].form.errors
    tested = {"phone_tested_at_0": "2026-03-02", "phone_tested_at_1": "11:00:00"}
    assert save_site(browser, cast.site, phone="+351 900 000 999", **tested).status_code == 302
    assert Site.objects.get(pk=cast.site.pk).phone == "+351 900 000 999"


def test_first_aid_is_typed_one_sentence_to_a_line(browser, everywhere, cast):
    card = FirstAidCard.objects.first()
    page = browser.get(change_page(card))
    assert page.context["adminform"].form["lines"].value() == "\n".join(card.lines)
    browser.post(change_page(card), filled(page, lines="Stop.\r\n\r\n Wash. ", why="shorter"))
    card.refresh_from_db()
    assert card.lines == ["Stop.", "Wash."]


def new_account(**changes):
    return {
        "name": "nell",
        "full_name": "Nell Reed",
        "email": "",
        "is_active": "on",
        "why": "a new nurse",
        "roles-TOTAL_FORMS": "1",
        "roles-INITIAL_FORMS": "0",
        "roles-0-kind": "nurse",
        "roles-0-from_at_0": "2026-03-02",
        "roles-0-from_at_1": "12:00:00",
        **changes,
    }


def test_an_account_is_made_without_a_password_and_its_role_waits(browser, cast):
    answer = browser.post("/admin/exposure/user/add/", new_account(**{"roles-0-site": cast.site.pk}))
    assert answer.status_code == 302
    user = User.objects.get(name="nell")
    role = user.roles.get()
    assert (role.site, user.email) == (cast.site, None)
    assert not user.has_usable_password()
    assert (role.waiting, role.asked_by) == (True, cast.administrator)
    assert not access.holds(user, {Role.Kind.NURSE}, at=NOW)
    assert user.history.get().history_change_reason == "a new nurse"


def test_an_observers_role_is_in_force_at_once(browser, cast):
    browser.post(
        "/admin/exposure/user/add/", new_account(**{"roles-0-site": cast.site.pk, "roles-0-kind": "observer"})
    )
    assert access.holds(User.objects.get(name="nell"), {Role.Kind.OBSERVER}, at=NOW)


SHORTER, LONGER = NOW + timedelta(days=1), NOW + timedelta(days=9)


@pytest.mark.parametrize(
    ("before", "after", "waits"),
    [
        (None, SHORTER, False),
        (LONGER, SHORTER, False),
        (SHORTER, LONGER, True),
        (SHORTER, None, True),
    ],
)
def test_a_role_that_is_to_last_longer_waits_again_and_one_that_ends_does_not(
    browser, cast, before, after, waits
):
    role = Role.objects.get(user=cast.nurse)
    role.until_at = before
    with doing("command:tests"):
        role.save()
    page = browser.get(change_page(cast.nurse))
    sent = filled(page, why="agreed")
    sent.pop("roles-0-until_at_0", None)
    sent.pop("roles-0-until_at_1", None)
    if after is not None:
        sent |= {"roles-0-until_at_0": f"{after:%Y-%m-%d}", "roles-0-until_at_1": f"{after:%H:%M:%S}"}
    assert browser.post(change_page(cast.nurse), sent).status_code == 302
    role.refresh_from_db()
    assert (role.until_at, role.waiting) == (after, waits)


def test_the_form_of_an_account_asks_first_who_sends_it(client, cast, standing_clock):
    standing_clock(NOW)
    client.force_login(cast.administrator)
    for answer in (client.get(change_page(cast.nurse)), client.post(change_page(cast.nurse), {"why": "x"})):
        assert answer.status_code == 302
        assert answer["Location"].startswith("/account/reauthenticate/")


def test_an_address_is_changed_by_its_holder_only(browser, cast):
    with doing("command:tests"):
        cast.nurse.email = "nora@saltmarsh.example"
        cast.nurse.save()
    page = browser.get(change_page(cast.nurse))
    assert "email" not in page.context["adminform"].form.fields
    browser.post(change_page(cast.nurse), filled(page, email="mine@elsewhere.example", why="x"))
    cast.nurse.refresh_from_db()
    assert cast.nurse.email == "nora@saltmarsh.example"


def test_no_form_of_set_up_links_a_worker_to_an_account(browser, cast):
    form = browser.get(change_page(cast.worker)).context["adminform"].form
    assert "user" not in form.fields
    browser.post(
        change_page(cast.worker),
        filled(browser.get(change_page(cast.worker)), user=cast.nurse.pk, why="x"),
    )
    cast.worker.refresh_from_db()
    assert cast.worker.user != cast.nurse


def test_the_administrator_of_a_site_gives_no_role_everywhere(browser, cast):
    answer = browser.post("/admin/exposure/user/add/", new_account())
    [inline] = answer.context["inline_admin_formsets"]
    assert "site" in inline.formset.forms[0].errors
    answer = browser.post("/admin/exposure/user/add/", new_account(**{"roles-0-site": cast.other_site.pk}))
    assert answer.status_code == 200
    assert not User.objects.filter(name="nell").exists()


def test_the_administrator_of_a_site_reaches_nothing_of_another(browser, cast):
    with doing("command:tests"):
        other = Worker.objects.create(site=cast.other_site, name="Fay Gull")
    for row in (cast.other_site, other, cast.outsider):
        assert browser.get(change_page(row)).status_code == 302, row  # back to the first page: not there
    assert browser.get("/admin/exposure/site/add/").status_code == 403


def test_an_administrator_of_all_sites_may_give_a_role_everywhere(browser, everywhere):
    assert browser.post("/admin/exposure/user/add/", new_account()).status_code == 302
    assert Role.objects.get(user__name="nell").site is None


def test_a_password_stays_whatever_is_sent(browser, cast):
    page = browser.get(change_page(cast.nurse))
    browser.post(
        change_page(cast.nurse),
        filled(page, full_name="Nora Teal-Moor", new_password="x" * 20, why="married"),
    )
    cast.nurse.refresh_from_db()
    assert cast.nurse.full_name == "Nora Teal-Moor"
    assert cast.nurse.check_password(PASSWORD)


def made_administrator(*arguments):
    out = StringIO()
    call_command("administrator", *arguments, stdout=out, stderr=StringIO())
    return out.getvalue().strip()


def test_the_command_makes_an_administrator_who_can_sign_in(client, standing_clock, db):
    standing_clock(NOW)
    password = made_administrator("alva", "--full-name", "Alva Finch")
    answer = client.post("/account/login/", {"login": "alva", "password": password})
    assert answer.status_code == 302
    assert client.get("/admin/").status_code == 200


def test_the_command_names_itself_in_the_history(standing_clock, db):
    standing_clock(NOW)
    made_administrator("alva")
    for version in (User.history.get(), Role.history.get()):
        assert (version.history_user_id, version.origin, version.history_date) == (
            "command:administrator",
            "command line",
            NOW,
        )


@pytest.mark.parametrize("name", ["administrator", "ADMINISTRATOR", "two words"])
def test_the_command_refuses_a_name_that_is_taken_or_no_name(name, cast):
    before = User.objects.count()
    with pytest.raises(CommandError):
        made_administrator(name)
    assert User.objects.count() == before


def test_steps_of_a_protocol_are_changed_with_a_reason(browser, everywhere, cast):
    step = Step.objects.first()
    page = browser.get(change_page(step))
    assert (
        browser.post(change_page(step), filled(page, item="outer gloves", why="clearer")).status_code == 302
    )
    assert step.history.latest().history_change_reason == "clearer"


OF_ALL = ("protocol", "step", "firstaidcard", "failuretype")


@pytest.mark.parametrize("model", OF_ALL)
def test_who_administers_one_site_reads_the_texts_of_all_and_changes_none(browser, cast, model):
    row = apps.get_model("exposure", model).objects.first()
    assert browser.get(change_page(row)).status_code == 200
    assert browser.post(change_page(row), {"why": "mine"}).status_code == 403
    assert browser.get(reverse(f"admin:exposure_{model}_add")).status_code == 403


@pytest.mark.parametrize(
    "asked",
    [
        "password__startswith=m", "user__password__startswith=m", "follow_ups__isnull=0", "readings__value__gte=38",
        "alerts__cause=fever", "site__breaches__isnull=0",
    ],
)  # fmt: skip
@pytest.mark.parametrize("model", ["user", "worker", "site", "station"])
def test_no_list_is_asked_for_what_it_does_not_show(browser, everywhere, model, asked):
    answer = browser.get(f"{reverse(f'admin:exposure_{model}_changelist')}?{asked}")
    assert (answer.status_code, answer.headers.get("Location", "").endswith("?e=1")) in (
        (400, False),
        (302, True),
    )


def test_the_filters_that_a_list_offers_work(browser, everywhere, cast):
    for model in ("station", "worker"):
        listed = reverse(f"admin:exposure_{model}_changelist")
        assert browser.get(f"{listed}?site__id__exact={cast.site.pk}").status_code == 200


def test_nobody_gives_a_role_to_themselves(browser, everywhere, cast):
    page = browser.get(change_page(cast.administrator))
    [roles] = page.context["inline_admin_formsets"]
    assert not roles.has_add_permission
    sent = filled(page, why="more", **{"roles-TOTAL_FORMS": 2, "roles-1-kind": "physician"})
    sent |= {"roles-1-from_at_0": "2026-03-02", "roles-1-from_at_1": "09:00:00"}
    browser.post(change_page(cast.administrator), sent)
    assert set(Role.objects.filter(user=cast.administrator).values_list("kind", flat=True)) == {
        "administrator"
    }
