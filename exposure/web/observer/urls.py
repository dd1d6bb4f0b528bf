"""Addresses of the observer's pages."""

from django.urls import path

from exposure.web.observer import own_reports, report, views

urlpatterns = [
    path("stations/", views.stations, name="stations"),
    path("stations/<slug:code>/", views.station, name="station"),
    path("stations/<slug:code>/report/", report.report, name="report"),
    path("removals/<uuid:uid>/", views.removal, name="removal"),
    path("removals/<uuid:uid>/marks/<uuid:mark>/", views.mark, name="mark"),
    path("reports/sent/<uuid:uid>/", own_reports.reported, name="reported"),
    path("my-reports/", own_reports.my_reports, name="my_reports"),
    path("my-reports/<uuid:uid>/", own_reports.my_report, name="my_report"),
]
