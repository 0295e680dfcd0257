"""Django's settings, read from the environment; docs/production.md lists the variables."""

from __future__ import annotations

import os
import zoneinfo
from pathlib import Path

from csp.constants import NONE, SELF

from config import environment as env

BASE_DIR = Path(__file__).resolve().parent.parent

# The tzdata package decides what a zone is, not the machine: a feed's bytes must not depend on where it runs.
zoneinfo.reset_tzpath(to=[])
os.environ["PYTHONTZPATH"] = ""

# --- read from the environment ------------------------------------------------------------
_environ = os.environ
DATA = Path(_environ.get("DATA") or BASE_DIR / "data").resolve()
PORT = env.port(_environ, DATA)
HTTPS = env.flag(_environ, "SETDAY_HTTPS")
SECRET_KEY = env.secret(_environ, DATA)
ALLOWED_HOSTS = env.hosts(_environ)
BASE_URL = (_environ.get("SETDAY_BASE_URL") or f"http://localhost:{PORT}").rstrip("/")
DATABASES = {"default": env.database(_environ, DATA)}
REDIS_URL = env.broker(_environ, DATA)
HAS_OWN_BROKER = not _environ.get("REDIS_URL")
PROCESSES = env.listed(_environ, "SETDAY_PROCESSES", default=env.PROCESSES, known=env.PROCESSES)
QUEUES = env.listed(_environ, "SETDAY_QUEUES", default=env.QUEUES, known=env.QUEUES)
CONCURRENCY = env.whole(_environ, "SETDAY_CONCURRENCY", default=2, low=1, high=64)
LOG = env.one_of(_environ, "SETDAY_LOG", ("text", "json"))
EMAIL_FILE_PATH = str(DATA / "mailbox")
globals().update(env.mail(_environ, DATA))  # EMAIL_BACKEND and what it needs

# --- Django ------------------------------------------------------------
DEBUG = False
INSTALLED_APPS = [
    "config",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.staticfiles",
    "csp",
    "django_htmx",
    "jobs",
    "materials",
    "scheduling",
]
MIDDLEWARE = [
    "config.http.stamp",
    "django.middleware.security.SecurityMiddleware",
    "scheduling.views.feeds.first",
    "scheduling.views.ingest.first",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "csp.middleware.CSPMiddleware",
]
ROOT_URLCONF = "config.urls"
WSGI_APPLICATION = "config.wsgi.application"
TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
            ]
        },
    }
]
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"
CACHES = {"default": {"BACKEND": "django.core.cache.backends.redis.RedisCache", "LOCATION": REDIS_URL}}

LANGUAGE_CODE = "en-gb"
USE_I18N = True
USE_TZ = True
TIME_ZONE = "UTC"

STATIC_URL = "static/"
STATIC_ROOT = DATA / "static"
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {"BACKEND": "whitenoise.storage.CompressedManifestStaticFilesStorage"},
}

# --- people and browsers ------------------------------------------------------------
AUTH_USER_MODEL = "jobs.Person"
AUTHENTICATION_BACKENDS = ["django.contrib.auth.backends.ModelBackend"]
LOGIN_URL = "/sign-in/"
# In the database alone: a copy in the broker would outlive a sign-out made while the broker was away.
SESSION_ENGINE = "django.contrib.sessions.backends.db"
SESSION_COOKIE_AGE = 12 * 3600
SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_SAMESITE = "Lax"
SESSION_COOKIE_SECURE = HTTPS
CSRF_COOKIE_SAMESITE = "Lax"
CSRF_COOKIE_SECURE = HTTPS
MESSAGE_STORAGE = "django.contrib.messages.storage.session.SessionStorage"

SECURE_SSL_REDIRECT = HTTPS
SECURE_REDIRECT_EXEMPT = [r"^livez$", r"^readyz$"]
SECURE_HSTS_SECONDS = 365 * 24 * 3600 if HTTPS else 0
SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_REFERRER_POLICY = "same-origin"
SECURE_CROSS_ORIGIN_OPENER_POLICY = "same-origin"
X_FRAME_OPTIONS = "DENY"
CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": [SELF],
        "script-src": [SELF],
        "style-src": [SELF],
        "connect-src": [SELF],
        "font-src": [SELF],
        "img-src": [SELF, "data:", "blob:"],
        "worker-src": [SELF],
        "form-action": [SELF],
        "object-src": [NONE],
        "base-uri": [NONE],
        "frame-ancestors": [NONE],
    }
}

# A workbook or a logger's file goes to disk beyond 1 MB; its reader has its own limits on what it holds.
FILE_UPLOAD_MAX_MEMORY_SIZE = 1024 * 1024
DATA_UPLOAD_MAX_MEMORY_SIZE = 1024 * 1024
DATA_UPLOAD_MAX_NUMBER_FIELDS = 5000

LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {"text": {"()": "config.logs.Text"}, "json": {"()": "config.logs.Json"}},
    "handlers": {"stderr": {"class": "logging.StreamHandler", "formatter": LOG}},
    "root": {"handlers": ["stderr"], "level": "INFO"},
    "loggers": {"django": {"handlers": [], "level": "INFO", "propagate": True}},
}
