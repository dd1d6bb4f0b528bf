"""Addresses under /api/v1/."""

from django.http import Http404
from django.urls import path, re_path
from rest_framework.request import Request

from exposure.api import (
    alerts,
    breaches,
    calls,
    cases,
    criteria,
    criteria_change,
    follow_ups,
    on_call,
    readings,
    removals,
    sealed_reports,
    seals,
    tasks,
)
from exposure.api.resource import Resource
from exposure.api.schema import SchemaView


class NothingHere(Resource):
    """Any other address: a problem like the others, not a page."""

    schema = None

    def initial(self, request: Request, *args: object, **kwargs: object) -> None:
        super().initial(request, *args, **kwargs)
        raise Http404


urlpatterns = [
    path("breaches/", breaches.Breaches.as_view()),
    path("breaches/<uuid:uid>/", breaches.BreachDetail.as_view()),
    path("breaches/<uuid:uid>/facts/", breaches.BreachFacts.as_view()),
    path("breaches/<uuid:uid>/confirm/", breaches.BreachConfirmation.as_view()),
    path("breaches/<uuid:uid>/override/", breaches.BreachOverride.as_view()),
    path("breaches/<uuid:uid>/withdraw/", breaches.BreachWithdrawal.as_view()),
    path("breaches/<uuid:uid>/told/", breaches.BreachTold.as_view()),
    path("sealed-reports/", sealed_reports.SealedReports.as_view()),
    path("readings/", readings.Readings.as_view()),
    path("criteria/", criteria.CriteriaList.as_view()),
    path("criteria/<slug:pathogen>/classify/", criteria.Classification.as_view()),
    re_path(
        r"^criteria/(?P<pathogen>[-a-zA-Z0-9_]+)/(?P<version>[^/\0]+)/$", criteria.CriteriaDetail.as_view()
    ),
    re_path(
        r"^criteria/(?P<pathogen>[-a-zA-Z0-9_]+)/(?P<version>[^/\0]+)/findings/$",
        criteria.CriteriaFindings.as_view(),
    ),
    re_path(
        r"^criteria/(?P<pathogen>[-a-zA-Z0-9_]+)/(?P<version>[^/\0]+)/replay/$",
        criteria_change.CriteriaReplays.as_view(),
    ),
    re_path(
        r"^criteria/(?P<pathogen>[-a-zA-Z0-9_]+)/(?P<version>[^/\0]+)/propose/$",
        criteria_change.CriteriaProposal.as_view(),
    ),
    re_path(
        r"^criteria/(?P<pathogen>[-a-zA-Z0-9_]+)/(?P<version>[^/\0]+)/approve/$",
        criteria_change.CriteriaApproval.as_view(),
    ),
    path("cases/", cases.Cases.as_view()),
    path("cases/<slug:code>/", cases.CaseDetail.as_view()),
    path("follow-ups/", follow_ups.FollowUps.as_view()),
    path("follow-ups/<uuid:uid>/", follow_ups.FollowUpDetail.as_view()),
    path("follow-ups/<uuid:uid>/checks/", follow_ups.FollowUpChecks.as_view()),
    path("follow-ups/<uuid:uid>/exposures/", follow_ups.FollowUpExposures.as_view()),
    path("follow-ups/<uuid:uid>/clear/", follow_ups.FollowUpClearance.as_view()),
    path("alerts/", alerts.Alerts.as_view()),
    path("alerts/<uuid:uid>/acknowledge/", alerts.AlertAcknowledgement.as_view()),
    path("alerts/<uuid:uid>/hand-over/", alerts.AlertHandOver.as_view()),
    path("alerts/<uuid:uid>/look/", alerts.AlertLook.as_view()),
    path("alerts/<uuid:uid>/close/", alerts.AlertClosing.as_view()),
    path("tasks/", tasks.Tasks.as_view()),
    path("tasks/<uuid:uid>/complete/", tasks.TaskCompletion.as_view()),
    path("tasks/<uuid:uid>/not-applicable/", tasks.TaskNotApplicable.as_view()),
    path("tasks/<uuid:uid>/hand-over/", tasks.TaskHandOver.as_view()),
    path("calls/", calls.Calls.as_view()),
    path("on-call/", on_call.OnCallList.as_view()),
    path("on-call/<uuid:uid>/end/", on_call.OnCallEnd.as_view()),
    path("removals/", removals.Removals.as_view()),
    path("removals/<uuid:uid>/", removals.RemovalDetail.as_view()),
    path("seals/", seals.Seals.as_view()),
    path("seals/consistency/", seals.Consistency.as_view()),
    path("seals/entries/<int:sequence>/", seals.Inclusion.as_view()),
    path("schema/", SchemaView.as_view()),
    re_path("", NothingHere.as_view()),
]
