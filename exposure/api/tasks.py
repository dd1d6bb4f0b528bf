"""Tasks with a time by which they must be done."""

from uuid import UUID

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from exposure.api.fields import code, own_uid, uid
from exposure.api.resource import Filters, Resource
from exposure.api.schema import described, page_of
from exposure.attend.models import Task
from exposure.people.access import View
from exposure.pipeline import attend

ROWS = Task.objects.select_related("site", "breach__worker", "exposure__follow_up__worker", "completed_by")


class TaskFilters(Filters):
    site = serializers.CharField(required=False)
    open = serializers.BooleanField(required=False, help_text="Still to do, or not; absent: both.")


class TaskSerializer(serializers.ModelSerializer):
    id = own_uid()
    site = code("site")
    breach = uid("breach")
    follow_up = uid("exposure.follow_up")
    completed_by = code("completed_by", "name")
    code = serializers.CharField()

    class Meta:
        model = Task
        fields = (
            "id",
            "site",
            "breach",
            "follow_up",
            "code",
            "title",
            "not_before",
            "due_at",
            "completed_at",
            "completed_by",
            "dropped_at",
            "note",
        )
        read_only_fields = fields


class CompletionSerializer(serializers.Serializer):
    note = serializers.CharField(required=False, allow_blank=True, default="")


class Tasks(Resource):
    @described("list_tasks", "Tasks, newest first", {200: page_of(TaskSerializer)}, filters=TaskFilters)
    def get(self, request: Request) -> Response:
        wanted, rows = self.parameters(TaskFilters), self.seen(ROWS, View.CLINICAL)
        if "site" in wanted:
            rows = rows.filter(site__code=wanted["site"])
        if "open" in wanted:
            to_do = {"completed_at": None, "dropped_at": None}
            rows = rows.filter(**to_do) if wanted["open"] else rows.exclude(**to_do)
        return self.page(rows, TaskSerializer, wanted)


class TaskCompletion(Resource):
    @described("complete_task", "Done", {200: TaskSerializer}, 404, body=CompletionSerializer)
    def post(self, request: Request, uid: UUID) -> Response:
        task, body = self.find(ROWS, View.CLINICAL, uid=uid), self.body(CompletionSerializer)
        return Response(
            TaskSerializer(attend.complete_task(task=task, by=request.user, at=request.at, **body)).data
        )
