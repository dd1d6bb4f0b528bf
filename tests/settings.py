"""The production settings, but for plain HTTP on any host, mail in memory and a fast password hash."""

import os

from config.settings import *  # noqa: F403
from config.settings import DATABASES, STORAGES

SECURE_SSL_REDIRECT = False
SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = False
SESSION_COOKIE_NAME, CSRF_COOKIE_NAME = "session", "csrf"
ALLOWED_HOSTS = ["*"]
SECOND_FACTOR_REQUIRED = False  # the cast has none; tests/web/test_second_factor.py switches it on
EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"
PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
STORAGES = {**STORAGES, "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"}}
# The tables straight from the models: migrating takes longer than most of the tests. `tests/upgrade` migrates.
DATABASES = {"default": {**DATABASES["default"]}}
DATABASES["default"]["TEST"] = {
    **DATABASES["default"].get("TEST", {}),
    "MIGRATE": os.environ.get("EXPOSURE_TEST_MIGRATE") == "yes",
}
