"""Celery: two plain ticks in UTC, a queue for what time causes, one for sending and one for everything slow.

What is due lives in the database. The broker carries ids only and may lose everything: the next tick repairs it.
"""

import os

from celery import Celery

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")

app = Celery("exposure")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks(["exposure"])
