"""Addresses of the station's tablet."""

from django.urls import path

from exposure.web.tablet import views

urlpatterns = [
    path("station/", views.tablet_home, name="tablet_home"),
    path("station/worker.js", views.service_worker, name="tablet_worker"),
    path("station/pack/", views.pack, name="tablet_pack"),
    path("station/<slug:language>/", views.tablet, name="tablet"),
    path("station/<slug:language>/app.webmanifest", views.manifest, name="tablet_manifest"),
]
