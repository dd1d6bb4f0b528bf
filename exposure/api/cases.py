"""Source patients under their random codes, and what clinicians have stated about them."""

from collections.abc import Iterable

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from exposure.api.fields import code
from exposure.api.resource import Filters, Resource
from exposure.api.schema import described, page_of
from exposure.attend.changed_cases import undecided
from exposure.attend.models import Alert
from exposure.followup.cases import exposures_to
from exposure.people.policy import View
from exposure.report.models import Case, CaseStatement

ROWS = Case.objects.select_related("site", "station").prefetch_related("statements")


class StatementSerializer(serializers.ModelSerializer):
    status = serializers.CharField(help_text="suspected, confirmed or ruled_out.")
    facts = serializers.JSONField()

    class Meta:
        model = CaseStatement
        fields = ("pathogen", "status", "onset_on", "hours_since_onset", "facts", "note", "recorded_at")
        read_only_fields = fields


class CaseSerializer(serializers.ModelSerializer):
    site = code("site")
    station = code("station")
    awaiting_decision = serializers.ListField(
        child=serializers.UUIDField(),
        help_text="The open alerts of linked follow-ups that ask a physician what becomes of them.",
    )
    statements = StatementSerializer(many=True, help_text="In order; per pathogen the last one holds.")

    class Meta:
        model = Case
        fields = ("code", "site", "station", "opened_at", "closed_at", "awaiting_decision", "statements")
        read_only_fields = fields


class CaseResource(Resource):
    def shown(self, rows: Iterable[Case]) -> list[Case]:
        """The cases, each with what waits for a decision about it."""
        cases = list(rows)
        exposed = exposures_to(cases).values("follow_up")
        asking = Alert.objects.filter(cause=Alert.Cause.CASE_CHANGED, closed_at=None, follow_up__in=exposed)
        waiting = undecided(self.seen(asking, View.CLINICAL).order_by("pk"))
        for case in cases:
            case.awaiting_decision = [alert.uid for alert in waiting[case.pk]]
        return cases


class Cases(CaseResource):
    @described("list_cases", "Cases, newest first", {200: page_of(CaseSerializer)}, filters=Filters)
    def get(self, request: Request) -> Response:
        return self.page(self.seen(ROWS, View.CLINICAL), CaseSerializer, self.parameters(Filters), self.shown)


class CaseDetail(CaseResource):
    @described("get_case", "One case", {200: CaseSerializer}, 404)
    def get(self, request: Request, code: str) -> Response:
        case = self.find(ROWS, View.CLINICAL, code=code)
        self.note(case, None)
        return Response(CaseSerializer(self.shown([case])[0]).data)
