"""Alerts: seen, taken over, looked at again, closed with an outcome."""

from collections.abc import Iterable
from datetime import datetime
from uuid import UUID

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from exposure.api.fields import CodeOrNull, WorkerId, code, own_uid, uid
from exposure.api.resource import Filters, Resource
from exposure.api.schema import described, page_of
from exposure.api.tasks import HandOverSerializer
from exposure.attend import alerts
from exposure.attend.changed_cases import cases_changed
from exposure.attend.closing import deed_of
from exposure.attend.models import Alert
from exposure.attend.outcomes import ALWAYS_WITH_NOTE, BY_PHYSICIANS, FITTING
from exposure.attend.still import gone
from exposure.people.access import require_on
from exposure.people.policy import IN_LISTS, Deed, Part, sides_with
from exposure.pipeline import attend, hand_over

ROWS = Alert.objects.with_look().select_related(
    "site", "breach__worker", "follow_up__worker", "worker", "held_by", "closed_by"
)


class AlertFilters(Filters):
    site = serializers.CharField(required=False)
    open = serializers.BooleanField(required=False, help_text="Not closed, or closed; absent: both.")


class AlertSerializer(serializers.ModelSerializer):
    """`worker` is who it is about, whatever it belongs to. `next_look_at` pages again when it passes."""

    id = own_uid()
    site = code("site")
    worker = serializers.SerializerMethodField()
    breach = uid("breach")
    follow_up = uid("follow_up")
    cause = serializers.CharField()
    because = serializers.CharField(
        source="words", help_text="The worst, and the newest where it is another."
    )
    held_by = code("held_by", "name")
    next_look_at = serializers.DateTimeField(allow_null=True)
    closed_by = code("closed_by", "name")
    outcome = CodeOrNull()
    cases = serializers.ListField(
        child=serializers.CharField(), help_text="Of `case_changed`: the codes of the cases that it is about."
    )
    cause_gone = serializers.BooleanField(
        help_text="Open, and what it was raised for is no longer late or soon due: it waits to be closed."
    )

    class Meta:
        model = Alert
        fields = (
            "id",
            "site",
            "worker",
            "breach",
            "follow_up",
            "cause",
            "urgent",
            "because",
            "times",
            "dated_at",
            "raised_at",
            "round",
            "round_at",
            "acknowledged_at",
            "held_by",
            "next_look_at",
            "closed_at",
            "closed_by",
            "outcome",
            "note",
            "cases",
            "cause_gone",
        )
        read_only_fields = fields

    def get_worker(self, alert: Alert) -> str:
        return WorkerId().to_representation(alerts.worker_of(alert))


def with_cause(rows: Iterable[Alert], *, at: datetime) -> list[Alert]:
    """The alerts, each with `cause_gone` and `cases`, as they are shown."""
    rows = list(rows)
    without = gone([alert for alert in rows if alert.closed_at is None], at=at)
    changed = cases_changed(rows)
    for alert in rows:
        alert.cause_gone = alert.pk in without
        alert.cases = [case.code for case in changed.get(alert.pk, ())]
    return rows


class AlertResource(Resource):
    def alert(self, uid: UUID, deed: Deed) -> Alert:
        """The alert, if the caller may see it and do the deed to it; that they looked is noted."""
        alert = self.find(ROWS, *IN_LISTS, uid=uid)
        require_on(self.request.user, deed, alert, at=self.request.at)
        self.note(alert, alerts.worker_of(alert))
        return alert

    def shown(self, rows: Iterable[Alert]) -> list[Alert]:
        """As they are shown: of another site's without what its people wrote."""
        rows = with_cause(rows, at=self.request.at)
        every = Alert.objects.filter(pk__in=[alert.pk for alert in rows])
        in_words = set(self.seen(every, *sides_with(Part.NARRATIVE)).values_list("pk", flat=True))
        for alert in rows:
            if alert.pk not in in_words:
                alert.note, alert.cases = "", []
        return rows

    def answer(self, alert: Alert) -> Response:
        return Response(AlertSerializer(self.shown([alert])[0]).data)


class SeenSerializer(serializers.Serializer):
    times = serializers.IntegerField(
        required=False,
        allow_null=True,
        default=None,
        min_value=1,
        help_text="`times` as it was read: where it has happened again since, the answer is 409 with what came.",
    )


class HoldingSerializer(SeenSerializer):
    holder = serializers.CharField(
        required=False,
        allow_blank=True,
        default="",
        help_text="From whom it is taken over: the account that `held_by` shows.",
    )


class AlertHandOverSerializer(HandOverSerializer, SeenSerializer):
    pass


class LookSerializer(SeenSerializer):
    kind = serializers.ChoiceField(
        attend.LOOKS,
        help_text="It is watched, or measured again; whoever holds it says so, as often as needed.",
    )
    hours = serializers.IntegerField(
        required=False,
        allow_null=True,
        default=None,
        min_value=1,
        help_text="From now; at most, and if absent, what the criteria name for the next look.",
    )
    note = serializers.CharField(help_text="What is waited for.")


def _fitting() -> str:
    """Which outcomes fit which causes, in one sentence each."""
    causes: dict[tuple[str, ...], list[str]] = {}
    for cause, outcomes in FITTING.items():
        causes.setdefault(outcomes, []).append(cause)
    return " ".join(f"{', '.join(these)}: {', '.join(outcomes)}." for outcomes, these in causes.items())


class ClosingSerializer(SeenSerializer):
    outcome = serializers.ChoiceField(
        Alert.Outcome.choices,
        help_text="One that fits the alert's `cause`; else the error names those that fit. "
        f"{_fitting()} Of {', '.join(sorted(BY_PHYSICIANS))} a physician decides (403). `fell_ill` begins the "
        "evaluation; `entry_error` asks that the reading was corrected before, `reading_came` that one has come, "
        "`ended` that no follow-up runs.",
    )
    note = serializers.CharField(
        required=False,
        allow_blank=True,
        default="",
        help_text="What was found: asked for with every fever and urgent symptom, and with "
        f"{' and '.join(f'`{outcome}`' for outcome in sorted(ALWAYS_WITH_NOTE, reverse=True))}.",
    )


class Alerts(AlertResource):
    @described("list_alerts", "Alerts, newest first", {200: page_of(AlertSerializer)}, filters=AlertFilters)
    def get(self, request: Request) -> Response:
        wanted, rows = self.parameters(AlertFilters), self.seen(ROWS, *IN_LISTS)
        if "site" in wanted:
            rows = rows.filter(site__code=wanted["site"])
        if "open" in wanted:
            rows = rows.filter(closed_at__isnull=wanted["open"])
        return self.page(rows, AlertSerializer, wanted, self.shown)


class AlertAcknowledgement(AlertResource):
    @described(
        "acknowledge_alert", "Seen, and taken over", {200: AlertSerializer}, 404, 409, body=HoldingSerializer
    )
    def post(self, request: Request, uid: UUID) -> Response:
        alert, body = self.alert(uid, Deed.ACKNOWLEDGE), self.body(HoldingSerializer)
        act = {"alert": alert, "times": body["times"], "by": request.user, "at": request.at}
        if alert.held_by is not None and alert.held_by.name == body["holder"]:
            held = attend.take_alert(holder=alert.held_by, **act)
        else:
            held = attend.acknowledge_alert(**act)
        return self.answer(held)


class AlertHandOver(AlertResource):
    @described(
        "hand_over_alert",
        "Give it to a colleague, who is told; until they acknowledge it, it waits as unseen",
        {200: AlertSerializer},
        404,
        409,
        body=AlertHandOverSerializer,
    )
    def post(self, request: Request, uid: UUID) -> Response:
        alert, body = self.alert(uid, Deed.HAND_OVER), self.body(AlertHandOverSerializer)
        return self.answer(hand_over.hand_over_alert(alert=alert, by=request.user, at=request.at, **body))


class AlertLook(AlertResource):
    @described("look_again", "Set the next look", {200: AlertSerializer}, 404, 409, body=LookSerializer)
    def post(self, request: Request, uid: UUID) -> Response:
        alert, body = self.alert(uid, Deed.ACKNOWLEDGE), self.body(LookSerializer)
        return self.answer(attend.look_again(alert=alert, by=request.user, at=request.at, **body))


class AlertClosing(AlertResource):
    @described(
        "close_alert", "Close with an outcome", {200: AlertSerializer}, 404, 409, body=ClosingSerializer
    )
    def post(self, request: Request, uid: UUID) -> Response:
        alert = self.alert(uid, Deed.CLOSE_ALERT)
        require_on(request.user, deed_of(alert), alert, at=request.at)
        body = self.body(ClosingSerializer)
        return self.answer(attend.close_alert(alert=alert, by=request.user, at=request.at, **body))
