"""What somebody answers to a reminder is kept once, heeded, and is neither a reading nor contact made."""

import pytest

from exposure.attend.models import Alert
from exposure.followup.models import Fill, Reading
from exposure.people.models import Worker
from exposure.pipeline import reply as answers
from exposure.remind.models import DeliveryReport, Message, Reply
from tests.cast import MONDAY, doing
from tests.walk import follow_up_told_and_confirmed, hours, sweep_at

pytestmark = pytest.mark.database

EVENING = MONDAY.replace(hour=18)
Kind = Reply.Kind


def answer(worker, kind, *, at=EVENING, road="text", **more):
    with doing("task:text-gateway", at=at):
        return answers.reply(worker=worker, kind=kind, road=road, at=at, **more)


@pytest.fixture
def follow_up(cast):
    return follow_up_told_and_confirmed(cast)


@pytest.fixture
def text_message(cast, follow_up):
    """The opening reminder as a text message."""
    with doing("command:tests"):
        cast.worker.mobile, cast.worker.reach_by = "+351 900 000 042", "text"
        cast.worker.save()
    sweep_at(EVENING)
    message = Message.objects.get()
    Message.objects.update(channel="text", address="+351900000042", sent_at=EVENING)
    message.refresh_from_db()
    return message


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("done", Kind.DONE), ("DONE", Kind.DONE), ("  Done. ", Kind.DONE), ("FAIT", Kind.DONE),
        ("cannot", Kind.CANNOT), ("Impossible", Kind.CANNOT),
        ("CALL ME", Kind.CALL_ME), ("call\n me!", Kind.CALL_ME), ("rappel", Kind.CALL_ME),
        ("STOP", Kind.STOP), ("Arret", Kind.STOP), ("ARRÊT", Kind.STOP),
        ("done with this, I feel awful", Kind.OTHER), ("do not stop", Kind.OTHER), ("", Kind.OTHER),
    ],
)  # fmt: skip
def test_a_word_is_taken_whatever_its_case_and_nothing_is_read_into_a_sentence(text, kind):
    assert answers.kind_of(text) == kind


@pytest.mark.parametrize(
    ("kind", "cause", "urgent"),
    [
        (Kind.CANNOT, "could_not", False),
        (Kind.CALL_ME, "call_me", False),
        (Kind.OTHER, "call_me", False),
        (Kind.STOP, "call_me", False),
        (Kind.ILL, "symptom", True),
    ],
)
def test_what_asks_for_a_person_stands_with_the_nurses(cast, follow_up, kind, cause, urgent):
    answer(cast.worker, kind, text="Could you ring at six?")
    alert = Alert.objects.get(worker=cast.worker)
    assert (alert.cause, alert.urgent, alert.site) == (cause, urgent, cast.site)
    assert ("Could you ring at six?" in alert.because) is (kind == Kind.OTHER)


def test_i_feel_ill_says_that_nobody_signed_in(cast, follow_up):
    answer(cast.worker, Kind.ILL, road="link")
    assert "Not signed in. Ring now." in Alert.objects.get().because


def test_done_is_kept_and_is_neither_a_reading_nor_contact_made(cast, follow_up):
    answer(cast.worker, Kind.DONE)
    assert Reply.objects.get().kind == "done"
    assert not Alert.objects.exists()
    assert not Reading.objects.exists()
    assert not Fill.objects.exists()
    sweep_at(MONDAY + hours(49))  # by ebola 2023.1 silence is 48 hours
    assert Alert.objects.filter(cause="silence").exists()


def test_stop_leaves_the_telephone_only_and_is_told_once(cast, follow_up):
    answer(cast.worker, Kind.STOP)
    answer(cast.worker, Kind.STOP)
    worker = Worker.objects.get(pk=cast.worker.pk)
    assert worker.phone_only is True
    assert worker.history.first().history_user_id == "task:text-gateway"
    assert Alert.objects.get().times == 1
    assert Reply.objects.count() == 2


def test_the_same_answer_again_is_no_news(cast, follow_up):
    first = answer(cast.worker, Kind.CALL_ME, reference="gw-1")
    assert answer(cast.worker, Kind.CALL_ME, reference="gw-1") == first
    assert Alert.objects.get().times == 1
    answer(cast.worker, Kind.CALL_ME, reference="gw-2")
    assert Alert.objects.get().times == 2


def test_words_are_kept_where_they_are_none_of_ours_and_only_as_far_as_they_go(cast, follow_up):
    answer(cast.worker, Kind.OTHER, text="a\0b" + "x" * 5000)
    answer(cast.worker, Kind.CALL_ME, text="call me")
    other, ours = Reply.objects.all()
    assert (other.text[:3], len(other.text), ours.text) == ("a\ufffdb", answers.LONGEST_TEXT, "")
    assert len(Alert.objects.get().because) < 400


def test_an_answer_is_the_person_s_on_the_list_where_two_were_found_to_be_one(cast, follow_up):
    with doing("command:tests"):
        typed = Worker.objects.create(site=cast.site, name="W. Alder", same_as=cast.worker)
    assert answer(typed, Kind.CALL_ME).worker == cast.worker


# Whose number it is


def add(cast, name, mobile, **more):
    with doing("command:tests"):
        return Worker.objects.create(site=cast.site, name=name, mobile=mobile, **more)


@pytest.mark.parametrize("number", ["+351 900 000 042", "351900000042", "00351900000042", "+351-900-000-042"])
def test_a_number_is_found_however_it_is_written(cast, number):
    with doing("command:tests"):
        cast.worker.mobile = "+351 900 000 042"
        cast.worker.save()
    assert answers.who_answered(number, None) == ([cast.worker], None)


@pytest.mark.parametrize("number", ["", "+", "00", "900000042", "+351 900 000 043", "\u0663\u0665\u0661"])
def test_any_other_number_is_nobody_s(cast, number):
    add(cast, "Rhona Sedge", "+351 900 000 042")
    assert answers.who_answered(number, None) == ([], None)


def test_a_shared_number_is_each_person_s_who_is_followed_up_now(cast, follow_up):
    with doing("command:tests"):
        cast.worker.mobile = "+351 900 000 042"
        cast.worker.save()
    rhona = add(cast, "Rhona Sedge", "+351900000042")
    assert answers.who_answered("+351900000042", None)[0] == [cast.worker]
    idris = add(cast, "Idris Fell", "+44 7700 900123")
    both = add(cast, "Ida Fell", "+44 7700 900123")
    assert answers.who_answered("447700900123", None)[0] == [idris, both]
    assert rhona not in answers.who_answered("+351900000042", None)[0]


def test_an_answer_to_a_message_is_its_recipient_s_if_it_comes_from_where_that_went(cast, text_message):
    other = add(cast, "Idris Fell", "+44 7700 900123")
    found = answers.text_message(text_message.uid)
    assert answers.who_answered("+351900000042", found) == ([cast.worker], text_message)
    assert answers.who_answered("+447700900123", found) == ([other], None)


# Whether it arrived


def report(message, delivered, at=EVENING, **more):
    with doing("task:text-gateway", at=at):
        answers.report_delivery(message=message, delivered=delivered, at=at, **more)


def test_what_arrived_is_kept_once(text_message):
    report(text_message, True, detail="on the\0 handset" + "x" * 500)
    report(text_message, True, at=EVENING + hours(1))
    kept = DeliveryReport.objects.get()
    assert (kept.delivered, kept.at, len(kept.detail)) == (True, EVENING, answers.LONGEST_DETAIL)
    assert Message.objects.count() == 1


def test_what_never_arrived_goes_another_way_once(cast, text_message):
    for _again in range(2):
        report(text_message, False)
    assert list(Message.objects.values_list("channel", flat=True).order_by("pk")) == ["text", "email"]
    assert DeliveryReport.objects.count() == 1


def test_where_no_other_way_is_left_a_nurse_is_told(cast, text_message):
    with doing("command:tests"):
        cast.worker.user.email = None
        cast.worker.user.save()
    report(text_message, False)
    assert Message.objects.count() == 1
    assert Alert.objects.get().cause == "unreachable"


def test_what_has_arrived_is_not_sent_again_when_the_gateway_changes_its_mind(text_message):
    report(text_message, True)
    report(text_message, False)
    assert DeliveryReport.objects.count() == 2
    assert Message.objects.count() == 1
