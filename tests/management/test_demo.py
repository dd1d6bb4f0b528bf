"""The demo scenario: whole scenes, once."""

from datetime import UTC, datetime
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command

from exposure.management import scenario
from exposure.models import Breach, Reading, Removal, User

AT = datetime(2026, 11, 25, 15, 30, tzinfo=UTC)
SCENES = {1, 2, 3, 4, 5, 7, 8, 9, 10, 11, 12, 15, 16}


@pytest.fixture
def _password(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(scenario, "PASSWORD_FILE", tmp_path / "demo-password")


def standing_scenes() -> set[int]:
    uids = set(Breach.objects.values_list("uid", flat=True))
    return {number for number in SCENES if scenario._report_id(number) in uids}


@pytest.mark.django_db
@pytest.mark.usefixtures("_password")
def test_a_crash_leaves_whole_scenes_the_next_call_goes_on_and_another_changes_nothing(monkeypatch):
    class Crash(BaseException):
        pass

    def crash(self, follow_up, at, temperature, **changes):
        if temperature == "38.4":
            raise Crash
        return reading(self, follow_up, at, temperature, **changes)

    reading = scenario._Scenario._reading
    monkeypatch.setattr(scenario._Scenario, "_reading", crash)
    with pytest.raises(Crash):
        scenario.load_demo(at=AT)
    assert standing_scenes() == {1, 2, 3, 4, 5, 7}, "nothing of the scene that broke, the eighth report's"
    assert scenario.is_unfinished()

    monkeypatch.setattr(scenario._Scenario, "_reading", reading)
    assert scenario.load_demo(at=AT)
    assert standing_scenes() == SCENES
    assert Breach.objects.count() == 16
    assert not scenario.is_unfinished()

    tables = (Breach, Breach.history.model, Reading, Removal, User.history.model)
    before = [table.objects.count() for table in tables]
    assert not scenario.load_demo(at=AT)
    assert [table.objects.count() for table in tables] == before


@pytest.mark.django_db
def test_it_is_refused_outside_local_use(settings):
    settings.LOCAL_USE = False
    with pytest.raises(CommandError, match="for one machine"):
        call_command("demo")
    assert not User.objects.exists()
