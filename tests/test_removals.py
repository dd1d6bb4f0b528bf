"""Who may start a removal, and that afterwards it is the observer's alone: every use case, role and relation."""

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from threading import Barrier
from uuid import uuid4

import pytest
from django.db import connection
from django.http import Http404

from exposure.models import Breach, FailureType, Mark, Protocol, Removal, Role, Station, User, Worker
from exposure.pipeline import remove, report
from exposure.refusal import BadSubmission, NotYet
from tests.cast import MONDAY, doing

pytestmark = pytest.mark.database


def colleague(cast):
    return _account("colleague", cast.site)


def everywhere(cast):
    return _account("everywhere", None)


def switched_off(cast):
    user = _account("gone", cast.site)
    with doing("tests"):
        user.is_active = False
        user.save()
    return user


def without_role(cast):
    with doing("tests"):
        return User.objects.create_user("stranger", full_name="Stranger")


def _account(name, site, kind=Role.Kind.OBSERVER):
    with doing("tests"):
        user = User.objects.create_user(name, full_name=name.title())
        Role.objects.create(user=user, site=site, kind=kind, from_at=MONDAY - timedelta(days=1))
    return user


def the(name):
    return lambda cast: getattr(cast, name)


# relation: (who, may start a removal at Heron). Afterwards only whoever started it does anything to it.
PEOPLE = {
    "observer": (the("observer"), True),
    "another observer of the site": (colleague, True),
    "nurse": (the("nurse"), True),
    "physician": (the("physician"), True),
    "lead": (the("lead"), True),
    "auditor": (the("auditor"), True),
    "administrator": (the("administrator"), False),
    "somebody with a role at every site": (everywhere, True),
    "the worker concerned": (lambda cast: cast.worker.user, True),
    "nurse of another site": (the("outsider"), False),
    "an account without a role": (without_role, False),
    "an account switched off": (switched_off, False),
}


def begin(cast, by, *, code="contact", **who):
    with doing(by):
        return remove.start_removal(
            station=cast.station,
            protocol=Protocol.objects.get(code=code),
            drill=False,
            by=by,
            at=MONDAY,
            **(who or {"worker": cast.worker}),
        )


DEEDS = {
    "reach_step": lambda removal, mark, **by: remove.reach_step(removal=removal, left=1, position=2, **by),
    "finish_removal": lambda removal, mark, **by: remove.finish_removal(removal=removal, **by),
    "mark_step": lambda removal, mark, **by: remove.mark_step(
        removal=removal, step=removal.protocol.steps.first(), uid=uuid4(), **by
    ),
    "name_failure": lambda removal, mark, **by: remove.name_failure(
        mark=mark, failure=FailureType.objects.get(code="sharp"), **by
    ),
    "note_deviation": lambda removal, mark, **by: remove.note_deviation(mark=mark, **by),
    "undo_deviation": lambda removal, mark, **by: remove.undo_deviation(mark=mark, **by),
    "report_mark": lambda removal, mark, by, at: report.report_mark(
        mark=mark, body={"submission_id": str(mark.uid), "station": "heron"}, reporter=by, at=at
    ),
}


@pytest.fixture
def watched(cast):
    """A removal that Olga watches, with one mark."""
    removal = begin(cast, cast.observer)
    with doing(cast.observer):
        step = removal.protocol.steps.get(position=1)
        return removal, remove.mark_step(removal=removal, step=step, uid=uuid4(), by=cast.observer, at=MONDAY)


def everything():
    return [list(model.objects.order_by("pk").values()) for model in (Removal, Mark, Breach, Worker)]


@pytest.mark.parametrize("relation", PEOPLE)
def test_who_may_start_a_removal(cast, relation):
    make, may = PEOPLE[relation]
    by = make(cast)
    if may:
        assert begin(cast, by).observer == by
    else:
        with pytest.raises(Http404):
            begin(cast, by)
        assert not Removal.objects.exists()


@pytest.mark.parametrize("deed", DEEDS)
@pytest.mark.parametrize("relation", [name for name in PEOPLE if name != "observer"])
def test_somebody_elses_removal_is_not_there(cast, watched, relation, deed):
    by, before = PEOPLE[relation][0](cast), everything()
    with doing(by), pytest.raises(Http404):
        DEEDS[deed](*watched, by=by, at=MONDAY)
    assert everything() == before


@pytest.mark.parametrize("deed", DEEDS)
def test_the_observer_may_do_each(cast, watched, deed):
    with doing(cast.observer):
        DEEDS[deed](*watched, by=cast.observer, at=MONDAY)


@pytest.mark.parametrize("relation", [name for name in PEOPLE if name not in ("an account switched off",)])
def test_the_page_says_the_same_as_the_use_case(cast, client, standing_clock, relation):
    standing_clock(MONDAY)
    make, may = PEOPLE[relation]
    client.force_login(make(cast))
    body = {"protocol": "contact", "who": "nobody", "drill": "no"}
    assert client.post("/stations/heron/start/", body).status_code == (302 if may else 404)
    assert Removal.objects.exists() is may


def test_a_protocol_of_another_station_is_refused_at_the_field(cast):
    with doing(cast.administrator):
        bare = Station.objects.create(site=cast.site, code="bare", name="Bare")
    protocol = Protocol.objects.get(code="contact")
    with doing(cast.observer), pytest.raises(BadSubmission) as refused:
        remove.start_removal(station=bare, protocol=protocol, drill=False, by=cast.observer, at=MONDAY)
    assert refused.value.problems[0].pointer == "/protocol"


def test_a_worker_found_to_be_another_is_started_as_that_other(cast):
    with doing(cast.nurse):
        double = Worker.objects.create(site=cast.site, name="Wim A.", same_as=cast.worker)
    removal = begin(cast, cast.observer, worker=double)
    assert (removal.worker, removal.unlisted) == (cast.worker, False)


def test_nothing_seen_is_refused_while_a_mark_is_open(cast, watched):
    removal, _mark = watched
    with doing(cast.observer), pytest.raises(NotYet):
        remove.finish_removal(removal=removal, nothing_seen=True, by=cast.observer, at=MONDAY)
    removal.refresh_from_db()
    assert removal.finished_at is None


@pytest.mark.parametrize(("left", "position"), [(2, 3), (1, 0), (1, 7)])
def test_a_step_that_is_not_there_or_was_left_before_is_not_gone_to(cast, watched, left, position):
    removal, _mark = watched
    with doing(cast.observer):
        reached = remove.reach_step(
            removal=removal, left=left, position=position, by=cast.observer, at=MONDAY
        )
    assert reached.at_step == 1


def test_a_mark_of_another_removal_is_not_taken_for_this_ones(cast, watched):
    other = begin(cast, cast.observer, code="droplet-contact")
    step = other.protocol.steps.first()
    with doing(cast.observer), pytest.raises(Http404):
        remove.mark_step(removal=other, step=step, uid=watched[1].uid, by=cast.observer, at=MONDAY)


@pytest.mark.django_db(transaction=True)
def test_two_starts_and_two_reports_of_one_mark_at_once_are_one_each(cast):
    barrier = Barrier(2)

    def twice(task):
        def run(_number):
            try:
                barrier.wait(timeout=30)
                return task()
            finally:
                connection.close()

        with ThreadPoolExecutor(2) as pool:
            return list(pool.map(run, range(2)))

    first, second = twice(lambda: begin(cast, cast.observer, unlisted="Bea Sorrel"))
    assert first.pk == second.pk
    assert Worker.objects.filter(name="Bea Sorrel").count() == 1
    with doing(cast.observer):
        step = first.protocol.steps.get(position=1)
        mark = remove.mark_step(removal=first, step=step, uid=uuid4(), by=cast.observer, at=MONDAY)

    def send():
        with doing(cast.observer):
            return DEEDS["report_mark"](first, mark, by=cast.observer, at=MONDAY)

    assert sorted(sent.created for sent in twice(send)) == [False, True]
    assert Breach.objects.count() == 1


@pytest.mark.parametrize("settled", ["deviation", "report"])
def test_what_a_mark_was_is_not_said_again_once_it_is_settled(cast, watched, settled):
    """Each of the two ends closes it by itself."""
    with doing(cast.observer):
        removal = watched[0]
        step = removal.protocol.steps.first()
        mark = remove.mark_step(removal=removal, step=step, uid=uuid4(), by=cast.observer, at=MONDAY)
        if settled == "deviation":
            remove.note_deviation(mark=mark, by=cast.observer, at=MONDAY)
        else:
            breach = report.report_breach(body=cast.body(), reporter=cast.observer, at=MONDAY).breach
            mark.breach = breach
            mark.save()
        failure = FailureType.objects.first()
        said = remove.name_failure(mark=mark, failure=failure, by=cast.observer, at=MONDAY)
    assert said.failure_id is None
