"""What many tests share: the fixed present, and the worker that works what is owed when told to."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from datetime import UTC, datetime

import pytest

#: A Wednesday, summer time in most of the world's zones that have it.
NOW = datetime(2026, 6, 10, 9, 0, tzinfo=UTC)


@pytest.fixture
def now() -> datetime:
    return NOW


@pytest.fixture
def work_owed(db: None) -> Callable[..., int]:
    """Return a worker: `work_owed(now=…)` works all that waits, oldest first, and returns how many rows."""
    from jobs import outbox
    from jobs.models import Outbox

    def work(*, now: datetime) -> int:
        waiting = list(Outbox.objects.filter(state=Outbox.State.WAITING).order_by("owed_at", "pk"))
        for row in waiting:
            outbox.work(row.pk, now=now)
        return len(waiting)

    return work


def pytest_unconfigure(config: pytest.Config) -> None:
    """Remove the tests' data folder; a process of xdist ends without Python's own way of doing so."""
    from django.conf import settings

    # Never another folder than tests.settings made, whatever settings the tests were run with.
    if settings.DATA.name.startswith("setday-tests-"):
        shutil.rmtree(settings.DATA, ignore_errors=True)
