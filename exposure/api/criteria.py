"""Criteria versions, what is wrong with one, and a verdict on facts without storing anything."""

from decimal import Decimal
from typing import Any

from django.http import Http404
from django.utils.translation import gettext as _
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from exposure.api.fields import CodeOrNull, Facts
from exposure.api.resource import Filters, Resource, all_at_once
from exposure.api.schema import described, page_of
from exposure.classify import assess
from exposure.classify.criteria import CriteriaError, Finding, TooIntricate
from exposure.classify.models import Adoption, CriteriaVersion
from exposure.people.access import roles_of
from exposure.places.models import Site
from exposure.refusal import BadSubmission, Problem


class VersionSerializer(serializers.ModelSerializer):
    class Meta:
        model = CriteriaVersion
        fields = (
            "pathogen",
            "version",
            "title",
            "sha256",
            "withdrawn_guidance",
            "is_example",
            "proposed_at",
            "approved_at",
            "retired_at",
        )
        read_only_fields = fields


class FullVersionSerializer(VersionSerializer):
    """With the exact text, of which `sha256` is taken, and the sites that work with it now."""

    sites = serializers.SerializerMethodField()

    class Meta(VersionSerializer.Meta):
        fields = (*VersionSerializer.Meta.fields, "text", "sites")

    def get_sites(self, version: CriteriaVersion) -> list[str]:
        at = self.context["request"].at
        adoptions = Adoption.objects.filter(version=version, from_at__lte=at).exclude(until_at__lte=at)
        return sorted(set(adoptions.values_list("site__code", flat=True)))


class FindingSerializer(serializers.Serializer):
    kind = serializers.CharField()
    about = serializers.CharField(help_text="A rule's id, a fact's name, or otherwise.")
    message = serializers.CharField()
    witness = serializers.SerializerMethodField(
        help_text="Sets of facts that `classify` takes and that show it."
    )
    accepted = serializers.BooleanField()

    def get_witness(self, finding: Finding) -> list[dict[str, Any]]:
        witness = finding.witness or ()
        pairs = witness if isinstance(witness, tuple) else (witness,)
        return [{name: _number_or_code(answer) for name, answer in facts.items()} for facts in pairs]


class CaseOfFactsSerializer(serializers.Serializer):
    facts = Facts()
    site = serializers.CharField(
        required=False, help_text="Whose adopted version; absent: the caller's site."
    )


class VerdictSerializer(serializers.Serializer):
    pathogen = serializers.CharField()
    criteria_version = serializers.CharField()
    floor = serializers.CharField()
    ceiling = serializers.CharField()
    tier = CodeOrNull()
    covered = serializers.BooleanField()
    rules = serializers.ListField(child=serializers.CharField())
    open_questions = serializers.ListField(child=serializers.CharField())


class CriteriaList(Resource):
    """Published guidance as decision tables; anybody who is signed in may read it."""

    @described("list_criteria", "Criteria versions", {200: page_of(VersionSerializer)}, filters=Filters)
    def get(self, request: Request) -> Response:
        return self.page(CriteriaVersion.objects.all(), VersionSerializer, self.parameters(Filters))


class CriteriaDetail(Resource):
    @described("get_criteria", "One version, with its text", {200: FullVersionSerializer}, 404)
    def get(self, request: Request, pathogen: str, version: str) -> Response:
        return Response(
            FullVersionSerializer(find_version(pathogen, version), context={"request": request}).data
        )


class CriteriaFindings(Resource):
    throttle_scope = "findings"

    @described(
        "get_findings", "What is wrong with a version, exactly", {200: page_of(FindingSerializer)}, 404, 409
    )
    def get(self, request: Request, pathogen: str, version: str) -> Response:
        findings = assess.criteria_of(find_version(pathogen, version)).findings()
        return all_at_once(FindingSerializer(findings, many=True).data)


class Classification(Resource):
    @described(
        "classify",
        "The verdict of the site's adopted criteria on facts; nothing is stored",
        {200: VerdictSerializer},
        404,
        409,
        body=CaseOfFactsSerializer,
    )
    def post(self, request: Request, pathogen: str) -> Response:
        body = self.body(CaseOfFactsSerializer)
        adopted = assess.adopted(self._site(body.get("site")), pathogen, at=request.at)
        if adopted is None:
            raise Http404
        criteria = assess.criteria_of(adopted)
        try:
            verdict = criteria.classify(body["facts"])
        except TooIntricate:
            raise
        except CriteriaError as error:
            field = f"/facts/{error.path}" if error.path in body["facts"] else "/facts"
            raise BadSubmission(Problem(field, error.message)) from None
        shown = {
            name: getattr(verdict, name) for name in VerdictSerializer().fields if hasattr(verdict, name)
        }
        answer = {"pathogen": adopted.pathogen, "criteria_version": adopted.version, **shown}
        return Response(VerdictSerializer(answer).data)

    def _site(self, code: str | None) -> Site:
        """The site named, else the caller's."""
        if code is not None:
            site = Site.objects.filter(code=code).first()
            if site is None:
                raise BadSubmission(Problem("/site", _("There is no such site.")))
            return site
        user = self.request.user
        own = {role.site for role in roles_of(user, at=self.request.at) if role.site_id}
        if not own and hasattr(user, "worker"):
            own = {user.worker.site}
        if len(own) != 1:
            raise BadSubmission(Problem("/site", _("Name the site whose criteria are meant.")))
        return own.pop()


def find_version(pathogen: str, version: str) -> CriteriaVersion:
    """The version, or Http404."""
    stored = CriteriaVersion.objects.filter(pathogen=pathogen, version=version).first()
    if stored is None:
        raise Http404
    return stored


def _number_or_code(answer: object) -> object:
    """Measured answers as the numbers that `classify` takes."""
    return float(answer) if isinstance(answer, Decimal) else answer
