"""Whether the process lives, and whether the service can do its work: for a watchdog and for the operator."""

from __future__ import annotations

from datetime import datetime, timedelta
from functools import cache

import redis
from django.conf import settings
from django.db import DatabaseError, connection
from django.db.migrations.executor import MigrationExecutor
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.views.decorators.http import require_safe

from config import clock
from jobs import outbox

#: A message this long unsent, or beat this long silent, is a fault and no delay.
LONGEST_UNSENT = timedelta(minutes=5)
LONGEST_SILENCE = timedelta(minutes=3)


@require_safe
def livez(request: HttpRequest) -> HttpResponse:
    """Answer that the process answers; touches nothing."""
    return HttpResponse("ok\n", content_type="text/plain")


@require_safe
def readyz(request: HttpRequest) -> HttpResponse:
    """Answer each check with "ok" or with what is wrong, and 503 if anything is."""
    now = clock.read()
    checks = {"database": database()}
    if checks["database"] == "ok":
        checks |= {"migrations": migrations(), "outbox": owed(now=now)}
    checks["broker"] = broker()
    if checks["broker"] == "ok":
        checks["beat"] = beat(now=now)
    ready = all(answer == "ok" for answer in checks.values())
    return JsonResponse({"ready": ready, **checks}, status=200 if ready else 503)


def database() -> str:
    """Ask the database for anything."""
    try:
        with connection.cursor() as cursor:
            cursor.execute("SELECT 1")
    except DatabaseError as error:
        return f"does not answer: {type(error).__name__}"
    return "ok"


def migrations() -> str:
    """Say whether the database has every table this code knows."""
    return "ok" if _is_migrated() else "pending"


@cache
def _known_migrated() -> set[str]:
    return set()


def _is_migrated() -> bool:
    # Reading every migration takes long, and a database does not become older than its code while that runs.
    if connection.alias in _known_migrated():
        return True
    executor = MigrationExecutor(connection)
    if executor.migration_plan(executor.loader.graph.leaf_nodes()):
        return False
    _known_migrated().add(connection.alias)
    return True


def broker() -> str:
    """Ask the broker for a sign of life."""
    try:
        with redis.Redis.from_url(settings.REDIS_URL, socket_timeout=2, socket_connect_timeout=2) as client:
            client.ping()
    except redis.RedisError as error:
        return f"does not answer: {type(error).__name__}"
    return "ok"


def owed(*, now: datetime) -> str:
    """Say whether something owed waits too long or was given up."""
    state = outbox.standing(now=now)
    if state.parked:
        return f"{state.parked} given up"
    if state.oldest_open is not None and state.oldest_open > LONGEST_UNSENT:
        return f"oldest waits for {int(state.oldest_open.total_seconds())} s"
    return "ok"


def beat(*, now: datetime) -> str:
    """Say whether the periodic work is being done."""
    last = outbox.last_sweep()
    if last is None:
        return "not yet"
    if now - last > LONGEST_SILENCE:
        return f"silent for {int((now - last).total_seconds())} s"
    return "ok"
