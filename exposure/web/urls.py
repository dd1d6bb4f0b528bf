"""Pages, by audience."""

from django.urls import include, path

from exposure.web import gateway, health, home, language, metrics, reach, reply, violations

urlpatterns = [
    path("", home.home, name="home"),
    path("language/", language.choose_language, name="language"),
    path("healthz", health.alive),
    path("readyz", health.ready),
    path("violations", violations.violations, name="violations"),
    path("metrics", metrics.metrics),
    path("r/<str:secret>/", reply.reply, name="reply"),
    path("r/<str:secret>/<str:answer>/", reply.replied, name="replied"),
    path("hooks/text/report", gateway.delivery, name="text_delivery"),
    path("hooks/text/reply", gateway.answer, name="text_answer"),
    path("account/reach/", reach.how_told, name="how_told"),
    path("", include("exposure.web.account.urls")),
    path("devices/", reach.add_device, name="devices"),
    path("devices/<uuid:uid>/end/", reach.end_device, name="device_end"),
    path("reminders.js", reach.service_worker, name="service_worker"),
    path("offline/", reach.offline, name="offline"),
    path("app.webmanifest", reach.manifest, name="manifest"),
    path("messages/", home.outgoing, name="outgoing"),
    path("", include("exposure.web.tablet.urls")),
    path("", include("exposure.web.observer.urls")),
    path("", include("exposure.web.worker.urls")),
    path("", include("exposure.web.nurse.urls")),
    path("", include("exposure.web.physician.urls")),
    path("", include("exposure.web.lead.urls")),
    path("", include("exposure.web.auditor.urls")),
]
