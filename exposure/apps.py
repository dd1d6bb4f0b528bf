"""The one Django app."""

from django.apps import AppConfig
from django.utils.module_loading import autodiscover_modules


class ExposureConfig(AppConfig):
    name = "exposure"
    verbose_name = "Exposure follow-up"

    def ready(self) -> None:
        autodiscover_modules("checks")
