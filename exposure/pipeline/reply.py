"""What comes back: somebody answers a reminder, or a gateway says later whether it arrived. Neither is a reading, and
neither is contact made: silence goes on counting."""

from datetime import datetime
from uuid import UUID

from django.core.exceptions import PermissionDenied
from django.db import transaction
from django.db.models import Q
from django.utils.translation import gettext as _

from exposure.attend import alerts, told
from exposure.attend.models import Alert, Call
from exposure.followup.models import FollowUp
from exposure.followup.states import died
from exposure.people.models import Channel, User, Worker
from exposure.pipeline import turn
from exposure.pipeline.enter import DOUBLE_TAP
from exposure.places.models import Site
from exposure.remind import outbox
from exposure.remind.models import DeliveryReport, Message, Reply
from exposure.report.submission import storable

Cause = Alert.Cause
Kind = Reply.Kind
LONGEST_TEXT = 2000
LONGEST_QUOTE = 300
LONGEST_DETAIL = 200
# What a text message may say, whatever its case, English and French.
WORDS = {
    "done": Kind.DONE,
    "fait": Kind.DONE,
    "cannot": Kind.CANNOT,
    "impossible": Kind.CANNOT,
    "call me": Kind.CALL_ME,
    "rappel": Kind.CALL_ME,
    "stop": Kind.STOP,
    "arret": Kind.STOP,
    "arrêt": Kind.STOP,
}


def kind_of(text: str) -> Kind:
    """What a text message answers; OTHER where it is none of the words."""
    return WORDS.get(" ".join(text.casefold().split()).strip(".! "), Kind.OTHER)


def reply(
    *,
    worker: Worker,
    kind: str,
    road: str,
    text: str = "",
    message: Message | None = None,
    reference: str | None = None,
    at: datetime,
) -> Reply:
    """Keep what a worker answered, and do what it asks: a call stands on the nurses' list, an end of all messages is
    heeded and told. `reference` is the gateway's own id of it: the same again is no news. Words are kept where they
    are none of ours."""
    with turn.of(worker, at=at) as own:
        standing = Reply.objects.filter(reference=reference).first() if reference else None
        if standing is not None:
            return standing
        worker = own.person(worker)
        kept = storable(text)[:LONGEST_TEXT] if kind == Kind.OTHER else ""
        answered = Reply.objects.create(
            worker=worker,
            message=message,
            kind=kind,
            road=road,
            text=kept,
            reference=reference or None,
            at=at,
        )
        if kind == Kind.STOP:
            _stop(worker, at)
        elif kind != Kind.DONE:
            _tell_nurses(answered, at)
        return answered


def is_followed(message: Message, *, at: datetime) -> bool:
    """Whether the person reminded is still followed up: nothing is asked of anybody else, and not of the dead."""
    worker = message.worker and (message.worker.same_as or message.worker)
    running = FollowUp.objects.filter(worker=worker).filter(Q(ended_at=None) | Q(ended_at__gt=at))
    return running.exists() and not died().filter(follow_up__worker=worker).exists()


def _stop(worker: Worker, at: datetime) -> None:
    if worker.phone_only:
        return
    worker.phone_only = True
    worker.save()
    tell_phone_only(worker, at=at)


def say_telephoned(*, worker: Worker, by: User, at: datetime) -> Call | None:
    """A worker's own word while a Stop stands: I have telephoned. It is kept as a call that nobody here has answered:
    the nurse sees it, it is no contact made, and it closes nothing. A double tap says it once. None without a Stop."""
    if worker.user_id != by.pk:
        raise PermissionDenied
    with turn.of(worker, at=at) as own:
        worker = own.person(worker)
        stops = told.standing_stops(worker)
        if not stops:
            return None
        standing = worker.calls.filter(by_user=by, called_at__gt=at - DOUBLE_TAP, called_at__lte=at).last()
        return standing or Call.objects.create(
            site_id=stops[-1].site_id,
            worker=worker,
            called_at=at,
            answered=False,
            note=_("Says on their own page: I have telephoned."),
            by_user=by,
        )


def tell_phone_only(worker: Worker, *, at: datetime) -> None:
    """A nurse learns that no reminder reaches this worker any more. In the worker's turn."""
    because = _("Chose to be reached by telephone only: no reminder is sent.")
    alerts.raise_alert(worker, Cause.CALL_ME, because, site=worker.site, at=at)


def _tell_nurses(answered: Reply, at: datetime) -> None:
    worker = answered.worker
    if answered.kind == Kind.ILL:
        because = _("Says by the link of a reminder: I feel ill. Not signed in. Ring now.")
        alerts.raise_alert(worker, Cause.SYMPTOM, because, site=_site(answered), at=at, urgent=True)
    elif answered.kind == Kind.CANNOT:
        because = _("Answered a reminder: cannot take a reading.")
        alerts.raise_alert(worker, Cause.COULD_NOT, because, site=_site(answered), at=at)
    elif answered.kind == Kind.CALL_ME:
        because = _("Answered a reminder: please call me.")
        alerts.raise_alert(worker, Cause.CALL_ME, because, site=_site(answered), at=at)
    else:
        because = _("Answered a reminder in other words: “%(words)s”.") % {
            "words": answered.text[:LONGEST_QUOTE]
        }
        alerts.raise_alert(worker, Cause.CALL_ME, because, site=_site(answered), at=at)


def _site(answered: Reply) -> Site:
    """That of the message, else one at which the worker is followed up now, else their own."""
    if answered.message is not None:
        return answered.message.site
    followed = answered.worker.follow_ups.filter(ended_at=None).select_related("site").order_by("pk").last()
    return followed.site if followed is not None else answered.worker.site


def who_answered(number: str, message: Message | None) -> tuple[list[Worker], Message | None]:
    """Who wrote from that number, and the message that they answer: its recipient, where it went to that number. Else
    whoever has it as their mobile number, those alone who are followed up now if there are any: no call for help is
    lost. Several may share one; nobody knows then who wrote, and it stands with each."""
    digits = _digits(number)
    if message is not None and message.worker is not None and digits == _digits(message.address):
        return [message.worker.same_as or message.worker], message
    if not digits:
        return [], None
    rows = Worker.objects.exclude(mobile="").only("pk", "mobile", "same_as")
    found = {row.same_as_id or row.pk for row in rows.iterator() if _digits(row.mobile) == digits}
    people = list(Worker.objects.filter(pk__in=found).select_related("site").order_by("pk"))
    followed = [worker for worker in people if worker.follow_ups.filter(ended_at=None).exists()]
    return followed or people, None


def _digits(number: str) -> str:
    """Country code and number (ITU-T E.164), without the + or 00 before it."""
    digits = "".join(digit for digit in number if digit in "0123456789")
    return digits[2:] if digits.startswith("00") else digits


def text_message(uid: UUID) -> Message | None:
    """The text message that carried this reference of ours."""
    return (
        Message.objects.filter(uid=uid, channel=Channel.TEXT)
        .select_related("site", "worker__same_as__site")
        .first()
    )


@transaction.atomic
def report_delivery(*, message: Message, delivered: bool, detail: str = "", at: datetime) -> None:
    """Keep what a gateway says later of a message that it took, once each. What never arrived goes another way."""
    Message.objects.select_for_update(of=("self",)).get(pk=message.pk)  # two at once: one after the other
    standing = set(message.delivery_reports.values_list("delivered", flat=True))
    if delivered in standing:
        return
    DeliveryReport.objects.create(
        message=message, delivered=delivered, detail=storable(detail)[:LONGEST_DETAIL], at=at
    )
    if not delivered and not standing:
        delivery_failed(message, at=at)


def delivery_failed(message: Message, *, at: datetime) -> None:
    """The gateway had taken it, and it never arrived: the next channel, else the nurse."""
    outbox.pass_on(message, at=at)
