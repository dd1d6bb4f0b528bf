"""Addresses of the history pages."""

from django.urls import path

from exposure.web.auditor import views

urlpatterns = [
    path("history/", views.history, name="history"),
    path("history/people/<uuid:uid>/", views.worker_history, name="worker_history"),
]
