"""The one Django app."""

from django.apps import AppConfig


class ExposureConfig(AppConfig):
    name = "exposure"
    verbose_name = "Exposure follow-up"

    def ready(self) -> None:
        from exposure import checks  # noqa: F401  registers the system checks
