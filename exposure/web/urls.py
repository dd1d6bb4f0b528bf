"""Pages, by audience."""

from django.urls import include, path

from exposure.web import health, home, reply

urlpatterns = [
    path("", home.home, name="home"),
    path("healthz", health.alive),
    path("readyz", health.ready),
    path("r/<str:secret>/", reply.reply, name="reply"),
    path("r/<str:secret>/<str:answer>/", reply.replied, name="replied"),
    path("messages/", home.outgoing, name="outgoing"),
    path("", include("exposure.web.observer.urls")),
    path("", include("exposure.web.worker.urls")),
    path("", include("exposure.web.nurse.urls")),
    path("", include("exposure.web.physician.urls")),
    path("", include("exposure.web.auditor.urls")),
]
