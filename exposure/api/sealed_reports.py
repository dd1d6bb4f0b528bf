"""What a station's tablet sealed while it had no network, reports and removals: taken from its device alone, never
throttled."""

from http import HTTPStatus

from django.core.exceptions import PermissionDenied
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.throttling import BaseThrottle

from exposure.api.resource import Resource
from exposure.api.schema import described
from exposure.pipeline import receive
from exposure.report.sealed import read_envelope


class EnvelopeSerializer(serializers.Serializer):
    """Describes the body; `exposure.report.sealed` reads it, and says how it is sealed."""

    submission_id = serializers.UUIDField()
    key = serializers.CharField(
        help_text="Id of the key that it was sealed for, as the station's pack names it."
    )
    sealed = serializers.CharField(help_text="Base64: HPKE, RFC 9180.")
    sent_at = serializers.CharField(
        required=False, allow_null=True, help_text="RFC 3339, by the tablet's own clock."
    )


class ReceiptSerializer(serializers.Serializer):
    """What lets a tablet forget a report or a removal: nothing else that answers carries its id."""

    submission_id = serializers.UUIDField()
    reference = serializers.CharField()
    ring_now = serializers.BooleanField(help_text="Ring occupational health at once.")


class SealedReports(Resource):
    for_devices = frozenset({"POST"})

    def get_throttles(self) -> list[BaseThrottle]:
        return []

    @described(
        "take_sealed_report",
        "Take a report, or a removal, that a station's tablet sealed",
        {201: ReceiptSerializer, 200: ReceiptSerializer},
        409,
        body=EnvelopeSerializer,
        throttled=False,
    )
    def post(self, request: Request) -> Response:
        if request.user.device_of_id is None:
            raise PermissionDenied
        envelope = read_envelope(request.data)
        taken = receive.take_sealed(envelope=envelope, reporter=request.user, at=request.at)
        receipt = {
            "submission_id": envelope.submission_id,
            "reference": taken.reference,
            "ring_now": taken.ring_now,
        }
        status = HTTPStatus.CREATED if taken.created else HTTPStatus.OK
        return Response(ReceiptSerializer(receipt).data, status=status)
