"""Telephone calls to and from workers. Only an answered one is contact made."""

from http import HTTPStatus
from typing import Any
from uuid import UUID

from django.utils.translation import gettext as _
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from exposure.api.fields import Instant, WorkerId, code, own_uid
from exposure.api.resource import Filters, Resource
from exposure.api.schema import described, page_of
from exposure.attend.models import Call
from exposure.people.access import require
from exposure.people.models import Worker
from exposure.people.policy import IN_LISTS, Deed, View
from exposure.pipeline import call
from exposure.refusal import BadSubmission, Problem

MOST = 50  # tasks or alerts that one call can name
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


class AnsweredAlertSerializer(serializers.Serializer):
    id = serializers.UUIDField()
    times = serializers.IntegerField(
        min_value=1,
        help_text="As it was read: where it has happened again since, it stays open and the answer is 409.",
    )


class CallSettlingSerializer(CallNoteSerializer):
    tasks = serializers.ListField(
        child=serializers.UUIDField(),
        required=False,
        default=list,
        max_length=MOST,
        help_text="Answered: the tasks, tellings and reports to confirm of this worker that the call has done.",
    )
    alerts = serializers.ListField(
        child=AnsweredAlertSerializer(),
        required=False,
        default=list,
        max_length=MOST,
        help_text="Answered: the open alerts that only asked for a call.",
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
        "Note a call that was made now, and what it settles; the same again within a minute is the same call",
        {201: CallSerializer, 200: CallSerializer},
        404,
        409,
        body=CallSettlingSerializer,
    )
    def post(self, request: Request) -> Response:
        require(request.user, Deed.CALL, None, at=request.at)
        body = self.body(CallSettlingSerializer)
        worker = self.worker(body.pop("worker"), *IN_LISTS)
        worker = worker.same_as or worker
        settles = self._settled(worker, body.pop("tasks"), body.pop("alerts"))
        made, is_new = call.note_call(worker=worker, settles=settles, by=request.user, at=request.at, **body)
        status = HTTPStatus.CREATED if is_new else HTTPStatus.OK
        return Response(CallSerializer(made).data, status=status)

    def _settled(self, worker: Worker, tasks: list[UUID], alerts: list[dict[str, Any]]) -> list[call.Settled]:
        """What was named, if a call with this worker can settle it for the caller; else BadSubmission."""
        wanted = {"tasks": [f"promise:{uid}:0" for uid in tasks]}
        wanted["alerts"] = [f"alert:{one['id']}:{one['times']}" for one in alerts]
        keys = [key for named in wanted.values() for key in named]
        known = call.open_to(self.request.user, worker, keys, at=self.request.at) if keys else {}
        problems = [
            Problem(f"/{name}/{place}", _("A call with this worker does not settle this."))
            for name, named in wanted.items()
            for place, key in enumerate(named)
            if key not in known
        ]
        problems += [
            Problem(f"/tasks/{place}", _("Its answers are open or in doubt: confirm it where they are sent."))
            for place, key in enumerate(wanted["tasks"])
            if key in known and call.is_left_open(known[key])
        ]
        if problems:
            raise BadSubmission(*problems)
        return [known[key] for key in dict.fromkeys(keys)]
