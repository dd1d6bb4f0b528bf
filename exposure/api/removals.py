"""Guided removals, read only: they are done at the station. Never by observer: that is not what they are for."""

from uuid import UUID

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from exposure.api.fields import WorkerId, code, own_uid, uid
from exposure.api.resource import Filters, Resource
from exposure.api.schema import described, page_of
from exposure.people.policy import View
from exposure.report.models import Mark, Removal

SIDES = (View.CLINICAL, View.AUTHOR)
ROWS = Removal.objects.select_related("site", "station", "protocol", "worker").prefetch_related(
    "marks__step", "marks__failure", "marks__breach"
)


class MarkSerializer(serializers.ModelSerializer):
    id = own_uid()
    step = code("step")
    failure = code("failure")
    breach = uid("breach")

    class Meta:
        model = Mark
        fields = ("id", "step", "failure", "marked_at", "deviation_at", "breach")
        read_only_fields = fields


class RemovalSerializer(serializers.ModelSerializer):
    id = own_uid()
    site = code("site")
    station = code("station")
    protocol = code("protocol")
    worker = WorkerId(allow_null=True)
    watched = serializers.CharField(help_text="observer, two (observers), buddy or nobody.")
    marks = MarkSerializer(many=True)

    class Meta:
        model = Removal
        fields = (
            "id",
            "site",
            "station",
            "protocol",
            "worker",
            "watched",
            "drill",
            "at_step",
            "started_at",
            "finished_at",
            "marks",
        )
        read_only_fields = fields


class Removals(Resource):
    @described("list_removals", "Removals, newest first", {200: page_of(RemovalSerializer)}, filters=Filters)
    def get(self, request: Request) -> Response:
        return self.page(self.seen(ROWS, *SIDES), RemovalSerializer, self.parameters(Filters))


class RemovalDetail(Resource):
    @described("get_removal", "One removal", {200: RemovalSerializer}, 404)
    def get(self, request: Request, uid: UUID) -> Response:
        removal = self.find(ROWS, *SIDES, uid=uid)
        self.note(removal, removal.worker)
        return Response(RemovalSerializer(removal).data)
