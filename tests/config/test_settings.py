import json
import os
import subprocess
import sys
import zoneinfo
from pathlib import Path

import pytest
from django.conf import settings
from django.db import connection

CHECKOUT = Path(__file__).resolve().parents[2]
OURS = (
    "DATA",
    "DATABASE_URL",
    "REDIS_URL",
    "EMAIL_URL",
    "PYTHONTZPATH",
    "DJANGO_SETTINGS_MODULE",
    "DEMO",
    "PORT",
)


def python(*arguments, **variables):
    """Run Python in the checkout with only these of our variables set."""
    kept = {name: value for name, value in os.environ.items() if name not in OURS and "SETDAY" not in name}
    return subprocess.run(
        [sys.executable, *arguments],
        cwd=CHECKOUT,
        env=kept | variables,
        capture_output=True,
        text=True,
        check=False,
    )


def test_production_without_its_secret_does_not_start_and_says_so_in_one_line(tmp_path):
    ended = python("-c", "import config.settings", DATA=str(tmp_path), DATABASE_URL="postgres://h/d")

    assert ended.returncode == 1
    assert ended.stderr.startswith(
        "Setday cannot start: SETDAY_SECRET must be set when DATABASE_URL names a server"
    )
    assert ended.stderr.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_the_tzdata_package_and_not_the_machine_says_what_a_zone_is(tmp_path):
    ended = python(
        "-c",
        "import config.settings, os, zoneinfo; print(zoneinfo.TZPATH, [os.environ['PYTHONTZPATH']])",
        DATA=str(tmp_path),
    )

    assert ended.stdout == "() ['']\n"
    assert zoneinfo.TZPATH == ()


@pytest.mark.parametrize("command", ["work_case", "read_logger"])
def test_commands_that_only_compute_make_no_folder_and_ask_for_nothing(command, tmp_path):
    data = tmp_path / "never"

    ended = python(
        "manage.py", command, "--help", DATA=str(data), DATABASE_URL="postgres://h/d", REDIS_URL="bad://"
    )

    assert ended.returncode == 0, ended.stderr
    assert not data.exists()


def test_https_tightens_cookies_and_redirects(tmp_path):
    asks = (
        "import json, config.settings as s; print(json.dumps([s.SESSION_COOKIE_SECURE, s.CSRF_COOKIE_SECURE,"
        " s.SECURE_SSL_REDIRECT, s.SECURE_HSTS_SECONDS > 0]))"
    )

    plain, secure = (
        python("-c", asks, DATA=str(tmp_path)),
        python("-c", asks, DATA=str(tmp_path), SETDAY_HTTPS="1"),
    )

    assert json.loads(plain.stdout) == [False] * 4
    assert json.loads(secure.stdout) == [True] * 4


@pytest.mark.django_db
def test_sqlite_writes_ahead_and_waits_for_no_lock_it_would_have_to_upgrade():
    if connection.vendor == "sqlite":
        with connection.cursor() as cursor:
            answers = [
                cursor.execute(f"PRAGMA {name}").fetchone()[0] for name in ("journal_mode", "foreign_keys")
            ]
        assert answers == ["wal", 1]
    assert settings.DATABASES["default"].get("ATOMIC_REQUESTS") is False


def test_nobody_signs_in_with_a_password_or_an_admin_page():
    assert "django.contrib.admin" not in settings.INSTALLED_APPS
    assert settings.AUTH_USER_MODEL == "jobs.Person"
