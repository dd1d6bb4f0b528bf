"""Addresses of the physician's pages: criteria, and the sheet for the people at home."""

from django.urls import path

from exposure.web.physician import deeds, household, views

urlpatterns = [
    path("criteria/", views.criteria, name="criteria"),
    path("criteria/new/", deeds.new, name="criteria_new"),
    path("criteria/<uuid:uid>/", views.version, name="criteria_version"),
    path("criteria/<uuid:uid>/try/", views.try_answers, name="criteria_try"),
    path("criteria/<uuid:uid>/compare/<uuid:other>/", views.compare, name="criteria_compare"),
    path("criteria/<uuid:uid>/edit/", deeds.edit, name="criteria_edit"),
    path("criteria/<uuid:uid>/propose/", deeds.propose, name="criteria_propose"),
    path("criteria/<uuid:uid>/abandon/", deeds.abandon, name="criteria_abandon"),
    path("criteria/<uuid:uid>/memory/", deeds.memory, name="criteria_memory"),
    path("criteria/<uuid:uid>/replay/<slug:code>/", deeds.replay, name="criteria_replay"),
    path("criteria/<uuid:uid>/replay/<slug:code>/review/", deeds.review, name="criteria_review"),
    path("criteria/<uuid:uid>/approve/<slug:code>/", deeds.approve, name="criteria_approve"),
    path("household-advice/", household.household_advice, name="household_advice"),
    path("household-advice/<slug:code>/", household.approve_advice, name="approve_advice"),
]
