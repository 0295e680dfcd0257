"""`manage.py serve`: the whole service under one supervisor; `make run` calls it."""

from __future__ import annotations

import hashlib
import os
import sys
import time
from shlex import quote
from typing import Any

from django.conf import settings
from django.contrib.staticfiles.finders import get_finders
from django.core.management import call_command
from django.core.management.base import BaseCommand
from django.db import connection
from django.db.migrations.executor import MigrationExecutor

from config import clock
from config.environment import Refused, flag, keep_port
from config.supervisor import Plan, Supervisor
from jobs.models import Firm, Person, Role
from jobs.services.people import sign_in_link_for

LOCAL = {"localhost", "127.0.0.1", "[::1]"}
#: How long a host without beat waits for the one with it to migrate.
MIGRATED_WITHIN_S = 120.0
#: How the README calls the interpreter that `make run` filled.
PYTHON = ".venv/bin/python"


class Command(BaseCommand):
    """Runs the service until Ctrl-C or SIGTERM."""

    help = "Run web, worker, beat and the embedded broker; SETDAY_PROCESSES names fewer."
    requires_system_checks: list[str] = []  # they cost half a second

    def handle(self, **options: Any) -> None:
        """Run, and exit with the supervisor's status."""
        sys.exit(Supervisor(plan(), prepare=prepare, furnish=furnish, greet=greet).run())


def plan() -> Plan:
    """Return what the settings ask to run."""
    is_local = set(settings.ALLOWED_HOSTS) <= LOCAL
    return Plan(
        data=settings.DATA,
        processes=settings.PROCESSES,
        queues=settings.QUEUES,
        concurrency=settings.CONCURRENCY,
        bind="127.0.0.1" if is_local else "0.0.0.0",
        host=settings.ALLOWED_HOSTS[0].lstrip("*.") or "localhost",
        port=settings.PORT,
        redis_url=settings.REDIS_URL,
        has_own_broker=settings.HAS_OWN_BROKER,
    )


def prepare() -> None:
    """Bring database and static files up to the code."""
    if _keeps_time():
        _migrate()
    else:
        _wait_until_migrated()
    _check_journal()
    _collect_static()
    connection.close()


def furnish() -> None:
    """Load the demo into an empty database, if asked; the web starts meanwhile."""
    if _keeps_time() and flag(os.environ, "DEMO") and not Firm.objects.exists():
        print("Loading the demo …", flush=True)
        call_command("load_demo")
    connection.close()


def _keeps_time() -> bool:
    # One host in a deployment runs beat, and that one looks after the database: two at once would collide.
    return "beat" in settings.PROCESSES


def _is_migrated() -> bool:
    executor = MigrationExecutor(connection)
    return not executor.migration_plan(executor.loader.graph.leaf_nodes())


def _migrate() -> None:
    if not _is_migrated():
        print("Bringing the database up to date …", flush=True)
        call_command("migrate", interactive=False, verbosity=0)


def _wait_until_migrated() -> None:
    deadline = time.monotonic() + MIGRATED_WITHIN_S
    while not _is_migrated():
        if time.monotonic() > deadline:
            raise Refused("the database is not up to date; the host that runs beat migrates it.")
        time.sleep(1)


def _check_journal() -> None:
    if connection.vendor != "sqlite":
        return
    with connection.cursor() as cursor:
        mode = cursor.execute("PRAGMA journal_mode").fetchone()[0]
    if mode != "wal":
        raise Refused(
            f"SQLite cannot write ahead at {settings.DATA} (a network folder?); put DATA on a local disk."
        )


def _collect_static() -> None:
    kept = settings.STATIC_ROOT / "made-from"
    made_from = _static_fingerprint()
    if kept.exists() and kept.read_text() == made_from:
        return
    call_command("collectstatic", interactive=False, clear=True, verbosity=0)
    kept.write_text(made_from)


def _static_fingerprint() -> str:
    found = hashlib.sha256()
    for finder in get_finders():
        for name, storage in finder.list([]):
            stat = os.stat(storage.path(name))
            found.update(f"{name} {stat.st_size} {stat.st_mtime_ns}\n".encode())
    return found.hexdigest()


def greet() -> None:
    """Print where the service is and how to come in, and note the port for commands at the keyboard."""
    if "web" in settings.PROCESSES:
        keep_port(settings.DATA, settings.PORT)
        print(greeting(), flush=True)
        connection.close()


def greeting() -> str:
    """Return the address of the service, and for a demo who there is, one a line with a link.

    Where nobody is yet, the command that makes the first manager stands there instead.
    """
    lines = [f"Setday is at {settings.BASE_URL}/  (stop it with Ctrl-C)"]
    if flag(os.environ, "DEMO"):
        now = clock.read()
        for person in Person.objects.filter(is_active=True).select_related("firm").order_by("pk"):
            does = ", ".join(str(role.label) for role in Role if role in person.roles)
            lines.append(f"  {person.name} ({does}), {person.firm}: {sign_in_link_for(person, now=now)}")
    if not Person.objects.exists():
        lines.append("Nobody is here yet. In another terminal, this prints the first manager's link:")
        lines.append(f'  DATA={quote(str(settings.DATA))} {PYTHON} manage.py first_manager "NAME" EMAIL')
    return "\n".join(lines)
