"""Criteria versions, what is wrong with one, and a verdict on facts without storing anything."""

from decimal import Decimal
from typing import Any

from django.db.models import QuerySet
from django.http import Http404
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from exposure.api.fields import CodeOrNull, Facts
from exposure.api.resource import Filters, Resource, all_at_once
from exposure.api.schema import described, page_of
from exposure.classify import assess
from exposure.classify.criteria import CriteriaError, Finding, TooIntricate
from exposure.classify.models import Adoption, CriteriaVersion
from exposure.people.access import holds, roles_of
from exposure.people.policy import SEEING_CRITERIA, SEEING_DRAFTS
from exposure.places.models import Site
from exposure.refusal import BadSubmission, Problem

# What is not there and what is not yours say the same.
NO_SUCH_SITE = gettext_lazy("Name a site at which you may do this, by its code.")


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
    """Whoever may read criteria gets the verdict; everybody else what is still to be asked, and no tier."""

    pathogen = serializers.CharField()
    criteria_version = serializers.CharField()
    floor = serializers.CharField(required=False)
    ceiling = serializers.CharField(required=False)
    tier = CodeOrNull(required=False)
    covered = serializers.BooleanField(required=False)
    rules = serializers.ListField(child=serializers.CharField(), required=False)
    open_questions = serializers.ListField(child=serializers.CharField())


class CriteriaResource(Resource):
    """Published guidance as decision tables, with its tiers: for clinicians and auditors; drafts for physicians."""

    def versions(self) -> QuerySet[CriteriaVersion]:
        user, at = self.request.user, self.request.at
        if holds(user, SEEING_DRAFTS, at=at):
            return CriteriaVersion.objects.all()
        read = holds(user, SEEING_CRITERIA, at=at)
        return CriteriaVersion.objects.exclude(proposed_at=None) if read else CriteriaVersion.objects.none()

    def version(self, pathogen: str, version: str) -> CriteriaVersion:
        """The version, if the caller may read it, or Http404."""
        stored = self.versions().filter(pathogen=pathogen, version=version).first()
        if stored is None:
            raise Http404
        return stored


class CriteriaList(CriteriaResource):
    @described("list_criteria", "Criteria versions", {200: page_of(VersionSerializer)}, filters=Filters)
    def get(self, request: Request) -> Response:
        return self.page(self.versions(), VersionSerializer, self.parameters(Filters))


class CriteriaDetail(CriteriaResource):
    @described("get_criteria", "One version, with its text", {200: FullVersionSerializer}, 404)
    def get(self, request: Request, pathogen: str, version: str) -> Response:
        return Response(
            FullVersionSerializer(self.version(pathogen, version), context={"request": request}).data
        )


class CriteriaFindings(CriteriaResource):
    throttle_scope = "findings"

    @described(
        "get_findings", "What is wrong with a version, exactly", {200: page_of(FindingSerializer)}, 404, 409
    )
    def get(self, request: Request, pathogen: str, version: str) -> Response:
        findings = assess.criteria_of(self.version(pathogen, version)).findings()
        return all_at_once(FindingSerializer(findings, many=True).data)


class Classification(Resource):
    for_devices = frozenset({"POST"})

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
        reads = holds(request.user, SEEING_CRITERIA, at=request.at)
        names = list(VerdictSerializer().fields) if reads else ["open_questions"]
        shown = {name: getattr(verdict, name) for name in names if hasattr(verdict, name)}
        answer = {"pathogen": adopted.pathogen, "criteria_version": adopted.version, **shown}
        data = VerdictSerializer(answer).data
        return Response({name: data[name] for name in answer})

    def _site(self, code: str | None) -> Site:
        """The site named, of the caller's own; else their only one."""
        user, roles = self.request.user, roles_of(self.request.user, at=self.request.at)
        own = {role.site for role in roles if role.site_id}
        if user.device_of is not None:
            own = {user.device_of.site}
        elif not own and hasattr(user, "worker"):
            own = {user.worker.site}
        if code is not None:
            everywhere = any(role.site_id is None for role in roles)
            named = [site for site in (Site.objects.all() if everywhere else own) if site.code == code]
            if not named:
                raise BadSubmission(Problem("/site", str(NO_SUCH_SITE)))
            return named[0]
        if len(own) != 1:
            raise BadSubmission(Problem("/site", _("Name the site whose criteria are meant.")))
        return own.pop()


def _number_or_code(answer: object) -> object:
    """Measured answers as the numbers that `classify` takes."""
    return float(answer) if isinstance(answer, Decimal) else answer
