"""Addresses of the worker's pages."""

from django.urls import path

from exposure.web.worker import views

urlpatterns = [
    path("today/", views.today, name="today"),
    path("today/reading/<uuid:uid>/", views.reading_taken, name="reading_taken"),
    path("my-days/", views.my_days, name="my_days"),
    path("what-this-means/", views.what_this_means, name="what_this_means"),
    path("settings/", views.my_settings, name="my_settings"),
    path("settings/times/", views.my_times, name="my_times"),
]
