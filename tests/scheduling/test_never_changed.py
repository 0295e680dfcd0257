"""What is recorded cannot be changed, in whichever table, by whoever asks the database."""

# ruff: noqa: F811  # a fixture that is imported is asked for by its name

from __future__ import annotations

import pytest
from django.db import IntegrityError, connection, transaction

from jobs import append_only
from jobs.models import Change, Reading, ReadingConflict
from jobs.services.records import add_record
from materials.models import Placement
from scheduling.models import Crew
from scheduling.services import handling, work
from tests import make
from tests.conftest import NOW
from tests.scheduling.rooms import waiting_room
from tests.test_access import facts  # noqa: F401  # a fixture: one fact of each kind


def test_the_database_refuses_to_change_or_remove_any_row_that_was_recorded(world, facts):
    add_record(Crew(name="Kept", home_zone="Europe/Paris", week=make.WEEK), by=world.boss, now=NOW)
    handling.inspect(
        make.envelope(world.lead), placement=world.opened, inspected=1, rejects={"chip": 1}, mark_seen=True
    )
    room, _ceiling = waiting_room(world.boss)
    work.waive_hold(
        make.envelope(world.boss, reason="agreed"), room=room, hold="work_by_others", until_at=None
    )
    work.start_room(make.envelope(world.boss), room=room, crew=None)
    said = {"temperature": 12, "unit": "c", "humidity_pct": 45, "said_at": NOW}
    ReadingConflict.objects.create(id=make.ident(), reading=Reading.objects.first(), **said)
    assert Change.objects.exists()
    assert facts
    connection.check_constraints()  # else PostgreSQL looks at the foreign keys of this transaction first

    for table in append_only.tables():
        with connection.cursor() as cursor:
            cursor.execute(f'SELECT COUNT(*) FROM "{table}"')
            assert cursor.fetchone()[0] > 0, f"nothing in {table} to try it on"
            cursor.execute(f'SELECT * FROM "{table}"')
            first, count = cursor.description[0][0], len(cursor.fetchall())
        for statement in (f'UPDATE "{table}" SET "{first}" = "{first}"', f'DELETE FROM "{table}"'):
            with pytest.raises(IntegrityError, match="append-only"):
                run(statement)
        with connection.cursor() as cursor:
            cursor.execute(f'SELECT COUNT(*) FROM "{table}"')
            assert cursor.fetchone()[0] == count


def run(statement):
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(statement)


def test_sheets_cannot_have_been_moved_in_a_circle(world):
    product, zone = world.sheet, world.zone
    own = make.ident()
    placed = {"zone": zone, "product": product, "batch": "Z9", "sheets": 1, "recorded_by": world.boss}
    placed |= {"happened_at": NOW, "recorded_at": NOW}

    with pytest.raises(IntegrityError, match="placement_moved_from_another"), transaction.atomic():
        Placement(id=own, origin=own, moved_from_id=own, **placed).save(force_insert=True)

    moved = handling.move(
        make.envelope(world.lead), placement=world.opened, count=2, to=world.annex, room=None
    )
    for where in ({"moved_from_id": moved.origin}, {"arrival": world.arrival, "origin": make.ident()}):
        fields = {"origin": world.opened.origin, **placed, **where}
        with (
            pytest.raises(IntegrityError, match="comes from where the placement came from"),
            transaction.atomic(),
        ):
            Placement(id=make.ident(), supersedes=world.opened, **fields).save(force_insert=True)
