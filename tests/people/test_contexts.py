"""What a page is given to show, beyond what it shows: every row in a template's context is one that the policy lets its
reader see. Stories and previews collect rows of several sites; one that is not printed today is printed tomorrow.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import fields, is_dataclass
from types import GeneratorType
from typing import Any

import pytest
from django.apps import apps
from django.db.models import Manager, Model, QuerySet
from django.urls import reverse

from exposure.people.access import visible
from exposure.people.models import BrokenGlass, User
from exposure.people.policy import PATHS, Part, View
from tests.cast import MONDAY, doing
from tests.people.matrix import client_of
from tests.people.test_relations import at_home, reported, visitor  # noqa: F401  fixtures
from tests.walk import hours

pytestmark = pytest.mark.database
LATER = MONDAY + hours(2)
OF_SOMEBODY = {
    model
    for model in apps.get_models()
    if getattr(PATHS.get(model.__name__), "part", Part.PLACES) is not Part.PLACES
}
SIMPLE = (str, bytes, int, float, bool, type(None), type, Manager, GeneratorType)


def models_in(value: Any, seen: dict[int, Any]) -> Iterator[Model]:
    """The rows in a context's value, through whatever holds them; not what only a further query would bring."""
    if isinstance(value, SIMPLE) or id(value) in seen:
        return
    seen[id(value)] = value  # held, so that no other value gets its id
    if isinstance(value, Model):
        yield value
        inside: Iterable[Any] = (
            *value._state.fields_cache.values(),
            *getattr(value, "_prefetched_objects_cache", {}).values(),
        )
    elif isinstance(value, Mapping):
        inside = value.values()
    elif is_dataclass(value):
        inside = [getattr(value, field.name) for field in fields(value)]
    elif isinstance(value, list | tuple | set | frozenset | QuerySet):
        inside = list(value)
    else:
        return
    for one in inside:
        yield from models_in(one, seen)


def rows_in(answer: Any) -> dict[type[Model], set[int]]:
    """The keys of the rows about somebody in the contexts of an answer."""
    seen: dict[int, Any] = {}
    rows: dict[type[Model], set[int]] = {}
    for context in answer.context or ():
        for value in context.dicts:
            for row in models_in(dict(value), seen):
                if type(row) in OF_SOMEBODY and row.pk is not None:
                    rows.setdefault(type(row), set()).add(row.pk)
    return rows


def unseen(answer: Any, user: User) -> set[str]:
    """Those of them that its reader sees from no side."""
    found = set()
    for model, keys in rows_in(answer).items():
        allowed = visible(user, model._default_manager.filter(pk__in=keys), *View, at=LATER)
        found |= {f"{model.__name__} {key}" for key in keys - set(allowed.values_list("pk", flat=True))}
    return found


@pytest.mark.parametrize("who", ["nurse", "physician", "outsider"])
def test_a_person_whom_two_sites_follow_up(cast, visitor, reported, at_home, standing_clock, who):  # noqa: F811
    standing_clock(LATER)
    client, user = client_of(cast, who), getattr(cast, who)
    for name in ("person", "person_messages"):
        answer = client.get(reverse(name, args=[visitor.uid]))
        assert answer.status_code == 200
        assert rows_in(answer), name
        assert unseen(answer, user) == set(), name
    for name in ("needs_action", "monitoring", "calls"):
        assert unseen(client.get(reverse(name)), user) == set(), name


def test_behind_glass(cast, reported, standing_clock):  # noqa: F811
    standing_clock(LATER)
    with doing(cast.outsider):
        BrokenGlass.objects.create(
            user=cast.outsider,
            worker=cast.worker,
            reason="Fell ill here.",
            recorded_at=MONDAY,
            until_at=LATER + hours(1),
        )
    answer = client_of(cast, "outsider").get(reverse("person", args=[cast.worker.uid]))
    assert answer.status_code == 200
    assert unseen(answer, cast.outsider) == set()


@pytest.mark.parametrize("who", ["nurse", "physician"])
def test_a_list_that_names_people_of_another_site_shows_none_of_them(cast, visitor, standing_clock, who):  # noqa: F811
    standing_clock(LATER)
    text = (
        "number,name,phone,employer,last_contact,tier,note\n"
        f"{visitor.number},,,,2026-03-01,,\n,{visitor.name},{visitor.phone},,2026-03-01,,\n{cast.worker.number},,,,2026-03-01,,\n"
    )
    sent = {"source": "contact_list", "pathogen": "ebola", "tier": "ebola:high", "text": text}
    answer = client_of(cast, who).post(reverse("contact_list", args=[cast.case.uid]), sent)
    assert answer.status_code == 200
    assert unseen(answer, getattr(cast, who)) == set()


def test_a_row_that_is_not_the_readers_is_noticed(cast, at_home, visitor):  # noqa: F811
    """Without this, that none is found would say nothing."""

    class Answer:
        context = [type("Context", (), {"dicts": [{"rows": [{"it": (at_home,)}], "worker": cast.worker}]})]

    assert unseen(Answer, cast.nurse) == {f"FollowUp {at_home.pk}", f"Worker {visitor.pk}"}
