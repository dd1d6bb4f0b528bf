"""Every address of the URL configuration, by who asks for it: a route without a line here fails, and so does a line
whose route is gone. The rows are of one site; the outsider is a nurse of another, the worker the one it is about, the
observer its author. Whoever is kept out is kept out before anything that was sent is read: 403 or 404 to a body of
nonsense, never a word about it.
"""

import pytest

from exposure.attend.models import Promise
from exposure.classify.models import Assessment, CriteriaVersion
from exposure.clear.models import Clearance
from exposure.followup.models import Check, Exposure, FollowUp, Reading
from exposure.people.desk_models import SavedFilter
from exposure.people.models import OnCall, User, Worker
from exposure.pipeline import report as reports
from exposure.pipeline.remove import mark_step, start_removal
from exposure.places.models import Protocol
from tests.cast import MONDAY, doing
from tests.people.matrix import ROLES, client_of, routes
from tests.walk import follow_up_told_and_confirmed, hours, log

pytestmark = pytest.mark.database

DEVICE = frozenset({"device"})
SIGNED_IN = frozenset(ROLES) - {"anonymous"} - DEVICE
EVERYBODY = frozenset(ROLES)
NURSES = frozenset({"nurse", "physician"})  # of the site
CLINICIANS = NURSES | {"outsider"}  # of any
PHYSICIANS = frozenset({"physician"})
READERS = CLINICIANS | {"auditor"}
AT_SITE = frozenset({"observer", "nurse", "physician", "lead"})
AT_STATION = AT_SITE | {
    "worker",
    "auditor",
}  # the names and cases there: not whoever sets it up, nor another site
WORKER, AUDITOR, AUTHOR = frozenset({"worker"}), frozenset({"auditor"}), frozenset({"observer"})
ADMINISTRATOR = frozenset({"administrator"})
NONE: frozenset[str] = frozenset()

# Page -> (who opens it, who sends it); None: that method means nothing there, whoever asks.
DOORS: dict[str, tuple[frozenset[str] | None, frozenset[str] | None]] = {
    "": (SIGNED_IN, SIGNED_IN),
    "healthz": (EVERYBODY, EVERYBODY),
    "readyz": (EVERYBODY, EVERYBODY),
    "violations": (None, EVERYBODY),
    "metrics": (NONE, NONE),  # no METRICS_TOKEN: no such address
    "app.webmanifest": (EVERYBODY, EVERYBODY),
    "reminders.js": (EVERYBODY, EVERYBODY),
    "offline/": (EVERYBODY, None),
    "account/reach/": (CLINICIANS, CLINICIANS),
    "account/keys/": (SIGNED_IN, SIGNED_IN),
    "account/keys/<uuid:uid>/end/": (None, NONE),
    "account/session/": (EVERYBODY, EVERYBODY),
    "language/": (None, EVERYBODY),
    "account/sessions/": (SIGNED_IN, SIGNED_IN),
    "account/sessions/others/end/": (None, SIGNED_IN),
    "account/sessions/<int:key>/end/": (None, NONE),  # somebody else's
    "account/devices/": (ADMINISTRATOR, ADMINISTRATOR),
    "account/devices/<uuid:uid>/key/": (None, NONE),  # no such device
    "account/devices/<uuid:uid>/end/": (None, NONE),
    "account/pin/": (SIGNED_IN, SIGNED_IN),  # no phone of theirs opens by digits: led on
    "account/pin/new/": (SIGNED_IN, SIGNED_IN),
    "account/pin/<uuid:uid>/end/": (None, NONE),
    "account/station-digits/": (AT_SITE | AUDITOR | {"outsider"}, AT_SITE | AUDITOR | {"outsider"}),
    "account/station-digits/locked/": (ADMINISTRATOR, ADMINISTRATOR),
    "account/mobile/": (SIGNED_IN, SIGNED_IN),  # asked first who they are, and led on: no number waits
    "account/roles/": (PHYSICIANS | ADMINISTRATOR, PHYSICIANS | ADMINISTRATOR),
    "account/roles/<uuid:uid>/": (None, NONE),  # none waits
    "account/<uuid:uid>/invite/": (ADMINISTRATOR, ADMINISTRATOR),
    "devices/": (NONE, SIGNED_IN),  # no PUSH_HOSTS: no such page
    "devices/<uuid:uid>/end/": (NONE, NONE),
    "messages/": (NURSES | ADMINISTRATOR | {"outsider"}, NURSES | ADMINISTRATOR | {"outsider"}),
    "station/": (EVERYBODY, None),
    "station/worker.js": (EVERYBODY, None),
    "station/pack/": (DEVICE, None),
    "station/<slug:language>/": (EVERYBODY, None),
    "station/<slug:language>/app.webmanifest": (EVERYBODY, None),
    "stations/": (SIGNED_IN, SIGNED_IN),
    "stations/<slug:code>/": (AT_STATION, AT_STATION),
    "stations/<slug:code>/start/": (AT_STATION, AT_STATION),
    "stations/<slug:code>/sheet/": (AT_STATION, AT_STATION),
    "stations/<slug:code>/report/": (AT_STATION, AT_STATION),
    "my-reports/": (SIGNED_IN, SIGNED_IN),
    "my-reports/<uuid:uid>/": (AUTHOR, AUTHOR),
    "reports/sent/<uuid:uid>/": (AUTHOR, AUTHOR),
    "removals/<uuid:uid>/": (AUTHOR, AUTHOR),
    "removals/<uuid:uid>/marks/<uuid:mark>/": (AUTHOR, AUTHOR),
    "today/": (WORKER, WORKER),
    "today/kept/": (WORKER, WORKER),
    "today/telephoned/": (None, WORKER),
    "today/reading/<uuid:uid>/": (WORKER, None),
    "today/reading/<uuid:uid>/correct/": (WORKER, WORKER),
    "my-days/": (WORKER, WORKER),
    "what-this-means/": (WORKER, None),
    "what-this-means/at-home/": (WORKER, None),
    "my-record/": (WORKER, None),
    "my-record/copy.pdf": (WORKER, None),
    "my-record/copy.json": (WORKER, None),
    "my-record/receipts/<uuid:uid>.json": (WORKER, None),
    "settings/": (WORKER, WORKER),
    "settings/times/": (WORKER, WORKER),
    "needs-action/": (CLINICIANS, CLINICIANS),
    "reports/": (CLINICIANS, CLINICIANS),
    "reports/by-telephone/": (CLINICIANS, CLINICIANS),
    "monitoring/": (CLINICIANS, CLINICIANS),
    "monitoring/saved/": (CLINICIANS, CLINICIANS),
    "monitoring/saved/<uuid:uid>/": (NONE, NONE),  # somebody else's, whoever asks
    "monitoring/saved/<uuid:uid>/remove/": (None, NONE),
    "duty/": (CLINICIANS | {"lead"}, CLINICIANS | {"lead"}),
    "calls/": (CLINICIANS, CLINICIANS),
    "calls/round/": (CLINICIANS, CLINICIANS),
    "people/": (CLINICIANS, CLINICIANS),
    "handover/": (CLINICIANS, CLINICIANS),
    "on-call/": (CLINICIANS, CLINICIANS),
    "on-call/<slug:code>/": (NURSES, NURSES),
    "on-call/<uuid:uid>/end/": (None, NURSES),
    "handover/<uuid:uid>/": (NURSES, NURSES),
    "handover/<uuid:uid>/list.pdf": (NURSES, NURSES),
    "people/open/": (CLINICIANS, CLINICIANS),
    "cases/": (CLINICIANS, CLINICIANS),
    "cases/open/": (CLINICIANS, CLINICIANS),
    "history/": (AUDITOR, AUDITOR),
    "history/head.pdf": (AUDITOR, None),
    "history/people/<uuid:uid>/record.pdf": (NURSES | AUDITOR, None),
    "history/people/<uuid:uid>/record.json": (AUDITOR, None),
    "history/people/<uuid:uid>/": (NURSES | AUDITOR, NURSES | AUDITOR),
    "retention/": (PHYSICIANS | AUDITOR, PHYSICIANS | AUDITOR),
    "retention/holds/<uuid:uid>/lift/": (NONE, NONE),  # none stands
    "retention/orders/<uuid:uid>/": (NONE, NONE),
}
OF_A_ROW = (
    "alerts/<uuid:uid>/", "reports/<uuid:uid>/", "people/<uuid:uid>/", "people/<uuid:uid>/messages/",
    "people/<uuid:uid>/link/", "people/<uuid:uid>/link/none/",
    "people/<uuid:uid>/work-note.pdf", "cases/<uuid:uid>/", "cases/<uuid:uid>/contact-list/",
    "cases/<uuid:uid>/contact-list/example.csv", "alerts/<uuid:uid>/have/", "alerts/<uuid:uid>/close/",
    "alerts/<uuid:uid>/look/", "alerts/<uuid:uid>/hand-over/", "waiting/<uuid:uid>/hand-over/",
    "tasks/<uuid:uid>/not-applicable/",
    "reports/<uuid:uid>/told/", "reports/<uuid:uid>/confirm/", "reports/<uuid:uid>/answers/",
    "reports/<uuid:uid>/override/<slug:pathogen>/", "reports/<uuid:uid>/also/", "assessments/<uuid:uid>/sign/",
    "reports/<uuid:uid>/withdrawal/", "people/<uuid:uid>/call/", "people/<uuid:uid>/times/",
    "people/<uuid:uid>/year-of-birth/", "people/<uuid:uid>/exposure/",
    "people/<uuid:uid>/protection/", "people/<uuid:uid>/private-note/",
    "people/<uuid:uid>/invite/", "people/<uuid:uid>/card/", "people/<uuid:uid>/card/entry/",
    "people/<uuid:uid>/reading/", "readings/<uuid:uid>/", "tasks/<uuid:uid>/", "missing/<uuid:uid>/",
    "exposures/<uuid:uid>/correct/", "exposures/<uuid:uid>/told/", "tellings/<uuid:uid>/told/",
    "follow-ups/<uuid:uid>/clear/",
    "follow-ups/<uuid:uid>/return/", "follow-ups/<uuid:uid>/end/", "follow-ups/<uuid:uid>/reopen/",
    "follow-ups/<uuid:uid>/evaluation/", "follow-ups/<uuid:uid>/admission/", "people/<uuid:uid>/link/<uuid:known>/",
    "cases/<uuid:uid>/close/", "cases/<uuid:uid>/<slug:pathogen>/",
)  # fmt: skip
OF_CRITERIA = (
    "criteria/", "criteria/new/", "criteria/<uuid:uid>/", "criteria/<uuid:uid>/try/",
    "criteria/<uuid:uid>/compare/<uuid:other>/", "criteria/<uuid:uid>/edit/", "criteria/<uuid:uid>/propose/",
    "criteria/<uuid:uid>/abandon/",
    "criteria/<uuid:uid>/memory/", "criteria/<uuid:uid>/replay/<slug:code>/",
    "criteria/<uuid:uid>/replay/<slug:code>/review/", "criteria/<uuid:uid>/approve/<slug:code>/",
    "household-advice/", "household-advice/<slug:code>/",
)  # fmt: skip
PHYSICIANS_ONLY = {"follow-ups/<uuid:uid>/return/"}
# Nothing of the kind waits: nobody is to sign second, has still to be told, or works with other criteria too.
NOT_NOW = {"assessments/<uuid:uid>/sign/", "exposures/<uuid:uid>/told/", "reports/<uuid:uid>/also/"}
DOORS |= dict.fromkeys(OF_A_ROW, (NURSES, NURSES))
DOORS["letters/<uuid:uid>.pdf"] = (NURSES | WORKER, NURSES | WORKER)
DOORS |= dict.fromkeys(PHYSICIANS_ONLY, (PHYSICIANS, PHYSICIANS))
DOORS |= dict.fromkeys(OF_CRITERIA, (PHYSICIANS, PHYSICIANS))
DOORS["people/<uuid:uid>/link/undo/"] = (
    NONE,
    NONE,
)  # nobody is linked; opened in tests/pipeline/test_unlink.py
DOORS |= dict.fromkeys(NOT_NOW, (NONE, NURSES)) | {"reports/<uuid:uid>/also/": (NONE, PHYSICIANS)}
# Calls, as answered over a session or with a key alike.
API = "api/v1/"
DOORS |= {
    API + route: doors
    for route, doors in {
        "": (NONE, NONE),
        "schema/": (SIGNED_IN | DEVICE, None),
        "breaches/": (SIGNED_IN, SIGNED_IN | DEVICE),
        "breaches/<uuid:uid>/": (NURSES | AUTHOR, None),
        "breaches/<uuid:uid>/facts/": (None, NURSES | AUTHOR),
        "breaches/<uuid:uid>/confirm/": (None, NURSES),
        "breaches/<uuid:uid>/override/": (None, NURSES),
        "breaches/<uuid:uid>/withdraw/": (None, NURSES | AUTHOR),
        "breaches/<uuid:uid>/told/": (None, NURSES),
        "sealed-reports/": (None, DEVICE),
        "readings/": (None, SIGNED_IN),
        "criteria/": (SIGNED_IN, None),
        "cases/": (SIGNED_IN, None),
        "cases/<slug:code>/": (NURSES, None),
        "follow-ups/": (SIGNED_IN, None),
        "follow-ups/<uuid:uid>/": (NURSES | WORKER, None),
        "follow-ups/<uuid:uid>/checks/": (NURSES | WORKER, None),
        "follow-ups/<uuid:uid>/exposures/": (NURSES, None),
        "follow-ups/<uuid:uid>/clear/": (None, NURSES),
        "alerts/": (SIGNED_IN, None),
        "alerts/<uuid:uid>/acknowledge/": (None, NURSES),
        "alerts/<uuid:uid>/close/": (None, NURSES),
        "alerts/<uuid:uid>/look/": (None, NURSES),
        "alerts/<uuid:uid>/hand-over/": (None, NURSES),
        "tasks/": (SIGNED_IN, None),
        "tasks/<uuid:uid>/complete/": (None, NURSES),
        "tasks/<uuid:uid>/not-applicable/": (None, NURSES),
        "tasks/<uuid:uid>/hand-over/": (None, NURSES),
        "calls/": (SIGNED_IN, CLINICIANS),
        "on-call/": (SIGNED_IN, CLINICIANS),
        "on-call/<uuid:uid>/end/": (None, NURSES),
        "removals/": (SIGNED_IN, None),
        "removals/<uuid:uid>/": (NURSES | AUTHOR, None),
        "seals/": (AUDITOR, None),
        "seals/consistency/": (AUDITOR, None),
        "seals/entries/<int:sequence>/": (NONE, None),  # nothing is sealed; opened in tests/api/test_seals.py
    }.items()
}
_VERSION = r"api/v1/criteria/(?P<pathogen>[-a-zA-Z0-9_]+)/(?P<version>[^/\0]+)/"
DOORS |= {
    _VERSION: (READERS | {"physician"}, None),
    f"{_VERSION}findings/": (READERS, None),
    f"{_VERSION}replay/": (PHYSICIANS, PHYSICIANS),
    f"{_VERSION}propose/": (None, PHYSICIANS),
    f"{_VERSION}approve/": (None, PHYSICIANS),
    "api/v1/criteria/<slug:pathogen>/classify/": (None, SIGNED_IN | DEVICE),
}
SIGNING_IN = ("login", "logout", "inactive", "signup", "reauth", "email", "confirm", "password", "2fa")
# Asked about elsewhere, with what else they do: signing in (test_signed_out.py, test_second_factor.py), invitations
# (test_invitations.py), answering a reminder by its link (tests/web/test_reply.py), gateways by their signature
# (tests/web/test_gateway.py), set-up (tests/test_admin.py).
ELSEWHERE = (*(f"account/{one}" for one in SIGNING_IN), "r/<str", "i/<str", "hooks/", "admin/")
ASKED = sorted(set(DOORS))


@pytest.fixture
def rows(cast, standing_clock):
    """One row of each kind, all about Wim and reported by the observer. Returns address part -> value, by route."""
    follow_up = follow_up_told_and_confirmed(cast)
    log(cast, at=MONDAY + hours(1), temperature="38.9")
    with doing("command:tests"):
        cast.nobody = User.objects.create_user("nobody", full_name="Noa Body")
        known = Worker.objects.create(site=cast.site, number="SG-90", name="Kai Known")
        hours_on_call = OnCall.objects.create(
            site=cast.site, user=cast.nurse2, place=1, from_at=MONDAY, until_at=MONDAY + hours(12)
        )
        saved = SavedFilter.objects.create(user=cast.nurse2, name="Nights", chosen={"group": "day"})
    breach = follow_up.exposures.get().breach
    with doing(cast.observer):
        removal = start_removal(
            station=cast.station,
            protocol=Protocol.objects.get(code="contact"),
            worker=cast.worker,
            drill=False,
            by=cast.observer,
            at=MONDAY,
        )
        mark = mark_step(
            removal=removal, step=removal.protocol.steps.first(), uid=removal.uid, by=cast.observer, at=MONDAY
        )
        typed = reports.report_breach(
            body=cast.body(worker=None, person={"name": "Typed In"}), reporter=cast.observer, at=MONDAY
        ).breach.worker
    with doing(cast.nurse):
        withdrawal = reports.ask_withdrawal(breach=breach, reason="Twice.", by=cast.nurse, at=MONDAY)
    with doing("command:tests"):
        before = FollowUp.objects.create(
            site=cast.site, worker=cast.worker, pathogen="measles", opened_at=MONDAY, ended_at=MONDAY
        )
        clearance = Clearance.objects.create(
            follow_up=before, kind="completed", signed_at=MONDAY, effective_at=MONDAY
        )
        telling = Promise.objects.create(
            site=cast.site,
            worker=cast.worker,
            follow_up=follow_up,
            kind="tell",
            key="change:tier:0",
            asked_at=MONDAY,
        )
    standing_clock(MONDAY + hours(2))
    version = CriteriaVersion.objects.get(pathogen="ebola", approved_at__isnull=False)
    uids = {
        "on-call": hours_on_call,
        "monitoring": saved,
        "alerts": cast.worker.alerts.first() or follow_up.alerts.first(),
        "reports": breach,
        "my-reports": breach,
        "breaches": breach,
        "people": cast.worker,
        "history": cast.worker,
        "cases": cast.case,
        "assessments": Assessment.objects.filter(breach=breach).first(),
        "readings": Reading.objects.first(),
        "today": Reading.objects.first(),
        "my-record": Reading.objects.first(),
        "retention": removal,  # no hold, no order
        "tasks": Promise.objects.filter(kind="task").first(),
        "waiting": Promise.objects.filter(kind="task").first(),
        "tellings": telling,
        "missing": Check.objects.first(),
        "exposures": Exposure.objects.filter(breach=breach).first(),
        "follow-ups": follow_up,
        "removals": removal,
        "criteria": version,
        "devices": removal,
        "letters": clearance,
        "handover": cast.site,
        "account": removal,  # nobody has a key
    }
    return {
        "uid": {kind: str(row.uid) for kind, row in uids.items()},
        "link": str(typed.uid),
        "account": str(cast.nobody.uid),
        "other": str(version.uid),
        "known": str(known.uid),
        "mark": str(mark.uid),
        "pathogen": "ebola",
        "version": version.version,
        "code": cast.site.code,
        "station": cast.station.code,
        "case": cast.case.code,
        "withdrawal": withdrawal,
    }


def address_of(route, rows):
    kind = route.removeprefix(API).split("/")[0]
    uid = rows["link"] if "/link/" in route else rows["uid"].get(kind, "")
    if route == "account/<uuid:uid>/invite/":
        uid = rows["account"]
    code = {"cases": rows["case"], "stations": rows["station"]}.get(kind, rows["code"])
    route = route.replace(_VERSION, f"api/v1/criteria/{rows['pathogen']}/{rows['version']}/")
    for what, value in (
        ("<uuid:uid>", uid), ("<uuid:other>", rows["other"]), ("<uuid:known>", rows["known"]),
        ("<uuid:mark>", rows["mark"]), ("<int:key>", "0"), ("<slug:pathogen>", rows["pathogen"]), ("<slug:code>", code),
        ("<int:sequence>", "0"), ("<slug:language>", "en"),
    ):  # fmt: skip
        route = route.replace(what, value)
    assert "<" not in route, route
    return f"/{route}"


KEPT_ON_PURPOSE = {"app.webmanifest", "reminders.js", "station/worker.js"}  # the same for everybody


def verdict(answer):
    if answer.status_code in (401, 403, 404):
        return "out"
    if answer.status_code == 302 and answer["Location"].startswith("/account/login/"):
        return "out"
    if answer.status_code == 405:
        return "no such method"
    return "in"


def test_every_route_has_its_line():
    here = {route for route in routes() if not route.startswith(ELSEWHERE)}
    assert here == set(DOORS)


@pytest.mark.parametrize("who", ROLES)
def test_every_door_opens_to_whom_the_table_says(cast, rows, who):
    client, wrong = client_of(cast, who), []
    for route in ASKED:
        opens, sends = DOORS[route]
        address = address_of(route, rows)
        got = verdict(client.get(address))
        wanted = "no such method" if opens is None else "in" if who in opens else "out"
        if got != wanted and not (got == "out" and who not in SIGNED_IN):
            wrong.append(f"GET {route}: {got}, not {wanted}")
        if who in (sends or ()):
            continue  # what a right form does is tested where the form is
        for body in ({}, {"nonsense": "\u0007", "reason": "x" * 5000}):
            options = {"content_type": "application/json"} if route.startswith(API) else {}
            got = verdict(client.post(address, body, **options))
            if got == "in":
                wrong.append(f"POST {route}: {got}")
    assert not wrong, "\n".join(wrong)


@pytest.mark.parametrize("who", ["worker", "nurse", "observer"])
def test_nothing_that_opens_is_kept_by_a_browser_or_framed(cast, rows, who):
    """OWASP ASVS 5.0, 3.4.5, 3.4.6, 14.2.2, 14.3.2: pages, calls and files alike."""
    client, asked = client_of(cast, who), 0
    for route in ASKED:
        answer = client.get(address_of(route, rows))
        if verdict(answer) != "in" or route in KEPT_ON_PURPOSE:
            continue
        asked += 1
        assert "no-store" in answer["Cache-Control"], route
        assert answer["X-Frame-Options"] == "DENY", route
        assert "frame-ancestors 'none'" in answer["Content-Security-Policy"], route
        assert answer["Referrer-Policy"] == "same-origin", route
    assert asked > 10
