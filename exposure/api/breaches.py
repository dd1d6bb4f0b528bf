"""Breach reports: taken from anybody who is signed in, never refused for their content, never throttled."""

from collections.abc import Iterable
from http import HTTPStatus
from typing import Any
from uuid import UUID

from django.utils.translation import gettext as _
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.throttling import BaseThrottle

from exposure.api.breach_shapes import (
    BreachSerializer,
    ConfirmationSerializer,
    FactsSerializer,
    FullBreachSerializer,
    OverrideSerializer,
    ReportedSerializer,
    SubmissionSerializer,
    ToldSerializer,
    WithdrawalSerializer,
)
from exposure.api.problems import problem
from exposure.api.resource import Filters, Resource
from exposure.api.schema import described, page_of
from exposure.people.access import require_on
from exposure.people.policy import AS_CLINICIAN, IN_LISTS, Deed, Part, View, sides_with
from exposure.pipeline import classify, report, tell
from exposure.refusal import BadSubmission, Conflict, Problem
from exposure.report.models import Breach
from exposure.report.submission import read_submission

SIDES = (*IN_LISTS, View.AUTHOR)
ROWS = Breach.objects.select_related("site", "station", "worker", "case", "removal", "event")


class BreachRows(Resource):
    def as_read(self, breaches: Iterable[Breach]) -> list[Breach]:
        """The same rows, each with what the caller is to it, as the shapes ask."""
        breaches = list(breaches)
        rows = Breach.objects.filter(pk__in=[breach.pk for breach in breaches])
        in_words = set(self.seen(rows, *sides_with(Part.NARRATIVE), View.AUTHOR).values_list("pk", flat=True))
        clinical = set(self.seen(rows, *AS_CLINICIAN).values_list("pk", flat=True))
        for breach in breaches:
            breach.in_words, breach.is_clinical = breach.pk in in_words, breach.pk in clinical
        return breaches


class Breaches(BreachRows):
    """The reports that the caller may see, and the way in for a new one."""

    for_devices = frozenset({"POST"})

    def get_throttles(self) -> list[BaseThrottle]:
        return [] if self.request.method == "POST" else super().get_throttles()

    @described(
        "list_breaches", "Breach reports, newest first", {200: page_of(BreachSerializer)}, filters=Filters
    )
    def get(self, request: Request) -> Response:
        rows, wanted = self.seen(ROWS, *SIDES), self.parameters(Filters)
        return self.page(rows, BreachSerializer, wanted, self.as_read)

    @described(
        "report_breach",
        "Report a suspected breach",
        {201: ReportedSerializer, 200: ReportedSerializer},
        409,
        body=SubmissionSerializer,
        throttled=False,
    )
    def post(self, request: Request) -> Response:
        try:
            reported = report.report_breach(body=request.data, reporter=request.user, at=request.at)
        except Conflict:
            return self._other_content()
        breach = reported.breach
        answer: dict[str, Any] = {
            "id": breach.uid,
            "reference": breach.reference,
            "ring_now": reported.ring_now,
        }
        if self.is_clinical(breach):
            answer["assessments"] = reported.assessments
            answer["follow_ups"] = [follow_up.uid for follow_up in reported.follow_ups]
        status = HTTPStatus.CREATED if reported.created else HTTPStatus.OK
        return Response(ReportedSerializer(answer).data, status=status)

    def _other_content(self) -> Response:
        """Only somebody who may see the first record learns that there is one."""
        submission_id = read_submission(self.request.data).submission_id
        standing = self.seen(Breach.objects.all(), *SIDES).filter(uid=submission_id).first()
        if standing is None:
            raise Conflict
        detail = _("The report %(reference)s stands with other content; occupational health sees both.")
        return problem(HTTPStatus.CONFLICT, detail % {"reference": standing.reference})


class BreachResource(BreachRows):
    """One report, in the answer of whatever is done to it."""

    def breach(self, uid: UUID, deed: Deed | None = None) -> Breach:
        """The report, if the caller may see it and do the deed to it, which is asked before the body is read. That
        they looked is noted."""
        breach = self.find(ROWS, *SIDES, View.GLASS, uid=uid)
        if deed is not None:
            require_on(self.request.user, deed, breach, at=self.request.at)
        self.note(breach, breach.worker)
        return breach

    def shown(self, uid: UUID) -> Response:
        [breach] = self.as_read([self.find(ROWS, *SIDES, View.GLASS, uid=uid)])
        return Response(FullBreachSerializer(breach, context={"clinical": breach.is_clinical}).data)


class BreachDetail(BreachResource):
    @described("get_breach", "One breach report", {200: FullBreachSerializer}, 404)
    def get(self, request: Request, uid: UUID) -> Response:
        self.breach(uid)
        return self.shown(uid)


class BreachFacts(BreachResource):
    @described(
        "answer_facts",
        "Add answers: a new assessment",
        {200: FullBreachSerializer},
        404,
        409,
        body=FactsSerializer,
    )
    def post(self, request: Request, uid: UUID) -> Response:
        breach, body = self.breach(uid), self.body(FactsSerializer)
        classify.answer_facts(breach=breach, by=request.user, at=request.at, **body)
        return self.shown(uid)


class BreachConfirmation(BreachResource):
    @described(
        "confirm_breach",
        "Confirm, having spoken with the worker",
        {200: FullBreachSerializer},
        404,
        409,
        body=ConfirmationSerializer,
    )
    def post(self, request: Request, uid: UUID) -> Response:
        breach, body = self.breach(uid, Deed.CONFIRM), self.body(ConfirmationSerializer)
        classify.confirm_breach(breach=breach, by=request.user, at=request.at, **body)
        return self.shown(uid)


class BreachOverride(BreachResource):
    @described(
        "override_tier",
        "Set another tier, with a reason; a lower one may wait for a second signature",
        {200: FullBreachSerializer},
        404,
        409,
        body=OverrideSerializer,
    )
    def post(self, request: Request, uid: UUID) -> Response:
        breach, body = self.breach(uid, Deed.OVERRIDE), self.body(OverrideSerializer)
        body.setdefault("pathogen", self._only_pathogen(breach))
        classify.override_tier(breach=breach, by=request.user, at=request.at, **body)
        return self.shown(uid)

    def _only_pathogen(self, breach: Breach) -> str:
        pathogens = set(breach.assessments.values_list("pathogen", flat=True))
        if len(pathogens) > 1:
            raise BadSubmission(Problem("/pathogen", _("Name the pathogen: the report concerns several.")))
        return pathogens.pop() if pathogens else ""


class BreachWithdrawal(BreachResource):
    @described(
        "ask_withdrawal",
        "Ask for withdrawal; a clinician decides",
        {200: FullBreachSerializer},
        404,
        body=WithdrawalSerializer,
    )
    def post(self, request: Request, uid: UUID) -> Response:
        breach, body = self.breach(uid), self.body(WithdrawalSerializer)
        report.ask_withdrawal(breach=breach, by=request.user, at=request.at, **body)
        return self.shown(uid)


class BreachTold(BreachResource):
    @described(
        "tell_worker",
        "Record that the worker was told: messages may start",
        {200: FullBreachSerializer},
        404,
        409,
        body=ToldSerializer,
    )
    def post(self, request: Request, uid: UUID) -> Response:
        breach, body = self.breach(uid, Deed.TELL), self.body(ToldSerializer)
        told_at = body.get("at", request.at)
        tell.tell_worker(breach=breach, how=body["by"], told_at=told_at, by=request.user, at=request.at)
        return self.shown(uid)
