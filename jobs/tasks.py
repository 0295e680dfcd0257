"""Tasks of the worker: read the clock, call one service; and what is owed of this app's kinds."""

from __future__ import annotations

from uuid import UUID

from celery import shared_task
from django.contrib.sessions.models import Session

from config import clock
from jobs import outbox
from jobs.services.kept import forget_files


@shared_task
def work_owed(owed_id: str) -> None:
    """Work one row of the outbox."""
    outbox.work(UUID(owed_id), now=clock.read())


@shared_task
def sweep() -> None:
    """Send again what is owed and was lost."""
    outbox.sweep(now=clock.read())


@shared_task
def prune() -> None:
    """Throw away what was done long ago, files that nobody came back for, and sessions that have ended."""
    now = clock.read()
    outbox.prune(now=now)
    forget_files(now=now)
    Session.objects.filter(expire_date__lt=now).delete()
