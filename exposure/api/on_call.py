"""Who is on call for a site: to whom an alert goes, in which order, and what is rung when nobody takes it."""

from http import HTTPStatus
from typing import Any
from uuid import UUID

from django.db.models import F
from django.utils.translation import gettext as _
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from exposure.api.fields import Instant, code, own_uid
from exposure.api.resource import Filters, Resource
from exposure.api.schema import described, page_of
from exposure.people import on_call
from exposure.people.access import require
from exposure.people.models import OnCall
from exposure.people.policy import Deed, View
from exposure.places.models import Site
from exposure.refusal import BadSubmission, Problem

ROWS = OnCall.objects.select_related("site", "user")


class OnCallFilters(Filters):
    site = serializers.CharField(required=False)
    at = Instant(
        required=False, help_text="Who is on call at that instant; absent: whoever is now, or will be."
    )


class OnCallSerializer(serializers.ModelSerializer):
    id = own_uid()
    site = code("site")
    user = code("user", "name")
    name = serializers.CharField(source="user.full_name")
    climb_minutes = serializers.IntegerField(source="site.climb_minutes")
    switchboard = serializers.SerializerMethodField(
        help_text="Rung where the last place has not taken an alert either."
    )

    class Meta:
        model = OnCall
        fields = (
            "id",
            "site",
            "user",
            "name",
            "place",
            "from_at",
            "until_at",
            "climb_minutes",
            "switchboard",
        )
        read_only_fields = fields

    def get_switchboard(self, row: OnCall) -> str:
        return row.site.switchboard or row.site.phone


class HoursSerializer(serializers.Serializer):
    site = serializers.CharField()
    user = serializers.CharField(help_text="The account's sign-in name: a nurse or physician of the site.")
    place = serializers.IntegerField(help_text=f"From 1, which is told first, to {on_call.MOST_PLACES}.")
    from_at = Instant()
    until_at = Instant(help_text="The hand-over to whoever comes next.")


class OnCallList(Resource):
    @described(
        "list_on_call",
        "Who is on call, newest entry first",
        {200: page_of(OnCallSerializer)},
        filters=OnCallFilters,
    )
    def get(self, request: Request) -> Response:
        wanted = self.parameters(OnCallFilters)
        rows = self.seen(ROWS, View.CLINICAL).exclude(until_at=F("from_at"))
        rows = rows.on(at=wanted["at"]) if "at" in wanted else rows.filter(until_at__gt=request.at)
        if "site" in wanted:
            rows = rows.filter(site__code=wanted["site"])
        return self.page(rows, OnCallSerializer, wanted)

    @described(
        "put_on_call",
        "Put somebody on call for some hours; the same once more is the one that stands",
        {201: OnCallSerializer, 200: OnCallSerializer},
        404,
        body=HoursSerializer,
    )
    def post(self, request: Request) -> Response:
        require(request.user, Deed.SET_ON_CALL, None, at=request.at)
        body: dict[str, Any] = self.body(HoursSerializer)
        site = self.find(Site.objects.all(), View.CLINICAL, code=body.pop("site"))
        require(request.user, Deed.SET_ON_CALL, site.pk, at=request.at)
        named = body.pop("user")
        user = next((one for one in on_call.could_be(site, at=request.at) if one.name == named), None)
        if user is None:
            raise BadSubmission(Problem("/user", _("Choose a nurse or physician of this site.")))
        row, is_new = on_call.put_on_call(site=site, user=user, by=request.user, at=request.at, **body)
        return Response(OnCallSerializer(row).data, status=HTTPStatus.CREATED if is_new else HTTPStatus.OK)


class OnCallEnd(Resource):
    @described("end_on_call", "On call no longer, from now on", {200: OnCallSerializer}, 404)
    def post(self, request: Request, uid: UUID) -> Response:
        row = self.find(ROWS, View.CLINICAL, uid=uid)
        row = on_call.end_on_call(row, by=request.user, at=request.at)
        self.note(row, None)
        return Response(OnCallSerializer(row).data)
