"""Tasks with a time by which they must be done."""

from uuid import UUID

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from exposure.api.fields import WorkerId, code, own_uid, uid
from exposure.api.resource import Filters, Resource
from exposure.api.schema import described, page_of
from exposure.attend.models import Promise
from exposure.people.access import require_on
from exposure.people.policy import IN_LISTS, Deed
from exposure.pipeline import complete

TASKS = (Promise.Kind.TASK, Promise.Kind.REVIEW)
ROWS = Promise.objects.filter(kind__in=TASKS).select_related(
    "site", "breach", "worker", "exposure__follow_up", "kept_by"
)


class TaskFilters(Filters):
    site = serializers.CharField(required=False)
    open = serializers.BooleanField(required=False, help_text="Still to do, or not; absent: both.")


class TaskSerializer(serializers.ModelSerializer):
    id = own_uid()
    site = code("site")
    breach = uid("breach")
    follow_up = uid("exposure.follow_up")
    completed_at = serializers.DateTimeField(source="kept_at", allow_null=True)
    completed_by = code("kept_by", "name")
    dropped_at = serializers.DateTimeField(source="void_at", allow_null=True)
    code = serializers.CharField(source="key")
    worker = WorkerId()
    missed = serializers.BooleanField(
        source="was_over", help_text="Its time was over already when the exposure was reported."
    )

    class Meta:
        model = Promise
        fields = (
            "id",
            "site",
            "breach",
            "follow_up",
            "worker",
            "code",
            "title",
            "urgent",
            "missed",
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
        wanted, rows = self.parameters(TaskFilters), self.seen(ROWS, *IN_LISTS)
        if "site" in wanted:
            rows = rows.filter(site__code=wanted["site"])
        if "open" in wanted:
            rows = rows.open() if wanted["open"] else rows.exclude(kept_at=None, void_at=None)
        return self.page(rows, TaskSerializer, wanted)


class TaskCompletion(Resource):
    @described("complete_task", "Done", {200: TaskSerializer}, 404, 409, body=CompletionSerializer)
    def post(self, request: Request, uid: UUID) -> Response:
        task = self.find(ROWS, *IN_LISTS, uid=uid)
        require_on(request.user, Deed.COMPLETE_TASK, task, at=request.at)
        self.note(task, task.worker)
        body = self.body(CompletionSerializer)
        return Response(
            TaskSerializer(complete.complete_task(task=task, by=request.user, at=request.at, **body)).data
        )
