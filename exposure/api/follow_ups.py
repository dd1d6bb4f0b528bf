"""Follow-ups with their days, expected readings and exposures, for clinicians; and the signature that ends one.

A worker sees their own, as they were told of it: nothing of what nobody has told them, no tier before a clinician has
confirmed it, no tasks, and of alerts only whether a Stop stands.
"""

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime
from functools import cached_property
from uuid import UUID

from django.db.models import Exists, OuterRef, Q, QuerySet
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from exposure.api.alerts import AlertSerializer, with_cause
from exposure.api.fields import CodeOrNull, Instant, WorkerId, code, own_uid, uid
from exposure.api.paging import Sifted
from exposure.api.readings import ReadingSerializer
from exposure.api.resource import Filters, Resource, Values, all_at_once
from exposure.api.schema import described, page_of
from exposure.api.tasks import TaskSerializer
from exposure.attend import told
from exposure.attend.models import Alert
from exposure.attend.watched import Watched, watched
from exposure.clear.models import Clearance
from exposure.followup.models import Check, Exposure, Fill, FollowUp, FollowUpState, Restriction
from exposure.people.access import shows
from exposure.people.policy import AS_CLINICIAN, Part, View
from exposure.pipeline import clear

ROWS = FollowUp.objects.select_related("site", "worker__site")


class FollowUpFilters(Filters):
    site = serializers.CharField(required=False)
    station = serializers.CharField(required=False, help_text="Where one of its exposures was.")
    state = serializers.ChoiceField(FollowUpState.Kind.choices, required=False)
    pathogen = serializers.CharField(required=False)
    due_before = Instant(
        required=False, help_text="The reading to take now, else the next one, is due before this instant."
    )
    flagged = serializers.BooleanField(
        required=False, help_text="Something is wrong with it, as the monitoring list shows; or nothing is."
    )


class RestrictionSerializer(serializers.ModelSerializer):
    code = serializers.CharField()

    class Meta:
        model = Restriction
        fields = ("code", "title", "from_date", "to_date")
        read_only_fields = fields


class CheckSerializer(serializers.Serializer):
    """One expected reading: its state as of now and, where it was answered, the reading."""

    id = uid("check")
    day = serializers.IntegerField(source="check.day")
    window = serializers.CharField(source="check.window")
    local_date = serializers.DateField(source="check.local_date")
    zone = serializers.CharField(source="check.zone")
    opens_at = serializers.DateTimeField(source="check.opens_at")
    due_at = serializers.DateTimeField(source="check.due_at")
    closes_at = serializers.DateTimeField(source="check.closes_at")
    state = serializers.CharField(
        help_text="upcoming, open, recorded, recorded_late, repeat_due, no_reading or excused."
    )
    reading = ReadingSerializer(allow_null=True)
    alert = serializers.BooleanField()


class FollowUpSerializer(serializers.Serializer):
    """As of now. `day` counts from the exposure that gives the last day, in its zone; 0 is the exposure's date."""

    id = uid("overview.follow_up")
    site = code("overview.follow_up.site")
    worker = WorkerId(source="overview.follow_up.worker")
    pathogen = serializers.CharField(source="overview.follow_up.pathogen")
    state = code("overview.state", "kind")
    opened_at = serializers.DateTimeField(source="overview.follow_up.opened_at")
    ended_at = serializers.DateTimeField(source="overview.follow_up.ended_at", allow_null=True)
    day = serializers.IntegerField(source="overview.day", allow_null=True)
    days = serializers.IntegerField(source="overview.days", allow_null=True)
    last_day = serializers.DateField(source="overview.last_day", allow_null=True)
    ends_at = serializers.DateTimeField(source="overview.ends_at", allow_null=True)
    tier = code("overview.in_force", "tier")
    tier_label = code("overview.in_force", "tier_label")
    flagged = serializers.SerializerMethodField()
    last_reading = ReadingSerializer(source="overview.last_reading", allow_null=True)
    last_contact_at = serializers.DateTimeField(source="overview.last_contact_at")
    now_due = CheckSerializer(source="overview.now_due", allow_null=True)
    next = CheckSerializer(source="overview.next_line", allow_null=True)
    restrictions = RestrictionSerializer(source="overview.restrictions", many=True)

    def get_flagged(self, now: Watched) -> bool:
        return bool(now.found)


class FullFollowUpSerializer(FollowUpSerializer):
    alerts = AlertSerializer(source="overview.alerts", many=True)
    tasks = TaskSerializer(source="overview.tasks", many=True)


class ExposureSerializer(serializers.ModelSerializer):
    id = own_uid()
    breach = uid("breach")
    case = serializers.SerializerMethodField()
    note = serializers.SerializerMethodField()
    tier = CodeOrNull()
    plan = serializers.JSONField()

    class Meta:
        model = Exposure
        fields = (
            "id",
            "breach",
            "source",
            "case",
            "note",
            "told_at",
            "occurred_at",
            "zone",
            "day_zero",
            "last_day",
            "tier",
            "tier_label",
            "plan",
            "withdrawn_at",
            "withdrawn_reason",
        )
        read_only_fields = fields

    def get_case(self, exposure: Exposure) -> str | None:
        """Of the follow-up's own site only."""
        own = exposure.case is not None and exposure.case.site_id == exposure.follow_up.site_id
        return exposure.case.code if own and self.context["in_words"] else None

    def get_note(self, exposure: Exposure) -> str:
        return exposure.note if self.context["in_words"] else ""


class ClearanceSerializer(serializers.ModelSerializer):
    """Signed with the last signature needed; in effect when the last day ends."""

    id = own_uid()
    kind = serializers.CharField(help_text="completed or with_gap.")
    reasons = serializers.ListField(child=serializers.CharField())

    class Meta:
        model = Clearance
        fields = (
            "id",
            "kind",
            "signatures_needed",
            "signed_at",
            "effective_at",
            "void_at",
            "void_because",
            "reasons",
        )
        read_only_fields = fields


class FollowUpResource(Resource):
    @cached_property
    def hidden(self) -> frozenset[int]:
        """The reports about the caller that nobody has told them of."""
        worker = getattr(self.request.user, "worker", None)
        waiting = told.unconfirmed_reports(worker) if worker else ()
        return frozenset(report.pk for report in waiting if not report.told)

    def own(self) -> QuerySet[FollowUp]:
        """The caller's own follow-ups, as far as somebody has told them."""
        known = Exposure.objects.filter(
            told.told_exposures(self.hidden), follow_up=OuterRef("pk"), withdrawn_at=None
        )
        return self.seen(ROWS, View.OWN).filter(Exists(known))

    def views(self, follow_ups: Iterable[FollowUp]) -> list[Watched]:
        """What the caller may read of each: all of it, or their own as they were told."""
        return [self._as_seen(view) for view in watched(follow_ups, at=self.request.at)]

    def follow_up(self, uid: UUID) -> FollowUp:
        row = self.own().filter(uid=uid).first()
        return row or self.find(ROWS, *AS_CLINICIAN, uid=uid)

    def looked_at(self, uid: UUID) -> Watched:
        """The view of one; a look at somebody else's is noted."""
        follow_up = self.follow_up(uid)
        if not self.is_own(follow_up):
            self.note(follow_up, follow_up.worker)
        return self.views([follow_up])[0]

    def is_own(self, follow_up: FollowUp) -> bool:
        return follow_up.worker.user_id == self.request.user.pk

    def _as_seen(self, view: Watched) -> Watched:
        if not self.is_own(view.overview.follow_up):
            return view
        return replace(view, overview=told.as_told(view.overview, self.hidden) or view.overview)


class FollowUps(FollowUpResource):
    @described(
        "list_follow_ups",
        "Follow-ups, one's own among them",
        {200: page_of(FollowUpSerializer)},
        filters=FollowUpFilters,
    )
    def get(self, request: Request) -> Response:
        wanted = self.parameters(FollowUpFilters)
        seen = _filtered(self.seen(ROWS, View.CLINICAL), wanted, request.at)
        own = _filtered(self.own(), wanted, request.at)
        rows = ROWS.filter(Q(pk__in=seen.values("pk")) | Q(pk__in=own.values("pk")))
        if wanted.keys() & {"flagged", "due_before"}:
            rows = Sifted(rows, lambda batch: _asked_for(self.views(batch), wanted))
        return self.page(rows, FollowUpSerializer, wanted, self.views)


class FollowUpDetail(FollowUpResource):
    @described("get_follow_up", "One follow-up", {200: FullFollowUpSerializer}, 404)
    def get(self, request: Request, uid: UUID) -> Response:
        view = self.looked_at(uid)
        if self.is_own(view.overview.follow_up):
            return Response(FollowUpSerializer(view).data)
        with_cause(view.overview.alerts, at=request.at)
        if not shows(request.user, view.overview.follow_up, Part.NARRATIVE, at=request.at):
            for row in (*view.overview.alerts, *view.overview.tasks):
                row.note = ""
        return Response(FullFollowUpSerializer(view).data)


class FollowUpChecks(FollowUpResource):
    @described("list_checks", "Its expected readings, in order", {200: page_of(CheckSerializer)}, 404)
    def get(self, request: Request, uid: UUID) -> Response:
        return all_at_once(CheckSerializer(self.looked_at(uid).overview.lines, many=True).data)


class FollowUpExposures(FollowUpResource):
    @described("list_exposures", "Its exposures, withdrawn ones too", {200: page_of(ExposureSerializer)}, 404)
    def get(self, request: Request, uid: UUID) -> Response:
        follow_up = self.find(ROWS, *AS_CLINICIAN, uid=uid)
        self.note(follow_up, follow_up.worker)
        exposures = follow_up.exposures.select_related("breach", "case", "follow_up")
        in_words = shows(request.user, follow_up, Part.NARRATIVE, at=request.at)
        return all_at_once(ExposureSerializer(exposures, many=True, context={"in_words": in_words}).data)


class FollowUpClearance(FollowUpResource):
    @described("sign_clearance", "Sign its end", {200: ClearanceSerializer}, 404, 409)
    def post(self, request: Request, uid: UUID) -> Response:
        follow_up = self.follow_up(uid)
        self.note(follow_up, follow_up.worker)
        clearance = clear.sign_clearance(follow_up=follow_up, by=request.user, at=request.at)
        return Response(ClearanceSerializer(clearance).data)


def _filtered(rows: QuerySet, wanted: Values, at: datetime) -> QuerySet:
    """The rows as the parameters ask for them, of due_before and flagged those that may be meant; each look-up is a
    sub-query, so that none doubles a row."""
    paths = {"site": "site__code", "pathogen": "pathogen"}
    rows = rows.filter(**{path: wanted[name] for name, path in paths.items() if name in wanted})
    own = {"follow_up": OuterRef("pk")}
    if "station" in wanted:
        there = Q(breach__station__code=wanted["station"]) | Q(case__station__code=wanted["station"])
        rows = rows.filter(Exists(Exposure.objects.filter(there, **own)))
    if "state" in wanted:
        rows = rows.filter(Exists(FollowUpState.objects.filter(until_at=None, kind=wanted["state"], **own)))
    if "due_before" in wanted:
        repeated = Fill.objects.filter(check_row=OuterRef("pk"), state="repeat_due")
        takeable = Q(closes_at__gt=at) | Exists(repeated)
        due = Check.objects.filter(takeable, withdrawn_at=None, due_at__lt=wanted["due_before"], **own)
        rows = rows.running(at=at).filter(Exists(due))
    if wanted.get("flagged"):
        about = Q(follow_up=OuterRef("pk")) | Q(worker=OuterRef("worker"))
        behind = Alert.objects.filter(breach__exposures__follow_up=OuterRef("pk"), closed_at=None)
        alerted = Exists(Alert.objects.filter(about, closed_at=None)) | Exists(behind)
        rows = rows.filter(Q(ended_at=None) | Q(ended_at__gt=at) | alerted)
    return rows


def _asked_for(views: Iterable[Watched], wanted: Values) -> list[FollowUp]:
    """Those whose state, which is computed when it is read, is the one asked for."""
    before, flagged = wanted.get("due_before"), wanted.get("flagged")
    return [
        view.overview.follow_up
        for view in views
        if (before is None or (view.due_at is not None and view.due_at < before))
        and (flagged is None or bool(view.found) is flagged)
    ]
