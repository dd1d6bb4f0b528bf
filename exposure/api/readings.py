"""Readings, entered by the worker or by occupational health."""

from http import HTTPStatus
from typing import Any

from django.utils import translation
from django.utils.translation import gettext as _
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from exposure import wording
from exposure.api.advice import advice
from exposure.api.fields import CodeOrNull, own_uid
from exposure.api.problems import ProblemSerializer, refused
from exposure.api.resource import Resource
from exposure.api.schema import described
from exposure.followup.models import Reading
from exposure.people.models import Worker
from exposure.people.policy import IN_LISTS, View
from exposure.pipeline import follow
from exposure.refusal import BadSubmission, Problem


class EntrySerializer(serializers.Serializer):
    """Describes a reading's body; `exposure.followup.entry` reads it."""

    submission_id = serializers.UUIDField(help_text="Made once a reading; for ever the record's id.")
    worker = serializers.CharField(
        required=False, allow_null=True, help_text="Number or uid; absent: oneself."
    )
    taken_at = serializers.CharField(required=False, allow_null=True, help_text="RFC 3339; absent: now.")
    temperature = serializers.CharField(required=False, allow_null=True, help_text="A decimal as text.")
    unit = serializers.CharField(required=False, allow_null=True, help_text="C or F.")
    method = serializers.CharField(
        required=False, allow_null=True, help_text="oral, tympanic, temporal, forehead, axillary or rectal."
    )
    felt_feverish = serializers.BooleanField(required=False, allow_null=True)
    fever_reducer = serializers.CharField(required=False, allow_null=True)
    fever_reducer_hours = serializers.DecimalField(5, 2, required=False, allow_null=True)
    could_not = serializers.CharField(required=False, allow_null=True, help_text="Why none could be taken.")
    replaces = serializers.CharField(
        required=False, allow_null=True, help_text="The reading that this corrects."
    )
    reason = serializers.CharField(required=False, allow_null=True, help_text="Why it is corrected.")
    symptoms = serializers.ListField(child=serializers.CharField(), required=False, allow_null=True)
    observed_by = serializers.CharField(required=False, allow_null=True)
    note = serializers.CharField(required=False, allow_null=True)


class LoggedSerializer(serializers.Serializer):
    id = serializers.UUIDField()
    fills = serializers.ListField(
        child=serializers.UUIDField(), help_text="The expected readings it answers."
    )
    state = serializers.CharField(help_text="recorded, recorded_late, close, repeat_due, extra or unplaced.")
    triggers = serializers.ListField(child=serializers.CharField())
    advice = serializers.CharField(help_text="What the worker does now.")


class RefusedEntrySerializer(ProblemSerializer):
    """`kept`: it would have been a trigger, stands as an unplaced reading, and has raised its alert."""

    kept = serializers.BooleanField(required=False)
    triggers = serializers.ListField(child=serializers.CharField(), required=False)
    advice = serializers.CharField(required=False)


class ReadingSerializer(serializers.ModelSerializer):
    """A reading as it was entered; `temperature` is a decimal as text."""

    id = own_uid()
    temperature = serializers.DecimalField(5, 2, source="value", allow_null=True)
    unit = CodeOrNull()
    method = CodeOrNull()
    symptoms = serializers.ListField(child=serializers.CharField())
    triggers = serializers.ListField(child=serializers.CharField())

    class Meta:
        model = Reading
        fields = (
            "id",
            "taken_at",
            "recorded_at",
            "temperature",
            "unit",
            "method",
            "felt_feverish",
            "fever_reducer",
            "fever_reducer_hours",
            "symptoms",
            "could_not",
            "observed_by",
            "note",
            "triggers",
            "state",
        )
        read_only_fields = fields


class Readings(Resource):
    throttle_scope = "readings"

    @described(
        "log_reading",
        "Enter a reading",
        {201: LoggedSerializer, 200: LoggedSerializer},
        404,
        409,
        body=EntrySerializer,
        problem=RefusedEntrySerializer,
    )
    def post(self, request: Request) -> Response:
        worker = self._whose()
        with translation.override(self._language(worker)):
            return self._log(request, worker)

    def _language(self, worker: Worker) -> str:
        """That of a worker who enters their own reading, for what they are told; else the interface's own."""
        if worker.user_id != self.request.user.pk:
            return wording.KEPT_IN
        return worker.language or translation.get_language_from_request(self.request)

    def _log(self, request: Request, worker: Worker) -> Response:
        logged = follow.log_reading(body=request.data, worker=worker, entered_by=request.user, at=request.at)
        if logged.problems and logged.row is None:
            return refused(logged.problems, kept=False)
        now = {"triggers": list(logged.triggers), "advice": advice(logged, worker, at=request.at)}
        if logged.problems:
            return refused(logged.problems, kept=True, **now)
        fills = [check.uid for check in logged.fills]
        answer = LoggedSerializer({"id": logged.row.uid, "fills": fills, "state": logged.state, **now})
        return Response(answer.data, status=HTTPStatus.CREATED if logged.created else HTTPStatus.OK)

    def _whose(self) -> Worker:
        """The named worker, if the caller may see them, else the caller."""
        named = self._entered("worker")
        if named is None:
            worker = Worker.objects.filter(user=self.request.user).select_related("site").first()
            if worker is None:
                raise BadSubmission(Problem("/worker", _("Say whose reading it is.")))
            return worker
        if not isinstance(named, str):
            raise BadSubmission(Problem("/worker", _("Name the worker by number or uid, as text.")))
        return self.worker(named, *IN_LISTS, View.OWN)

    def _entered(self, name: str) -> Any:
        if not isinstance(self.request.data, dict):
            raise BadSubmission(Problem("", _("Send a JSON object.")))
        return self.request.data.get(name)
