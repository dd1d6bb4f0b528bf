"""What is not yours answers exactly as what is not there: for every address of a row and whoever may not open it,
byte for byte once the id itself and what is drawn anew for each page are taken out. And whoever sets up stations reads
nothing of them.
"""

import re
from uuid import uuid4

import pytest

from exposure.people.models import Role
from tests.cast import MONDAY, doing
from tests.people.matrix import ROLES, client_of
from tests.people.test_matrix import API, ASKED, DOORS, NOT_NOW, NURSES, PHYSICIANS_ONLY, address_of, rows  # noqa: F401  a fixture
from tests.web.olga import start

pytestmark = pytest.mark.database
DRAWN_ANEW = re.compile(rb'name="(?:csrfmiddlewaretoken|form_owner)" value="[^"]*"')
OF_A_ROW = [route for route in ASKED if "<uuid:" in route]


def said(client, method, address, uids, **body):
    answer = getattr(client, method)(address, **body)
    content = DRAWN_ANEW.sub(b"", answer.content)
    for uid in uids:
        content = content.replace(uid.encode(), b"ID")
    headers = {name: value for name, value in answer.items() if name != "Content-Length"}
    where = headers.get("Location", "")
    for uid in uids:
        where = where.replace(uid, "ID")
    return answer.status_code, where, content, sorted(headers)


def sees(who, route):
    """Whether the row itself is shown to them, so that a refusal may say so (403)."""
    row = route[: route.index("<uuid:uid>/") + len("<uuid:uid>/")] if "<uuid:uid>/" in route else route
    if route in PHYSICIANS_ONLY | NOT_NOW:
        return who in NURSES
    return who in (DOORS.get(row, (None, None))[0] or ())


@pytest.mark.parametrize("who", ROLES)
def test_what_is_not_yours_answers_as_what_is_not_there(cast, rows, who):  # noqa: F811
    client, differing, asked = client_of(cast, who), [], 0
    for route in OF_A_ROW:
        address = address_of(route, rows)
        uids = re.findall(r"[0-9a-f-]{36}", address)
        nowhere = address
        for uid in uids:
            nowhere = nowhere.replace(uid, str(uuid4()))
        options = {"content_type": "application/json"} if route.startswith(API) else {}
        for method, doors, body in (
            ("get", DOORS[route][0], {}),
            ("post", DOORS[route][1], {"data": {}, **options}),
        ):
            if who in (doors or ()) or sees(who, route):
                continue
            asked += 1
            there = said(client, method, address, uids, **body)
            not_there = said(client, method, nowhere, re.findall(r"[0-9a-f-]{36}", nowhere), **body)
            if there != not_there:
                differing.append(f"{method.upper()} {route}: {there[:2]} {not_there[:2]}")
    assert not differing, "\n".join(differing)
    assert asked >= len(OF_A_ROW) / 4


@pytest.mark.parametrize("site", ["its own", "every site"])
def test_whoever_sets_up_a_station_reads_no_name_and_no_case_there(cast, client, site, standing_clock):
    """Nothing clinical: an administrator who is also an observer comes in as that."""
    standing_clock(MONDAY)
    start(cast)
    if site == "every site":
        with doing("command:tests"):
            Role.objects.create(user=cast.administrator, kind=Role.Kind.ADMINISTRATOR, from_at=MONDAY)
    client.force_login(cast.administrator)
    begun = "/stations/heron/start/?protocol=contact&drill=no"
    for address in (
        "/stations/",
        "/stations/heron/",
        begun,
        "/stations/heron/sheet/",
        "/stations/heron/report/",
    ):
        answer = client.get(address)
        assert answer.status_code == (200 if address == "/stations/" else 404)
        assert cast.worker.name not in answer.text
        assert cast.case.code not in answer.text
    with doing("command:tests"):
        Role.objects.create(user=cast.administrator, kind=Role.Kind.OBSERVER, site=cast.site, from_at=MONDAY)
    assert cast.worker.name in client.get(begun).text
