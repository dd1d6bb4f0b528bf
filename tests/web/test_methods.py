"""Every address answers reads and forms only, whoever asks; and no call is answered in the clear."""

import re

import pytest
from django.test import Client

from tests.people.matrix import routes

pytestmark = pytest.mark.database
UID = "00000000-0000-4000-8000-000000000000"
EXAMPLES = {"uid": UID, "known": UID, "other": UID}
ROUTES = sorted(set(routes()))


def example(route):
    """An address that the route takes."""
    route = re.sub(r"<(?:\w+:)?(\w+)>", lambda found: EXAMPLES.get(found[1], "x"), route)
    route = re.sub(r"\(\?P<\w+>[^)]*\)\+?", "x", route)
    return "/" + route.replace("\\", "").replace(".*", "").replace("?", "")


def test_every_route_is_here():
    assert len(ROUTES) > 150
    assert {"people/<uuid:uid>/", "api/v1/breaches/<uuid:uid>/", "account/login/"} <= set(ROUTES)


@pytest.mark.parametrize("method", ["trace", "options", "put", "patch", "delete"])
def test_no_other_method_is_answered_anywhere(cast, method):
    client = Client()
    client.force_login(cast.nurse)
    for route in ROUTES:
        answer = getattr(client, method)(example(route))
        assert (answer.status_code, answer["Allow"]) == (405, "GET, HEAD, POST"), route


def test_a_method_of_nobodys_is_not_answered_either(client):
    assert client.generic("PROPFIND", "/").status_code == 405


@pytest.mark.parametrize("path", ["/api/v1/breaches/", "/api/v1/schema/", "/hooks/text/reply"])
def test_over_plain_http_no_call_is_answered_or_led_on(client, settings, path):
    settings.SECURE_SSL_REDIRECT = True
    settings.SECURE_REDIRECT_EXEMPT = [r"^api/", r"^hooks/"]
    answer = client.post(path, {}, content_type="application/json", headers={"authorization": "Bearer x"})
    assert answer.status_code == 403
    assert answer["Content-Type"] == "application/problem+json"
    assert "https" in answer.json()["detail"]
    assert client.get(path, secure=True).status_code != 403
