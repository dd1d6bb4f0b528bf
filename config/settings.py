"""All settings. The environment is read here and nowhere else; outside local use what is missing stops the start.

Local use means that neither DATABASE_URL nor SITE_URL is set: one machine, SQLite and message files in var/.
"""

from pathlib import Path
from urllib.parse import urlsplit

from django.core.exceptions import ImproperlyConfigured
from redis.backoff import NoBackoff
from redis.retry import Retry

from config import env, reach, report_key, seal_key

BASE_DIR = Path(__file__).resolve().parent.parent
VAR = Path(env.text("VAR_DIR") or BASE_DIR / "var")

DATABASE_URL = env.text("DATABASE_URL")
SITE_URL = env.text("SITE_URL").rstrip("/")
REDIS_URL = env.text("REDIS_URL")
EMAIL_URL = env.text("EMAIL_URL")
TRUSTED_PROXIES = env.networks("TRUSTED_PROXIES")
TRUSTED_PROXY_HOPS = env.count("TRUSTED_PROXY_HOPS", 1)
METRICS_TOKEN = env.secret("METRICS_TOKEN")
LOCAL_USE = not DATABASE_URL and not SITE_URL
if LOCAL_USE:
    env.private_folder(VAR)

DEBUG = False
SECRET_KEY = env.text("SECRET_KEY")
if not SECRET_KEY:
    if not LOCAL_USE:
        raise ImproperlyConfigured("Set SECRET_KEY: there is no default outside local use.")
    SECRET_KEY = env.local_secret(VAR / "secret-key")

if LOCAL_USE:
    SITE_URL = f"http://localhost:{env.text('PORT', '8000')}"
    ALLOWED_HOSTS = ["localhost", "127.0.0.1", "[::1]", "testserver"]
else:
    if not SITE_URL.startswith("https://") or not urlsplit(SITE_URL).hostname:
        raise ImproperlyConfigured("Set SITE_URL to the https:// address that people open.")
    ALLOWED_HOSTS = [urlsplit(SITE_URL).hostname]
    CSRF_TRUSTED_ORIGINS = [SITE_URL]
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
    SECURE_SSL_REDIRECT = True
    SECURE_REDIRECT_EXEMPT = [r"^healthz$", r"^readyz$", r"^metrics$", r"^api/", r"^hooks/"]
    SECURE_HSTS_SECONDS = 2 * 365 * 24 * 3600
    SECURE_HSTS_INCLUDE_SUBDOMAINS = True
    SECURE_HSTS_PRELOAD = True
    SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = True
    SESSION_COOKIE_NAME, CSRF_COOKIE_NAME = "__Host-session", "__Host-csrf"

INSTALLED_APPS = [
    "exposure.apps.ExposureConfig",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.staticfiles",
    "django.contrib.admin",
    "allauth",
    "allauth.account",
    "allauth.mfa",
    "allauth.usersessions",
    "simple_history",
    "rest_framework",
    "drf_spectacular",
]

MIDDLEWARE = [
    "exposure.web.middleware.TrueClient",
    "exposure.web.language.ReaderLanguage",
    "exposure.web.middleware.OnlyWhatIsMeant",
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "exposure.web.middleware.PageHeaders",
    "exposure.web.middleware.ReadableText",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "allauth.account.middleware.AccountMiddleware",
    "exposure.web.middleware.ActingRequest",
]

ROOT_URLCONF = "config.urls"
WSGI_APPLICATION = "config.wsgi.application"
TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [BASE_DIR / "exposure" / "web" / "templates"],
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "exposure.web.context.audience",
            ],
            "libraries": {"look": "exposure.web.templatetags.look"},
            "builtins": ["exposure.web.templatetags.names"],
        },
    },
]
FORM_RENDERER = "django.forms.renderers.DjangoTemplates"

DATABASES = {"default": env.database(DATABASE_URL, VAR / "exposure.sqlite3", env.text("DATABASE_PASSWORD"))}
APPLICATION_PASSWORD = env.text(
    "APPLICATION_PASSWORD"
)  # for the owner only, who makes these two: manage.py grant
READER_PASSWORD = env.text("READER_PASSWORD")
DATA_UPLOAD_MAX_MEMORY_SIZE = 5 * 1024 * 1024  # "5 MB" is kept by either way of counting
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"
SIMPLE_HISTORY_DATE_INDEX = "composite"

if REDIS_URL:
    CACHES = {
        "default": {
            "BACKEND": "config.cache.Redis",
            "LOCATION": REDIS_URL,
            "OPTIONS": {"socket_connect_timeout": 1, "socket_timeout": 1, "retry": Retry(NoBackoff(), 0)},
        }
    }
else:
    CACHES = {"default": {"BACKEND": "django.core.cache.backends.locmem.LocMemCache"}}

AUTH_USER_MODEL = "exposure.User"
AUTHENTICATION_BACKENDS = ["allauth.account.auth_backends.AuthenticationBackend"]
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "exposure.people.passwords.LengthValidator"},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
    {"NAME": "exposure.people.passwords.GuessedPasswordValidator"},
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
]
LOGIN_URL = "account_login"
LOGIN_REDIRECT_URL = "home"
ACCOUNT_LOGIN_METHODS = {"username", "email"}
ACCOUNT_SIGNUP_FIELDS = ["username*", "password1*", "password2*"]
ACCOUNT_USER_MODEL_USERNAME_FIELD = "name"
ACCOUNT_USER_DISPLAY = "exposure.people.models.display_name"
ACCOUNT_FORMS = {
    "login": "exposure.web.account.adapter.SignInForm",
    "change_password": "exposure.web.account.adapter.NewPasswordForm",
}
ACCOUNT_ADAPTER = "exposure.web.account.adapter.Adapter"
ACCOUNT_EMAIL_VERIFICATION = "none"
ACCOUNT_EMAIL_UNKNOWN_ACCOUNTS = False
# A whole ward may share an address. Wrong tries count per account and address (Adapter), so that nobody can lock
# somebody else's account from afar.
ACCOUNT_RATE_LIMITS = {
    "login": "300/m/ip",
    "login_failed": "30/m/ip,5/5m/key,10/h/key,20/4h/key",  # the wait grows with the wrong tries
    "reset_password": "20/m/ip,5/m/key",
}
ACCOUNT_LOGOUT_REDIRECT_URL = "account_login"
ACCOUNT_SESSION_REMEMBER = None  # asked; how long a session lasts is the policy's (exposure.people.policy)
ACCOUNT_CHANGE_EMAIL = True  # the old address stays until the new one has answered
ACCOUNT_REAUTHENTICATION_REQUIRED = True
ACCOUNT_REAUTHENTICATION_TIMEOUT = 900
ACCOUNT_LOGIN_BY_CODE_ENABLED = True
ACCOUNT_LOGIN_BY_CODE_TIMEOUT = 600
SECOND_FACTOR_REQUIRED = not LOCAL_USE  # of whom, says the policy; the demo says on every page that it is off
MFA_ADAPTER = "exposure.web.account.factors.Adapter"
MFA_FORMS = {"add_webauthn": "exposure.web.account.factors.AddKeyForm"}
MFA_SUPPORTED_TYPES = ["totp", "webauthn", "recovery_codes"]
MFA_PASSKEY_LOGIN_ENABLED = True
MFA_WEBAUTHN_USER_VERIFICATION = "required"
MFA_WEBAUTHN_ALLOW_INSECURE_ORIGIN = LOCAL_USE
MFA_RATE_LIMITS = {"webauthn_login": "300/m/ip"}  # a ward behind one address; nothing can be guessed there
MFA_TOTP_TOLERANCE = 1  # of 30 seconds: clocks of telephones
MFA_ALLOW_UNVERIFIED_EMAIL = True  # what must not wait for an e-mail
SESSION_COOKIE_AGE = 12 * 3600
SESSION_COOKIE_HTTPONLY = CSRF_COOKIE_HTTPONLY = True
SESSION_COOKIE_SAMESITE = CSRF_COOKIE_SAMESITE = "Lax"
CSRF_FAILURE_VIEW = "exposure.web.errors.csrf_failure"
X_FRAME_OPTIONS = "DENY"
SECURE_REFERRER_POLICY = "same-origin"

REST_FRAMEWORK = {
    "DEFAULT_AUTHENTICATION_CLASSES": [
        "exposure.api.authentication.BearerToken",
        "rest_framework.authentication.SessionAuthentication",
    ],
    "DEFAULT_PERMISSION_CLASSES": ["rest_framework.permissions.IsAuthenticated"],
    "DEFAULT_PARSER_CLASSES": ["exposure.api.parsing.StrictJSON"],
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_SCHEMA_CLASS": "drf_spectacular.openapi.AutoSchema",
    "DEFAULT_THROTTLE_CLASSES": [
        "rest_framework.throttling.UserRateThrottle",
        "rest_framework.throttling.ScopedRateThrottle",
    ],
    "DEFAULT_THROTTLE_RATES": {
        "user": "600/min",
        "readings": "60/min",
        "findings": "20/min",
        "proofs": "20/min",
    },
    "EXCEPTION_HANDLER": "exposure.api.problems.handle",
}
SPECTACULAR_SETTINGS = {
    "TITLE": "Exposure follow-up",
    "VERSION": "1",
    "OAS_VERSION": "3.1.1",
    "DESCRIPTION": "Local protocol and the licensed clinician decide; this service supports them.",
    "SCHEMA_PATH_PREFIX": "/api/v1",
    "SERVE_PERMISSIONS": ["rest_framework.permissions.IsAuthenticated"],
    "SERVE_INCLUDE_SCHEMA": False,
}

LANGUAGE_CODE = "en"
LANGUAGES = [("en", "English"), ("fr", "Français")]  # each by its own name
LANGUAGE_COOKIE_NAME = "language" if LOCAL_USE else "__Host-language"
LOCALE_PATHS = [BASE_DIR / "exposure" / "locale"]
USE_I18N = True
USE_TZ = True
TIME_ZONE = "UTC"

STATIC_URL = "static/"
STATIC_ROOT = None if LOCAL_USE else VAR / "static"
STATICFILES_DIRS = [BASE_DIR / "exposure" / "web" / "static"]
WHITENOISE_USE_FINDERS = LOCAL_USE
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {
        "BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"
        if LOCAL_USE
        else "whitenoise.storage.CompressedManifestStaticFilesStorage"
    },
}

DEFAULT_FROM_EMAIL = env.text("EMAIL_FROM", "exposure-follow-up@localhost")
MESSAGE_FILES = VAR / "messages"
if EMAIL_URL:
    for _name, _value in env.mail(EMAIL_URL).items():
        globals()[_name] = _value
elif LOCAL_USE:
    EMAIL_BACKEND = "django.core.mail.backends.filebased.EmailBackend"
    EMAIL_FILE_PATH = MESSAGE_FILES
else:
    raise ImproperlyConfigured("Set EMAIL_URL: without it no reminder could leave.")

SMS_GATEWAY = reach.text_gateway(
    env.text("SMS_GATEWAY_URL"),
    env.text("SMS_GATEWAY_HOSTS"),
    env.text("SMS_GATEWAY_HEADERS"),
    env.text("SMS_GATEWAY_BODY"),
    env.text("SMS_GATEWAY_SECRET"),
    local_use=LOCAL_USE,
)
PUSH_HOSTS = reach.push_hosts(env.text("PUSH_HOSTS"), local_use=LOCAL_USE)  # empty: no notifications
VAPID_PRIVATE_KEY = env.text("VAPID_PRIVATE_KEY")
if PUSH_HOSTS and not VAPID_PRIVATE_KEY:
    if not LOCAL_USE:  # pages and sending process are apart, and must hold the same
        raise ImproperlyConfigured("Set VAPID_PRIVATE_KEY (or VAPID_PRIVATE_KEY_FILE), or no PUSH_HOSTS.")
    VAPID_PRIVATE_KEY = env.local_secret(VAR / "vapid-key.pem", reach.new_vapid_key)
if PUSH_HOSTS:
    VAPID_PRIVATE_KEY = reach.vapid_key(VAPID_PRIVATE_KEY)

# The seals over the history. Without a key entries are sealed all the same, and no head is signed.
SEAL_KEY = env.text("SEAL_KEY") and seal_key.seal_key(env.text("SEAL_KEY"))
LOCAL_SEAL_KEY = VAR / "seal-key.pem" if LOCAL_USE and not SEAL_KEY else None
if LOCAL_SEAL_KEY:
    env.local_secret(LOCAL_SEAL_KEY, seal_key.new_seal_key)
SEAL_HEADS_EMAIL = env.text("SEAL_HEADS_EMAIL")
SEAL_HEADS_DIR = Path(env.text("SEAL_HEADS_DIR") or VAR / "heads")
# After the last day of employment, and after the newest entry. 29 CFR 1910.1020(d)(1) asks for thirty.
RETENTION_YEARS = env.count("RETENTION_YEARS", 30)

# What stations' tablets seal reports for while they have no network. Without a key they work only with one.
REPORT_KEYS = report_key.report_keys(env.text("REPORT_KEY"))
if LOCAL_USE and not REPORT_KEYS:
    REPORT_KEYS = report_key.report_keys(env.local_secret(VAR / "report-key.pem", report_key.new_report_key))

# Cautious defaults that a site may tighten; each is a local choice.
READINGS_TAKEN_AFTER_CLEARANCE_DAYS = 14

# A folder outside the server, for the hand-over lists of every 12 hours; empty: none is written.
HANDOVER_FOLDER = env.text("HANDOVER_FOLDER")

LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {"discreet": {"()": "config.logs.Discreet"}},
    "handlers": {"console": {"class": "logging.StreamHandler", "formatter": "discreet"}},
    "root": {"handlers": ["console"], "level": "WARNING"},
}

TICK_SECONDS = 10
SEAL_SECONDS = 60
CELERY_BROKER_URL = REDIS_URL or "memory://"
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
CELERY_BROKER_TRANSPORT_OPTIONS = {"visibility_timeout": 3600}
CELERY_TIMEZONE = "UTC"
CELERY_TASK_IGNORE_RESULT = True
CELERY_TASK_ACKS_LATE = True
CELERY_WORKER_PREFETCH_MULTIPLIER = 1
CELERY_TASK_TIME_LIMIT = 240  # seconds; sending ends after one minute and what it has claimed by then
CELERY_TASK_DEFAULT_QUEUE = "slow"
CELERY_TASK_ROUTES = {
    "exposure.tasks.tick": {"queue": "reminders"},
    "exposure.tasks.send": {"queue": "sending"},
}
CELERY_BEAT_SCHEDULE = {
    "tick": {
        "task": "exposure.tasks.tick",
        "schedule": TICK_SECONDS,
        "options": {"expires": TICK_SECONDS - 1, "queue": "reminders"},
    },
    "send": {
        "task": "exposure.tasks.send",
        "schedule": TICK_SECONDS,
        "options": {"expires": TICK_SECONDS - 1, "queue": "sending"},
    },
    "seal": {
        "task": "exposure.tasks.seal",
        "schedule": SEAL_SECONDS,
        "options": {"expires": SEAL_SECONDS - 1, "queue": "slow"},
    },
}
CELERY_BEAT_SCHEDULE["handover"] = {
    "task": "exposure.tasks.handover",
    "schedule": 600,
    "options": {"expires": 590, "queue": CELERY_TASK_DEFAULT_QUEUE},
}
CELERY_BEAT_SCHEDULE_FILENAME = str(VAR / "beat-schedule")
