"""The service's settings as tests need them: a folder of their own, no broker, no waiting for the disk."""

from __future__ import annotations

import atexit
import os
import shutil
import tempfile
from pathlib import Path

_folder = Path(tempfile.mkdtemp(prefix="setday-tests-"))
atexit.register(shutil.rmtree, _folder, ignore_errors=True)
os.environ["DATA"] = str(_folder)
os.environ.setdefault("SETDAY_SECRET", "signs only in tests")
os.environ.setdefault("SETDAY_HOSTS", "localhost,127.0.0.1")

from config.settings import *  # noqa: E402, F403
from config.settings import DATABASES, INSTALLED_APPS, STORAGES  # noqa: E402

# The tests' own flush command lifts the append-only triggers, which else would refuse it.
INSTALLED_APPS = [*INSTALLED_APPS, "tests"]

if DATABASES["default"]["ENGINE"].endswith("sqlite3"):
    # A file: in memory, threads share one cache that ignores the timeout.
    DATABASES["default"]["TEST"] = {"NAME": str(_folder / "test.sqlite3")}
    DATABASES["default"]["OPTIONS"]["init_command"] += "PRAGMA synchronous=OFF;"

REDIS_URL = "memory://"
CACHES = {"default": {"BACKEND": "django.core.cache.backends.locmem.LocMemCache"}}
EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"
STORAGES = {**STORAGES, "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"}}
WHITENOISE_USE_FINDERS = True
WHITENOISE_AUTOREFRESH = True
