"""What tests of acts and pages share: a small firm at work, and a clock that stands."""

from __future__ import annotations

import pytest
from django.db import transaction

from config import clock
from tests.conftest import NOW
from tests.scheduling import acts_world


@pytest.fixture(scope="module")
def built_world(django_db_setup, django_db_blocker):
    """Build the world once a module; each test sees it as it was built."""
    with django_db_blocker.unblock(), transaction.atomic():
        yield acts_world.build()
        transaction.set_rollback(True)


@pytest.fixture
def world(built_world, db, monkeypatch):
    """Return the world, with the clock of the requests standing at NOW."""
    monkeypatch.setattr(clock, "read", lambda: NOW)
    fresh = acts_world.World()
    for name, row in built_world.rows.items():
        fresh.rows[name] = type(row)._base_manager.get(pk=row.pk)
    return fresh
