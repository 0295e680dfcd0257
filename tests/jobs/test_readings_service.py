"""Storing a logger's readings: the same line twice is the same fact, the first of two values stands."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from django.core.exceptions import ValidationError
from django.db import connection

from jobs.core.logger_file import Reading as ReadOut
from jobs.facts import standing
from jobs.ids import reading_id
from jobs.models import Entry, Outbox, Reading, ReadingFile
from jobs.models.envelope import EntryRoom
from jobs.services import seen
from jobs.services.readings import CHUNK, Air, Conflict, Source, Stored, compare, store_readings
from scheduling import states
from scheduling.gather import gather
from tests import make
from tests.conftest import NOW

pytestmark = pytest.mark.django_db
MINUTE = timedelta(minutes=1)
SOURCE = Source("kitchen.csv", "5" * 64, "L-7")


def rows(count=10, *, first=NOW - timedelta(hours=10), every=10 * MINUTE, t=20.5, unit="c", rh=45.0):
    return [ReadOut(first + n * every, t, unit, rh, n + 2) for n in range(count)]


@pytest.fixture
def boss():
    return make.manager()


@pytest.fixture
def room():
    return make.room()


def store(readings, room, boss, *, source=SOURCE, now=NOW):
    return store_readings(readings, zone=room.zone, source=source, by=boss, now=now)


def test_readings_are_stored_as_read_under_ids_that_follow_from_what_they_say(boss, room):
    assert store(rows(3, t=69.5, unit="f"), room, boss) == Stored(3, 0, ())

    first = Reading.objects.order_by("happened_at").first()
    at = NOW - timedelta(hours=10)
    assert first.pk == first.origin == reading_id(zone=room.zone_id, logger="L-7", at=at)
    assert (first.happened_at, first.recorded_at, first.recorded_by) == (at, NOW, boss)
    assert (first.temperature, first.unit, first.humidity_pct, first.logger) == (69.5, "f", 45.0, "L-7")
    assert (first.supersedes, first.withdraws, first.said_by, first.reason) == (None, False, "", "")
    assert standing(Reading, first.origin) == first


def raw_rows():
    """Return each row of the table as the database holds it, by column."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT * FROM jobs_reading ORDER BY happened_at")
        names = [column[0] for column in cursor.description]
        return [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]


def test_a_row_stored_in_bulk_is_the_same_as_one_stored_by_the_model(boss, room):
    store(rows(1), room, boss)
    twin = Reading.objects.get()
    twin.pk = twin.origin = make.ident()
    twin.happened_at += MINUTE
    twin.save(force_insert=True)

    bulk, by_model = raw_rows()

    assert {name for name in bulk if bulk[name] != by_model[name]} == {"id", "origin", "happened_at"}
    assert {name: type(value) for name, value in bulk.items()} == {
        name: type(value) for name, value in by_model.items()
    }


def test_the_whole_file_is_one_fact_and_one_line_of_history(boss, room):
    store(rows(10), room, boss)

    file = ReadingFile.objects.get()
    assert (file.name, file.sha256, file.logger) == ("kitchen.csv", "5" * 64, "L-7")
    assert (file.new, file.known, file.conflicts) == (10, 0, 0)
    assert file.readings.count() == 10
    assert Entry.objects.get().fact == file.pk
    assert EntryRoom.objects.get().room == room
    assert Outbox.objects.filter(kind="facts_changed").count() == 1


def test_the_same_file_again_is_all_known_and_leaves_no_trace(boss, room):
    store(rows(412, every=MINUTE), room, boss)
    before = (Entry.objects.count(), ReadingFile.objects.count())
    room.refresh_from_db()

    assert store(rows(412, every=MINUTE), room, boss, now=NOW + MINUTE) == Stored(0, 412, ())

    version = room.facts_version
    room.refresh_from_db()
    assert (room.facts_version, Entry.objects.count(), ReadingFile.objects.count()) == (version, *before)


def test_a_longer_file_of_the_same_logger_adds_what_is_new(boss, room):
    store(rows(10), room, boss)

    assert store(rows(15), room, boss, source=replace(SOURCE, sha256="6" * 64)) == Stored(5, 10, ())

    file = ReadingFile.objects.get(sha256="6" * 64)
    assert (file.new, file.known, file.readings.count()) == (5, 10, 5)


def test_another_logger_at_the_same_instant_is_another_fact(boss, room):
    store(rows(3), room, boss)

    assert store(rows(3), room, boss, source=replace(SOURCE, logger="L-8")).new == 3


def test_another_value_at_the_same_instant_is_a_conflict_and_the_first_stands(boss, room):
    store(rows(3), room, boss)
    said = rows(3)
    said[1] = replace(said[1], value=25.0)

    stored = store(said, room, boss, source=replace(SOURCE, sha256="6" * 64))

    conflict = Conflict(said[1].at, 3, Air(20.5, "c", 45.0), Air(25.0, "c", 45.0))
    assert stored == Stored(0, 2, (conflict,))
    assert set(Reading.objects.values_list("temperature", flat=True)) == {20.5}
    # That it contradicts is kept in the history, once.
    assert ReadingFile.objects.get(sha256="6" * 64).conflicts == 1
    store(said, room, boss, source=replace(SOURCE, sha256="6" * 64))
    assert ReadingFile.objects.count() == 2


def test_the_same_air_in_another_unit_is_a_conflict_too(boss, room):
    store(rows(1, t=20.0), room, boss)

    stored = store(rows(1, t=68.0, unit="f"), room, boss)

    assert len(stored.conflicts) == 1


def test_a_corrected_reading_is_still_known_and_its_correction_stands(boss, room):
    store(rows(3), room, boss)
    old = Reading.objects.order_by("happened_at").first()
    seen.record_reading(
        make.envelope(boss, at=old.happened_at, supersedes=old, reason="meter slipped"),
        zone=room.zone,
        temperature=19,
        unit="c",
        humidity_pct=45,
        logger="L-7",
    )

    assert store(rows(3), room, boss) == Stored(0, 3, ())
    assert standing(Reading, old.origin).temperature == 19


def test_each_chunk_raises_the_versions_of_the_zones_rooms_once(boss, room):
    neighbour, elsewhere = make.room(zone=room.zone), make.room()
    readings = rows(2 * CHUNK + 1, every=timedelta(seconds=3))

    assert store(readings, room, boss).new == 2 * CHUNK + 1

    for one, version in ((room, 3), (neighbour, 3), (elsewhere, 0)):
        one.refresh_from_db()
        assert one.facts_version == version


class BreaksOff(list[ReadOut]):
    """Readings of which the second chunk is never reached, as when the process is killed."""

    def __getitem__(self, at):
        if isinstance(at, slice) and at.start:
            raise KeyboardInterrupt
        return super().__getitem__(at)


def test_a_file_broken_off_half_way_goes_on_under_the_same_fact(boss, room):
    readings = rows(CHUNK + 3, every=timedelta(seconds=3))
    with pytest.raises(KeyboardInterrupt):
        store(BreaksOff(readings), room, boss)
    assert Reading.objects.count() == CHUNK

    assert store(readings, room, boss) == Stored(3, CHUNK, ())

    file = ReadingFile.objects.get()
    assert (file.new, file.readings.count(), Entry.objects.count()) == (CHUNK + 3, CHUNK + 3, 1)


def test_a_row_still_to_come_is_refused_with_its_number_and_nothing_is_stored(boss, room):
    readings = rows(3, first=NOW - 5 * MINUTE)

    with pytest.raises(ValidationError) as refused:
        store(readings, room, boss)

    # The third row is at 09:15 UTC, which is 11:15 in Paris in summer.
    assert "row 4 (2026-06-10 11:15)" in refused.value.message
    assert not Reading.objects.exists()
    assert not ReadingFile.objects.exists()


def test_a_logger_a_few_minutes_ahead_of_our_clock_is_believed(boss, room):
    assert store(rows(1, first=NOW + 5 * MINUTE), room, boss).new == 1


def test_a_row_before_the_year_2000_is_refused(boss, room):
    with pytest.raises(ValidationError):
        store(rows(1, first=NOW.replace(year=1999)), room, boss)


def test_no_reading_at_all_is_refused(boss, room):
    with pytest.raises(ValidationError):
        store([], room, boss)


def test_a_closed_job_takes_no_more_readings(boss, room):
    room.job.closed_at = NOW
    room.job.save()

    with pytest.raises(ValidationError, match="closed"):
        store(rows(3), room, boss)

    assert not Reading.objects.exists()


def test_a_logger_without_a_name_is_refused(boss, room):
    with pytest.raises(ValidationError) as refused:
        store(rows(3), room, boss, source=replace(SOURCE, logger=""))

    assert "logger" in refused.value.message_dict
    assert not Reading.objects.exists()


def test_comparing_says_what_storing_would_do(boss, room):
    store(rows(5), room, boss)
    said = rows(8)
    said[0] = replace(said[0], rh_pct=50.0)

    found = compare(said, zone=room.zone, logger="L-7")

    assert (found.new, found.known, len(found.conflicts)) == (3, 4, 1)
    assert found == store(said, room, boss)


def test_a_rest_counts_over_stored_readings(boss, room):
    """The readings that a file brought are those that the rest clock and the room's conditions read."""
    store(rows(61), room, boss)
    states.refresh_due(now=NOW)

    gathered = gather([room.pk], now=NOW)[room.pk]

    glue = make.adhesive()
    make.need(room, glue, 1)
    readings = gather([room.pk], now=NOW)[room.pk].facts.conditions.readings
    assert gathered.facts.conditions.readings == ()
    assert max(reading.at for reading in readings) == NOW
    assert {reading.by for reading in readings} == {"L-7"}


def test_storing_asks_a_few_questions_a_chunk_whatever_it_holds(boss, room, django_assert_max_num_queries):
    readings = rows(2_000, first=NOW - timedelta(hours=40), every=MINUTE)

    with django_assert_max_num_queries(45):
        store(readings, room, boss)
