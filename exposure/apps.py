"""The one Django app."""

from django.apps import AppConfig


class ExposureConfig(AppConfig):
    name = "exposure"
    verbose_name = "Exposure follow-up"
