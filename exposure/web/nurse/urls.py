"""Addresses of the pages of nurse and physician."""

from django.urls import path

from exposure.web.nurse import alert_deeds, person_deeds, report_deeds, views

urlpatterns = [
    path("needs-action/", views.needs_action, name="needs_action"),
    path("alerts/<uuid:uid>/", views.alert, name="alert"),
    path("alerts/<uuid:uid>/have/", alert_deeds.acknowledge, name="alert_acknowledge"),
    path("alerts/<uuid:uid>/close/", alert_deeds.close, name="alert_close"),
    path("reports/", views.reports, name="reports"),
    path("reports/<uuid:uid>/", views.breach, name="breach"),
    path("reports/<uuid:uid>/told/", report_deeds.told, name="breach_told"),
    path("reports/<uuid:uid>/confirm/", report_deeds.confirm, name="breach_confirm"),
    path("reports/<uuid:uid>/answers/", report_deeds.answers, name="breach_answers"),
    path("reports/<uuid:uid>/override/<slug:pathogen>/", report_deeds.override, name="breach_override"),
    path("assessments/<uuid:uid>/sign/", report_deeds.countersign, name="countersign"),
    path("monitoring/", views.monitoring, name="monitoring"),
    path("people/<uuid:uid>/", views.person, name="person"),
    path("people/<uuid:uid>/call/", person_deeds.call, name="person_call"),
    path("people/<uuid:uid>/reading/", person_deeds.reading, name="person_reading"),
    path("missing/<uuid:uid>/", person_deeds.excuse, name="excuse"),
    path("tasks/<uuid:uid>/", person_deeds.task_done, name="task_done"),
    path("follow-ups/<uuid:uid>/clear/", person_deeds.clear, name="clear"),
]
