"""Addresses of the pages of nurse and physician."""

from django.urls import path

from exposure.web.nurse import alert_deeds, cases, monitoring_deeds, person_deeds, report_deeds, views

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
    path("follow-ups/<uuid:uid>/return/", monitoring_deeds.return_to_monitoring, name="follow_up_return"),
    path("follow-ups/<uuid:uid>/end/", monitoring_deeds.end, name="follow_up_end"),
    path("follow-ups/<uuid:uid>/<str:kind>/", monitoring_deeds.state, name="follow_up_state"),
    path("exposures/<uuid:uid>/correct/", monitoring_deeds.correct, name="exposure_correct"),
    path("reports/<uuid:uid>/withdrawal/", monitoring_deeds.decide_withdrawal, name="breach_withdrawal"),
    path("people/<uuid:uid>/protection/", monitoring_deeds.protection, name="person_protection"),
    path("people/<uuid:uid>/private-note/", monitoring_deeds.private_note, name="person_note"),
    path("cases/", cases.cases, name="cases"),
    path("cases/<uuid:uid>/", cases.case, name="case"),
    path("cases/<uuid:uid>/<slug:pathogen>/", cases.state, name="case_state"),
]
