"""Address of the station lead's page."""

from django.urls import path

from exposure.web.lead import views

urlpatterns = [path("duty/", views.duty, name="duty")]
