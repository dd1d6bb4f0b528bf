"""Pages, by audience."""

from django.urls import include, path

from exposure.web import home

urlpatterns = [
    path("", home.home, name="home"),
    path("messages/", home.outgoing, name="outgoing"),
    path("", include("exposure.web.observer.urls")),
    path("", include("exposure.web.worker.urls")),
    path("", include("exposure.web.nurse.urls")),
]
