"""Loads Celery with Django, so that `.delay` finds its broker wherever it is called from."""

from config.celery import app as celery_app

__all__ = ["celery_app"]
