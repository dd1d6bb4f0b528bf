"""Tasks with a time by which they must be done."""

from uuid import UUID

from django.db.models import QuerySet
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from exposure.api.fields import WorkerId, code, own_uid, uid
from exposure.api.resource import Filters, Resource
from exposure.api.schema import described, page_of
from exposure.attend.models import Promise
from exposure.people.access import require_on
from exposure.people.policy import IN_LISTS, Deed
from exposure.pipeline import complete, hand_over

TASKS = (Promise.Kind.TASK, Promise.Kind.REVIEW)
ROWS = Promise.objects.filter(kind__in=TASKS).select_related(
    "site", "breach", "worker", "exposure__follow_up", "kept_by", "held_by"
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
    held_by = code("held_by", "name")
    not_applicable = serializers.SerializerMethodField(
        help_text="It does not apply to this worker, for the reason in `note`; it counts as completed."
    )
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
            "held_by",
            "completed_at",
            "completed_by",
            "not_applicable",
            "dropped_at",
            "note",
        )
        read_only_fields = fields

    def get_not_applicable(self, task: Promise) -> bool:
        return bool(task.not_applicable)


class CompletionSerializer(serializers.Serializer):
    note = serializers.CharField(required=False, allow_blank=True, default="")


class NotApplicableSerializer(serializers.Serializer):
    reason = serializers.CharField(help_text="Why it does not apply.")


class HandOverSerializer(serializers.Serializer):
    to = serializers.CharField(
        help_text="The account, or the whole name, of a nurse or physician of the site."
    )
    holder = serializers.CharField(
        required=False,
        allow_blank=True,
        default="",
        help_text="The account that `held_by` shows; absent: nobody has it. Where another has it by now, the answer "
        "is 409 with who.",
    )


class Tasks(Resource):
    @described("list_tasks", "Tasks, newest first", {200: page_of(TaskSerializer)}, filters=TaskFilters)
    def get(self, request: Request) -> Response:
        wanted, rows = self.parameters(TaskFilters), self.seen(ROWS, *IN_LISTS)
        if "site" in wanted:
            rows = rows.filter(site__code=wanted["site"])
        if "open" in wanted:
            rows = rows.open() if wanted["open"] else rows.exclude(kept_at=None, void_at=None)
        return self.page(rows, TaskSerializer, wanted)


class TaskResource(Resource):
    def task(self, uid: UUID, deed: Deed, rows: QuerySet[Promise] = ROWS) -> Promise:
        """The task, if the caller may see it and do the deed to it; that they looked is noted."""
        task: Promise = self.find(rows, *IN_LISTS, uid=uid)
        require_on(self.request.user, deed, task, at=self.request.at)
        self.note(task, task.worker)
        return task

    def answer(self, task: Promise) -> Response:
        return Response(TaskSerializer(task).data)


class TaskCompletion(TaskResource):
    @described(
        "complete_task",
        "Done; before its `not_before` refused",
        {200: TaskSerializer},
        404,
        409,
        body=CompletionSerializer,
    )
    def post(self, request: Request, uid: UUID) -> Response:
        task, body = self.task(uid, Deed.COMPLETE_TASK), self.body(CompletionSerializer)
        return self.answer(complete.complete_task(task=task, by=request.user, at=request.at, **body))


class TaskNotApplicable(TaskResource):
    @described(
        "mark_task_not_applicable",
        "It does not apply to this worker",
        {200: TaskSerializer},
        404,
        409,
        body=NotApplicableSerializer,
    )
    def post(self, request: Request, uid: UUID) -> Response:
        task = self.task(uid, Deed.COMPLETE_TASK, ROWS.filter(kind=Promise.Kind.TASK))
        body = self.body(NotApplicableSerializer)
        return self.answer(complete.mark_not_applicable(task=task, by=request.user, at=request.at, **body))


class TaskHandOver(TaskResource):
    @described(
        "hand_over_task",
        "Give it to a colleague, or take it",
        {200: TaskSerializer},
        404,
        409,
        body=HandOverSerializer,
    )
    def post(self, request: Request, uid: UUID) -> Response:
        task, body = self.task(uid, Deed.HAND_OVER), self.body(HandOverSerializer)
        given = hand_over.hand_over_promise(promise=task, by=request.user, at=request.at, **body)
        return self.answer(given)
