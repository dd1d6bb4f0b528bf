"""A criteria version on its way into practice: whom it would move, proposed, approved per site."""

from http import HTTPStatus
from typing import Any

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from exposure.api.criteria import NO_SUCH_SITE, CriteriaResource, VersionSerializer
from exposure.api.fields import code, own_uid
from exposure.api.resource import Filters, Values
from exposure.api.schema import described, page_of
from exposure.classify.models import Adoption, CriteriaVersion, Replay
from exposure.classify.replay import by_move
from exposure.classify.versions import signatories
from exposure.people.access import may, require, visible
from exposure.people.policy import Deed, View
from exposure.pipeline import guide
from exposure.places.models import Site
from exposure.refusal import BadSubmission, Problem
from exposure.report.models import Breach


class AtSiteSerializer(serializers.Serializer):
    site = serializers.CharField(help_text="The site's code.")


class ReplayFilters(Filters):
    site = serializers.CharField(help_text="The site's code.")


class MoveSerializer(serializers.Serializer):
    before = serializers.CharField(allow_null=True, help_text="A tier; null: not assessed.")
    after = serializers.CharField(help_text="A tier; the ceiling where it is not settled.")
    settled = serializers.BooleanField()
    rules = serializers.ListField(child=serializers.CharField())
    count = serializers.IntegerField()
    breaches = serializers.ListField(
        child=serializers.UUIDField(), help_text="Of the first thousand, those that the caller may see."
    )


class ReplaySerializer(serializers.ModelSerializer):
    """All past reports of the site under the text with this sum. Nothing was moved."""

    id = own_uid()
    site = code("site")
    at = serializers.DateTimeField(source="recorded_at")
    moves = serializers.SerializerMethodField()

    class Meta:
        model = Replay
        fields = ("id", "site", "sha256", "at", "reports", "moves")
        read_only_fields = fields

    def get_moves(self, replay: Replay) -> MoveSerializer(many=True):  # type: ignore[valid-type]
        request = self.context["request"]
        reports = visible(request.user, Breach.objects.all(), View.CLINICAL, at=request.at)
        seen = {str(uid) for uid in reports.filter(uid__in=replay.breaches).values_list("uid", flat=True)}
        moves = [
            {**move, "before": move["before"] or None, "breaches": [uid for uid in named if uid in seen]}
            for move, named in by_move(replay)
        ]
        return MoveSerializer(moves, many=True).data


class ApprovalSerializer(serializers.Serializer):
    """`adopted_at` is null while a second physician of the site must sign."""

    pathogen = serializers.CharField()
    version = serializers.CharField()
    site = serializers.CharField()
    signed = serializers.ListField(child=serializers.CharField(), help_text="Account names.")
    adopted_at = serializers.DateTimeField(allow_null=True)


class CriteriaChange(CriteriaResource):
    """Access is asked before anything that was sent is read."""

    def version_for(self, deed: Deed, pathogen: str, version: str) -> CriteriaVersion:
        require(self.request.user, deed, None, at=self.request.at)
        return self.version(pathogen, version)

    def site(self, site_code: str, deed: Deed) -> Site:
        """The site, of those at which the caller may do it."""
        site = Site.objects.filter(code=site_code).first()
        if site is None or not may(self.request.user, deed, site.pk, at=self.request.at):
            raise BadSubmission(Problem("/site", str(NO_SUCH_SITE)))
        return site


class CriteriaReplays(CriteriaChange):
    @described(
        "list_criteria_replays",
        "Replays of a version at a site, newest first",
        {200: page_of(ReplaySerializer)},
        404,
        filters=ReplayFilters,
    )
    def get(self, request: Request, pathogen: str, version: str) -> Response:
        row = self.version_for(Deed.PROPOSE_CRITERIA, pathogen, version)
        wanted = self.parameters(ReplayFilters)
        site = self.site(wanted["site"], Deed.PROPOSE_CRITERIA)
        return self.page(row.replays.filter(site=site).order_by("-pk"), self._shape, wanted)

    @described(
        "replay_criteria",
        "Classify the site's past reports under a version: who would move; nothing is moved",
        {201: ReplaySerializer},
        404,
        body=AtSiteSerializer,
    )
    def post(self, request: Request, pathogen: str, version: str) -> Response:
        row = self.version_for(Deed.PROPOSE_CRITERIA, pathogen, version)
        site = self.site(self.body(AtSiteSerializer)["site"], Deed.PROPOSE_CRITERIA)
        stored = guide.replay_criteria(version=row, site=site, by=request.user, at=request.at)
        return Response(self._shape(stored).data, status=HTTPStatus.CREATED)

    def _shape(self, rows: Any, **options: Any) -> ReplaySerializer:
        return ReplaySerializer(rows, context={"request": self.request}, **options)


class CriteriaProposal(CriteriaChange):
    @described(
        "propose_criteria",
        "Propose a draft, under the caller's signature: its text stands from here on",
        {200: VersionSerializer},
        404,
        409,
    )
    def post(self, request: Request, pathogen: str, version: str) -> Response:
        row = self.version_for(Deed.PROPOSE_CRITERIA, pathogen, version)
        proposed = guide.propose_criteria(version=row, by=request.user, at=request.at)
        return Response(VersionSerializer(proposed).data)


class CriteriaApproval(CriteriaChange):
    @described(
        "approve_criteria",
        "Sign that a site works with a version; the second physician's signature puts it in force there",
        {200: ApprovalSerializer},
        404,
        409,
        body=AtSiteSerializer,
    )
    def post(self, request: Request, pathogen: str, version: str) -> Response:
        row = self.version_for(Deed.APPROVE_CRITERIA, pathogen, version)
        site = self.site(self.body(AtSiteSerializer)["site"], Deed.APPROVE_CRITERIA)
        signed_before = signatories(row, site, at=request.at)
        adoption = guide.approve_criteria(version=row, site=site, by=request.user, at=request.at)
        people = dict.fromkeys(user.name for user in (*signed_before, request.user))
        return Response(ApprovalSerializer(_approval(row, site, list(people), adoption)).data)


def _approval(row: Any, site: Site, signed: list[str], adoption: Adoption | None) -> Values:
    return {
        "pathogen": row.pathogen,
        "version": row.version,
        "site": site.code,
        "signed": signed,
        "adopted_at": adoption.from_at if adoption else None,
    }
