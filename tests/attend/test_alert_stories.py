"""Stories of alerts, minute by minute: who is paged in which minute, and what the queue says then.

Everything expected is written by hand. The times follow from these rules: windows 06:00 to 10:00 and 18:00 to 22:00
(the usual ones here); at the highest tier one missing reading pages when its window has closed, and the last window
that has closed is what it is about; what nobody has acknowledged is joined without a page; silence is 48 hours without
contact, the next look at most 4 hours away (both ebola 2023.1 in fixtures/criteria); an alert that nobody takes
goes to the next on call after 15 minutes (a local choice). That an unanswered page goes to the next on call and that an
acknowledged alarm sounds again for a new cause are common practice, no source.

It is winter: Lisbon's times of day are those of UTC. The worker was told and the report confirmed on Monday at 09:00.
"""

from datetime import timedelta
from typing import NamedTuple

import pytest

from exposure.attend.models import Alert
from exposure.people.models import OnCall
from exposure.pipeline import attend, call
from exposure.pipeline.report import state_case
from exposure.remind.models import Message
from exposure.web.nurse import queue, waits
from tests.cast import MONDAY, doing
from tests.walk import follow_up_told_and_confirmed, log, newest_statement, sweep_at

pytestmark = pytest.mark.database
ALL = "nurse nurse2 physician physician2"
DAYS = ("Mon", "Tue", "Wed", "Thu")
SHORT = timedelta(minutes=1)


class Then(NamedTuple):
    """At a minute: what somebody does, who is paged by it, and the queue's lines after it, the most urgent first: the
    cause and whether it asks ("now", "switchboard" once everybody was told), is held (by whom, until when) or has
    lost its cause ("gone"). `says`: words of the first line."""

    when: str
    deed: str
    paged: str
    queue: str
    says: str = ""


STORIES = {
    "a fever in its window, held, and looked at again when four hours have passed": [
        Then("Mon 19:40", "reads 38.4", ALL, "fever now", "38.4"),
        Then("Mon 19:54", "", "", "fever now"),
        Then("Mon 19:55", "", "", "fever switchboard"),
        Then("Mon 19:56", "nurse takes fever", "", "fever nurse 23:56"),
        Then("Mon 23:55", "", "", "fever nurse 23:56"),
        Then("Mon 23:56", "", ALL, "fever now"),
    ],
    "a fever at an hour when no window is open": [
        Then("Mon 14:00", "reads 38.2", ALL, "fever now", "38.2"),
    ],
    "just below the limit nobody is paged": [
        Then("Mon 19:40", "reads 37.9", "", ""),
    ],
    "something worse joins what nobody has seen yet: one page, the worst and the newest said": [
        Then("Mon 18:10", "reads 38.1", ALL, "fever now", "38.1"),
        Then("Mon 18:15", "reads 39.5", "", "fever now", "39.5"),
        Then("Mon 18:20", "reads 38.3", "", "fever now", "39.5"),
        Then("Mon 18:21", "", "", "fever now", "Newest: 38.3"),
    ],
    "another fever after it was seen is a new round, and pages again": [
        Then("Mon 18:10", "reads 38.4", ALL, "fever now"),
        Then("Mon 18:12", "nurse takes fever", "", "fever nurse 22:12"),
        Then("Mon 19:30", "reads 38.3", ALL, "fever now", "38.4"),
        Then("Mon 19:31", "nurse2 takes fever", "", "fever nurse2 23:31"),
    ],
    "a missing reading pages when its window has closed, and a late one takes the cause away": [
        Then("Mon 21:59", "", "", ""),
        Then("Mon 22:00", "", ALL, "missed now"),
        Then("Mon 22:30", "reads 36.7", "", "missed gone", "No longer so"),
        Then("Tue 09:00", "reads 36.6", "", "missed gone"),
        Then("Tue 10:00", "", "", "missed gone"),
        Then("Tue 22:00", "", "", "missed switchboard"),
    ],
    "silence is 48 hours, and an answered call ends it but brings no reading": [
        Then("Mon 22:00", "", ALL, "missed now"),
        Then("Tue 10:00", "", "", "missed switchboard"),
        Then("Wed 08:59", "", "", "missed switchboard"),
        Then("Wed 09:00", "", ALL, "missed switchboard | silence now"),
        Then("Wed 09:20", "nurse rings", "", "missed switchboard | silence gone"),
        Then("Wed 10:00", "", "", "missed switchboard | silence gone"),
    ],
    "a reading every other evening is no silence": [
        Then("Mon 19:00", "reads 36.7", "", ""),
        Then("Tue 10:00", "", ALL, "missed now"),
        Then("Tue 19:00", "reads 36.7", "", "missed switchboard"),
        Then("Tue 22:00", "", "", "missed gone"),
        Then("Wed 10:00", "", "", "missed switchboard"),
        Then("Wed 19:00", "reads 36.7", "", "missed switchboard"),
        Then("Wed 22:00", "", "", "missed gone"),
    ],
    "from place to place while nobody takes it, then everybody, then the switchboard": [
        Then("Mon 12:00", "on call nurse, nurse2 until Tue 12:00", "", ""),
        Then("Mon 19:40", "reads 38.4", "nurse", "fever now"),
        Then("Mon 19:54", "", "", "fever now"),
        Then("Mon 19:55", "", "nurse2", "fever now"),
        Then("Mon 20:09", "", "", "fever now"),
        Then("Mon 20:10", "", "physician physician2", "fever switchboard"),
        Then("Mon 22:00", "", "", "fever switchboard"),
    ],
    "whoever takes it ends the climbing": [
        Then("Mon 12:00", "on call nurse, nurse2 until Tue 12:00", "", ""),
        Then("Mon 19:40", "reads 38.4", "nurse", "fever now"),
        Then("Mon 19:54", "physician takes fever", "", "fever physician 23:54"),
        Then("Mon 20:10", "", "", "fever physician 23:54"),
        Then("Mon 23:54", "", "nurse", "fever now"),
        Then("Tue 00:09", "", "nurse2", "fever now"),
    ],
    "a hand-over between the page and the climb: who has come on call is told with the next": [
        Then("Mon 12:00", "on call nurse, nurse2 until Mon 19:50", "", ""),
        Then("Mon 12:01", "on call physician, nurse2 from Mon 19:50 until Tue 12:00", "", ""),
        Then("Mon 19:40", "reads 38.4", "nurse", "fever now"),
        Then("Mon 19:54", "", "", "fever now"),
        Then("Mon 19:55", "", "nurse2 physician", "fever now"),
        Then("Mon 20:10", "", "physician2", "fever switchboard"),
    ],
    "after the last hand-over nobody is on call, and everybody is told at once": [
        Then("Mon 12:00", "on call nurse until Mon 19:40", "", ""),
        Then("Mon 19:40", "reads 38.4", ALL, "fever now"),
    ],
    "watched, then measured again: each sets the next look, and the last one pages": [
        Then("Mon 18:10", "reads 38.4", ALL, "fever now"),
        Then("Mon 18:15", "nurse takes fever", "", "fever nurse 22:15"),
        Then("Mon 18:20", "nurse watches fever 2", "", "fever nurse 20:20"),
        Then("Mon 19:00", "nurse repeats fever 1", "", "fever nurse 20:00"),
        Then("Mon 19:59", "", "", "fever nurse 20:00"),
        Then("Mon 20:00", "", ALL, "fever now"),
    ],
    "whoever could not take a reading has given one since": [
        Then("Mon 18:30", "cannot", ALL, "could_not now", "Broken thermometer"),
        Then("Mon 19:10", "reads 36.9", "", "could_not gone"),
    ],
    "a symptom beside a fever is an alert of its own": [
        Then("Mon 18:10", "reads 38.4", ALL, "fever now"),
        Then("Mon 18:40", "feels headache", ALL, "fever switchboard | symptom now"),
        Then("Mon 18:41", "nurse takes symptom", "", "fever switchboard | symptom nurse 22:41"),
    ],
    "the test of the case came back: each who is linked is looked at again, and nobody is moved": [
        Then("Mon 11:00", "case ruled out", ALL, "case_changed now", "71 hours after onset"),
        Then("Mon 11:05", "physician takes case_changed", "", "case_changed physician 15:05"),
    ],
    "closed with an outcome it is gone, and the next fever begins anew": [
        Then("Mon 18:10", "reads 38.4", ALL, "fever now"),
        Then("Mon 18:30", "nurse closes fever", "", ""),
        Then("Mon 19:30", "reads 38.0", ALL, "fever now", "38.0"),
    ],
}


def instant(when):
    day, _space, clock = when.partition(" ")
    hour, _colon, minute = clock.partition(":")
    return MONDAY.replace(hour=int(hour), minute=int(minute)) + timedelta(days=DAYS.index(day))


class Story:
    """The cast, what they do, and what comes of it."""

    def __init__(self, cast):
        self.cast = cast
        self.seen = set()

    def does(self, deed, at):
        match deed.replace(",", "").split():
            case ["reads", degrees]:
                log(self.cast, at=at, temperature=degrees)
            case ["feels", symptom]:
                log(self.cast, at=at, symptoms=[symptom])
            case ["cannot"]:
                nothing = {"temperature": None, "unit": None, "method": None}
                log(self.cast, at=at, could_not="Broken thermometer", **nothing)
            case [who, "takes", cause]:
                self.about(attend.acknowledge_alert, who, cause, at)
            case [who, "watches" | "repeats" as verb, cause, hours]:
                kind = "watch" if verb == "watches" else "repeat"
                self.about(attend.look_again, who, cause, at, kind=kind, note="Wait.", hours=int(hours))
            case [who, "closes", cause]:
                self.about(attend.close_alert, who, cause, at, outcome="evaluated", note="Seen by me.")
            case [who, "rings"]:
                by = getattr(self.cast, who)
                with doing(by, at=at):
                    call.note_call(worker=self.cast.worker, answered=True, note="Well.", by=by, at=at)
            case ["case", "ruled", "out"]:
                self.rules_out(at)
            case ["on", "call", *names, "until", day, clock]:
                self.puts_on_call(names, f"{day} {clock}", at)
            case other:
                assert other == [], f"nobody can do that: {deed}"

    def about(self, pipeline, who, cause, at, **said):
        by = getattr(self.cast, who)
        with doing(by, at=at):
            pipeline(alert=Alert.objects.get(cause=cause, closed_at=None), by=by, at=at, **said)

    def rules_out(self, at):
        said = {
            "status": "ruled_out",
            "hours_since_onset": 71,
            "seen": newest_statement(self.cast.case, "ebola"),
        }
        with doing(self.cast.physician, at=at):
            state_case(case=self.cast.case, pathogen="ebola", by=self.cast.physician, at=at, **said)

    def puts_on_call(self, names, until, at):
        from_at = at
        if "from" in names:
            names, (_from, *when) = names[: names.index("from")], names[names.index("from") :]
            from_at = instant(" ".join(when))
        with doing(self.cast.nurse, at=at):
            for place, name in enumerate(names, 1):
                user = getattr(self.cast, name)
                until_at = instant(until)
                OnCall.objects.create(
                    site=self.cast.site, user=user, place=place, from_at=from_at, until_at=until_at
                )

    def paged(self, at):
        """Who is told of an alert by the rounds of this minute."""
        sweep_at(at)
        told = set(Message.objects.exclude(alert=None).values_list("pk", "user__name"))
        fresh, self.seen = told - self.seen, told
        return " ".join(sorted({name for _key, name in fresh}))

    def queue(self, at):
        """What the nurse's queue says of alerts: (lines, words of the first)."""
        found = [line for line in queue.lines(self.cast.nurse, at=at) if line.alert is not None]
        return " | ".join(f"{line.cause} {_state(line)}" for line in found), found[0].why if found else ""


def _state(line):
    if line.gone:
        return "gone"
    if line.group == waits.SEEN:
        return f"{line.alert.held_by.name} {line.by:%H:%M}"
    return "switchboard" if line.alert.is_nobodys else "now"


@pytest.mark.parametrize("name", STORIES)
def test_who_is_paged_in_which_minute_and_what_the_queue_says_then(cast, name):
    follow_up_told_and_confirmed(cast)
    story = Story(cast)
    for then in STORIES[name]:
        at = instant(then.when)
        assert story.paged(at - SHORT) == "", f"nobody is paged before {then.when}"
        story.does(then.deed, at)
        assert story.paged(at) == then.paged, f"paged {then.when}"
        lines, words = story.queue(at)
        assert lines == then.queue, f"the queue {then.when}"
        assert then.says in words, f"the words {then.when}"
