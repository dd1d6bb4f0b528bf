"""Source patients under their random codes, and what clinicians have stated about them."""

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from exposure.api.fields import code
from exposure.api.resource import Filters, Resource
from exposure.api.schema import described, page_of
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
    statements = StatementSerializer(many=True, help_text="In order; per pathogen the last one holds.")

    class Meta:
        model = Case
        fields = ("code", "site", "station", "opened_at", "closed_at", "statements")
        read_only_fields = fields


class Cases(Resource):
    @described("list_cases", "Cases, newest first", {200: page_of(CaseSerializer)}, filters=Filters)
    def get(self, request: Request) -> Response:
        return self.page(self.seen(ROWS, View.CLINICAL), CaseSerializer, self.parameters(Filters))


class CaseDetail(Resource):
    @described("get_case", "One case", {200: CaseSerializer}, 404)
    def get(self, request: Request, code: str) -> Response:
        case = self.find(ROWS, View.CLINICAL, code=code)
        self.note(case, None)
        return Response(CaseSerializer(case).data)
