"""Telephone calls to and from workers. Only an answered one is contact made."""

from http import HTTPStatus

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from exposure.api.fields import Instant, WorkerId, code, own_uid
from exposure.api.resource import Filters, Resource
from exposure.api.schema import described, page_of
from exposure.attend.models import Call
from exposure.people.access import require
from exposure.people.policy import IN_LISTS, Deed, View
from exposure.pipeline import attend

ROWS = Call.objects.select_related("site", "worker", "by_user")


class CallFilters(Filters):
    site = serializers.CharField(required=False)


class CallSerializer(serializers.ModelSerializer):
    id = own_uid()
    site = code("site")
    worker = WorkerId()
    by = code("by_user", "name")

    class Meta:
        model = Call
        fields = ("id", "site", "worker", "called_at", "answered", "note", "by")
        read_only_fields = fields


class CallNoteSerializer(serializers.Serializer):
    worker = serializers.CharField(help_text="Number or uid.")
    answered = serializers.BooleanField()
    note = serializers.CharField(required=False, allow_blank=True, default="")
    try_again_at = Instant(
        required=False,
        allow_null=True,
        default=None,
        help_text="Not answered: when somebody rings again; it waits for a clinician from then on.",
    )


class Calls(Resource):
    @described("list_calls", "Calls, newest first", {200: page_of(CallSerializer)}, filters=CallFilters)
    def get(self, request: Request) -> Response:
        wanted, rows = self.parameters(CallFilters), self.seen(ROWS, View.CLINICAL)
        if "site" in wanted:
            rows = rows.filter(site__code=wanted["site"])
        return self.page(rows, CallSerializer, wanted)

    @described(
        "note_call",
        "Note a call that was made now; the same note again within a minute is the same call",
        {201: CallSerializer, 200: CallSerializer},
        404,
        body=CallNoteSerializer,
    )
    def post(self, request: Request) -> Response:
        require(request.user, Deed.CALL, None, at=request.at)
        body = self.body(CallNoteSerializer)
        worker = self.worker(body.pop("worker"), *IN_LISTS)
        call, is_new = attend.note_call(worker=worker, by=request.user, at=request.at, **body)
        status = HTTPStatus.CREATED if is_new else HTTPStatus.OK
        return Response(CallSerializer(call).data, status=status)
