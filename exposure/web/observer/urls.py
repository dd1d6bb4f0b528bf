"""Addresses of the observer's pages."""

from django.urls import path

from exposure.web.observer import own_reports, removal, report, station

urlpatterns = [
    path("stations/", station.stations, name="stations"),
    path("stations/<slug:code>/", station.station, name="station"),
    path("stations/<slug:code>/start/", station.start, name="start"),
    path("stations/<slug:code>/sheet/", station.sheet, name="station_sheet"),
    path("stations/<slug:code>/report/", report.report, name="report"),
    path("removals/<uuid:uid>/", removal.removal, name="removal"),
    path("removals/<uuid:uid>/marks/<uuid:mark>/", removal.mark, name="mark"),
    path("reports/sent/<uuid:uid>/", own_reports.reported, name="reported"),
    path("my-reports/", own_reports.my_reports, name="my_reports"),
    path("my-reports/<uuid:uid>/", own_reports.my_report, name="my_report"),
]
