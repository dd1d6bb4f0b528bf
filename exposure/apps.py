"""The one Django app."""

from importlib import import_module

from django.apps import AppConfig
from django.db.models.signals import post_migrate, pre_migrate
from django.utils.module_loading import autodiscover_modules, import_string


class ExposureConfig(AppConfig):
    name = "exposure"
    verbose_name = "Exposure follow-up"

    def ready(self) -> None:
        autodiscover_modules("checks")
        import_module("exposure.audit.door")
        # By name: models cannot be imported before the apps are ready.
        pre_migrate.connect(import_string("exposure.audit.triggers.lift_before_migrate"), sender=self)
        post_migrate.connect(import_string("exposure.audit.triggers.install_after_migrate"), sender=self)
        post_migrate.connect(import_string("exposure.checks.say_unusable"), sender=self)
