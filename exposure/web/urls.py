"""Pages, by audience."""

from django.urls import include, path

from exposure.web import health, home, metrics

urlpatterns = [
    path("", home.home, name="home"),
    path("healthz", health.alive),
    path("readyz", health.ready),
    path("metrics", metrics.metrics),
    path("messages/", home.outgoing, name="outgoing"),
    path("", include("exposure.web.observer.urls")),
    path("", include("exposure.web.worker.urls")),
    path("", include("exposure.web.nurse.urls")),
    path("", include("exposure.web.physician.urls")),
    path("", include("exposure.web.auditor.urls")),
]
