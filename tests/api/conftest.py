"""Callers of the API: each with a token of their own, as another program would have."""

import pytest
from django.core.cache import cache
from django.test import Client

from exposure.people import tokens
from exposure.people.models import User
from tests.cast import MONDAY, doing

BASE = "/api/v1/"


class Caller:
    """Calls the API with a Bearer token; `json` is the answer's body."""

    def __init__(self, user):
        with doing("command:tests", at=MONDAY):
            self.key, self.token = tokens.issue(user, label="tests", days=30, at=MONDAY)
        self.client = Client(enforce_csrf_checks=True, headers={"authorization": f"Bearer {self.key}"})

    def get(self, path, **parameters):
        return self.client.get(path if path.startswith("http") else BASE + path, parameters)

    def post(self, path, body=None, *, content_type="application/json", **headers):
        return self.client.post(BASE + path, body if body is not None else {}, content_type, headers=headers)


@pytest.fixture(autouse=True)
def _now(standing_clock):
    """It is Monday morning, and nobody has called yet."""
    cache.clear()
    standing_clock(MONDAY)


@pytest.fixture
def anybody(db):
    """The caller of an account without any role, where it matters only that somebody calls."""
    with doing("command:tests"):
        return Caller(User.objects.create_user("anybody", full_name="Ann Body"))


@pytest.fixture
def calls(cast):
    """Gives the caller of a member of the cast: `calls("nurse")`."""
    made = {}

    def caller(name):
        if name not in made:
            made[name] = Caller(cast.worker.user if name == "worker" else getattr(cast, name))
        return made[name]

    return caller


@pytest.fixture
def reported(calls, cast):
    """The observer's report about Wim, as it came back: id, reference and ring_now."""
    return calls("observer").post("breaches/", cast.body()).json()


@pytest.fixture
def followed(calls, reported):
    """Wim's follow-up for Ebola, by its id: told and confirmed by the nurse."""
    calls("nurse").post(f"breaches/{reported['id']}/told/", {"by": "phone"})
    calls("nurse").post(f"breaches/{reported['id']}/confirm/", {"note": "Spoken with Wim."})
    return calls("nurse").get("follow-ups/", pathogen="ebola").json()["results"][0]["id"]
