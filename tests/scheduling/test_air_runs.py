"""Rest clocks that run on with each fact tell what all facts come to at once, whatever comes and in what order."""

from __future__ import annotations

from datetime import timedelta
from hashlib import sha256

import pytest
from django.db import transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from jobs import air
from jobs.core.logger_values import Reading as ReadOut
from jobs.facts import withdraw
from jobs.models import LateAir, LoggerClock, Memory, Reading, ReadingFile, Room, Statement, Zone
from jobs.services import loggers, seen
from jobs.services.readings import Source, store_readings
from materials.core import rest as rest_core
from materials.models import AirRun
from materials.services import deliveries
from scheduling import states
from scheduling.gather import gather
from scheduling.models import RoomState
from tests import make
from tests.conftest import NOW

pytestmark = pytest.mark.django_db
HOUR, MINUTE, SECOND = timedelta(hours=1), timedelta(minutes=1), timedelta(seconds=1)
ZERO = timedelta(0)


def placed(boss, room, product, *, ago, now=NOW):
    """Record that five sheets came into the room's zone."""
    deliveries.record_arrival(
        make.envelope(boss, ago=ago, now=now),
        zone=room.zone,
        lines=[deliveries.PlacedLine(product, f"A{product.pk}", 5, room)],
    )


@pytest.fixture
def boss():
    return make.manager()


@pytest.fixture
def room(boss):
    """A room with sheets that came two days ago, in a zone that takes a person's word."""
    room = make.room(zone=make.zone(job=make.job(accepts_statements=True)))
    sheet = make.sheet(
        rest_max_gap_s=4 * 3600, rest_fine_gap_s=1800, rest_restart_after_s=2 * 3600, rest_needs_opening=False
    )
    placed(boss, room, sheet, ago=48 * HOUR)
    return room


def read_out(room, boss, first_at, values, *, every=20 * MINUTE, logger="L1", now=NOW):
    """Store a logger's file of readings."""
    readings = [ReadOut(first_at + n * every, t_c, "c", 45.0, n + 2) for n, t_c in enumerate(values)]
    name = f"{first_at}{values}{logger}{now}"
    source = Source("a.csv", sha256(name.encode()).hexdigest(), logger)
    return store_readings(readings, zone=room.zone, source=source, by=boss, now=now)


def hand(room, boss, at, t_c=21.0, *, now=NOW, **rest):
    return seen.record_reading(
        make.envelope(boss, at=at, now=now, **rest),
        zone=room.zone,
        temperature=t_c,
        unit="c",
        humidity_pct=45,
    )


def from_all_facts(room, *, now):
    """Return the rests of a room's placements from every standing fact, clocks put right one by one."""
    said = list(LoggerClock.objects.standing().filter(zone=room.zone_id).order_by("recorded_at", "pk"))

    def meant(row):
        holds = [one for one in said if one.logger == row.logger and one.from_at <= row.happened_at]
        latest = max(holds, key=lambda one: (one.from_at, said.index(one)), default=None)
        return row.happened_at + timedelta(seconds=latest.offset_s) if latest else row.happened_at

    readings = [
        rest_core.Reading(str(row.origin), room.zone_id, meant(row), row.t_c, row.humidity_pct)
        for row in Reading.objects.standing().filter(zone=room.zone_id)
    ]
    memories = [
        rest_core.Memory(
            str(row.origin),
            room.zone_id,
            row.from_at,
            row.happened_at,
            row.t_min,
            row.t_max,
            row.rh_min,
            row.rh_max,
        )
        for row in Memory.objects.standing().filter(zone=room.zone_id)
    ]
    statements = [
        rest_core.Statement(str(row.origin), room.zone_id, row.from_at, row.happened_at, "")
        for row in Statement.objects.standing().filter(zone=room.zone_id)
    ]
    rested = gather([room.pk], now=now)[room.pk].rests
    return [
        rest_core.rest_of(
            presence=[rest_core.Presence(stay.zone, stay.in_at, stay.out_at) for stay in one.standing.stays],
            opened_at=one.standing.opened_at,
            sheets_set_at=None,
            readings=readings,
            memories=memories,
            statements=statements,
            rule=one.rule,
            now=now,
        )
        for one in rested
    ]


def agree(rooms, *, now):
    """Refresh the rooms as a page does and hold what is stored, and told again, to all facts."""
    states.refresh_due(Room.objects.filter(pk__in=[room.pk for room in rooms]), now=now)
    for room in rooms:
        told = [one.rest for one in gather([room.pk], now=now)[room.pk].rests]
        expected = from_all_facts(room, now=now)
        assert [comparable(rest) for rest in told] == [comparable(rest) for rest in expected]
        stored = RoomState.objects.get(room=room).rests
        AirRun.objects.filter(zone=room.zone_id).delete()
        fresh = states.judge([room.pk], now=RoomState.objects.get(room=room).computed_at)[room.pk]
        assert stored == [states.answers.rest_to_json(one) for one in fresh.gathered.rests]


def comparable(rest):
    """Return a rest less the list of what did not count, which the sheets of another zone share."""
    return {name: getattr(rest, name) for name in rest.__dataclass_fields__ if name != "ignored"}


AIRS = st.sampled_from([21.0, 21.0, 21.0, 20.0, 12.0, 30.0])
AGES = st.integers(0, 60 * 60).map(lambda minutes: minutes * MINUTE)
ACTS = st.one_of(
    st.tuples(st.just("later"), st.lists(AIRS, min_size=1, max_size=6)),
    st.tuples(st.just("later"), st.lists(AIRS, min_size=1, max_size=6)),
    st.tuples(st.just("late"), AGES, st.lists(AIRS, min_size=1, max_size=3), st.sampled_from(["L1", "L2"])),
    st.tuples(st.just("hand"), AGES, AIRS),
    st.tuples(st.just("correct"), st.integers(0, 99), AGES, AIRS),
    st.tuples(st.just("withdraw"), st.integers(0, 99)),
    st.tuples(st.just("file"), st.integers(0, 99)),
    st.tuples(st.just("memory"), AGES, st.integers(1, 600), AIRS),
    st.tuples(st.just("statement"), AGES, st.integers(1, 600)),
    st.tuples(st.just("clock"), AGES, st.integers(-200, 200), st.sampled_from(["L1", "L2"])),
    st.tuples(st.just("clock back"), st.integers(0, 99)),
)


def act(room, boss, kind, rest, *, now):
    """Record one fact of the zone's air."""
    reason = {"reason": "a slip"}
    standing = list(Reading.objects.standing().filter(zone=room.zone).order_by("happened_at", "pk"))
    if kind == "later":
        last = max((one.happened_at for one in standing if one.logger == "L1"), default=now - 55 * HOUR)
        first_at = last + 20 * MINUTE
        values = [value for n, value in enumerate(rest[0]) if first_at + n * 20 * MINUTE <= now]
        if values:
            read_out(room, boss, first_at, values, now=now)
    elif kind == "late":
        read_out(room, boss, now - rest[0] - HOUR, rest[1], logger=rest[2], now=now)
    elif kind == "hand":
        hand(room, boss, now - rest[0], rest[1], now=now)
    elif kind == "correct" and standing:
        old = standing[rest[0] % len(standing)]
        envelope = make.envelope(boss, at=now - rest[1], now=now, supersedes=old, **reason)
        values = {"temperature": rest[2], "unit": "c", "humidity_pct": 45, "logger": old.logger}
        seen.record_reading(envelope, zone=room.zone, **values)
    elif kind == "withdraw" and standing:
        old = standing[rest[0] % len(standing)]
        seen.withdraw_reading(old, make.envelope(boss, now=now, supersedes=old, **reason))
    elif kind == "file":
        files = list(ReadingFile.objects.standing().filter(zone=room.zone).order_by("recorded_at", "pk"))
        if files:
            seen.withdraw_file(files[rest[0] % len(files)], make.envelope(boss, now=now, **reason))
    elif kind == "memory":
        extremes = {
            "t_min": min(rest[2], 20),
            "t_max": max(rest[2], 22),
            "rh_min": 44,
            "rh_max": 46,
            "unit": "c",
        }
        to_at = now - rest[0]
        seen.record_memory(
            make.envelope(boss, at=to_at, now=now),
            zone=room.zone,
            from_at=to_at - rest[1] * MINUTE,
            **extremes,
        )
    elif kind == "statement":
        to_at = now - rest[0]
        seen.state_air(
            make.envelope(boss, at=to_at, now=now), zone=room.zone, from_at=to_at - rest[1] * MINUTE
        )
    elif kind == "clock":
        loggers.state_clock(
            make.envelope(boss, now=now),
            zone=room.zone,
            logger=rest[2],
            from_at=now - rest[0],
            offset=rest[1] * MINUTE,
        )
    elif kind == "clock back":
        said = list(LoggerClock.objects.standing().filter(zone=room.zone).order_by("recorded_at", "pk"))
        if said:
            withdraw(said[rest[0] % len(said)], make.envelope(boss, now=now, **reason))


def test_whatever_comes_in_whatever_order_the_clocks_tell_what_all_of_it_comes_to(boss, room):
    other = make.room(zone=room.zone)
    placed(boss, other, make.sheet(rest_max_gap_s=7200, rest_restart_on="temperature"), ago=20 * HOUR)

    @settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
    @given(st.lists(st.tuples(ACTS, st.booleans()), min_size=3, max_size=9))
    def clocks_agree(acts):
        with transaction.atomic():
            for number, ((kind, *rest), is_looked_at) in enumerate(acts, start=1):
                now = NOW + number * 7 * MINUTE
                act(room, boss, kind, rest, now=now)
                if is_looked_at:
                    states.refresh_due(now=now)
            agree([room, other], now=now)
            transaction.set_rollback(True)

    clocks_agree()


# ---- nothing of the past is read again


@pytest.fixture
def readings_read(monkeypatch):
    """Return what counts the readings that a call reads to make its rests."""
    heard, counts = air.heard, []

    def counted(*args, **kwargs):
        found = heard(*args, **kwargs)
        counts.append(sum(len(one.at) for one in found.values()))
        return found

    monkeypatch.setattr(air, "heard", counted)

    def count_of(call):
        counts.clear()
        call()
        return sum(counts)

    return count_of


def test_a_look_after_one_more_reading_reads_that_one_alone(boss, room, readings_read):
    make.room(zone=room.zone)
    read_out(room, boss, NOW - 60 * HOUR, [21.0] * 150)
    states.refresh_due(now=NOW)
    hand(room, boss, NOW + MINUTE, now=NOW + MINUTE)

    assert readings_read(lambda: states.refresh_due(now=NOW + MINUTE)) == 1
    assert RoomState.objects.get(room=room).rests[0]["rest"]["last_reading_at"] == (NOW + MINUTE).isoformat()


def test_a_late_reading_goes_back_to_the_one_before_it_and_no_further(boss, room, readings_read):
    read_out(room, boss, NOW - 60 * HOUR, [21.0] * 150)
    states.refresh_due(now=NOW)
    last = NOW - 60 * HOUR + 149 * 20 * MINUTE
    hand(room, boss, last - 50 * MINUTE)

    assert LateAir.objects.get(zone=room.zone, version=room_version(room)).from_at == last - 50 * MINUTE
    assert readings_read(lambda: states.refresh_due(now=NOW)) == 4
    agree([room], now=NOW)


def room_version(room):
    return Zone.objects.get(pk=room.zone_id).air_version


def test_a_what_if_stores_no_run(boss, room):
    read_out(room, boss, NOW - 3 * HOUR, [21.0] * 3)

    states.judge([room.pk], now=NOW)

    assert not AirRun.objects.exists()


def test_rooms_of_a_zone_share_a_run_and_each_band_has_its_own(boss, room):
    placed(boss, make.room(zone=room.zone), room_product(room), ago=HOUR)
    states.refresh_due(now=NOW)
    assert AirRun.objects.count() == 1

    placed(boss, make.room(zone=room.zone), make.sheet(t_min=19), ago=HOUR)
    states.refresh_due(now=NOW)
    assert AirRun.objects.count() == 2


def room_product(room):
    (one,) = gather([room.pk], now=NOW)[room.pk].rests
    return one.product


def test_sheets_that_came_earlier_than_the_run_began_make_it_anew(boss, room):
    read_out(room, boss, NOW - 100 * HOUR, [21.0] * 300)
    states.refresh_due(now=NOW)
    since = AirRun.objects.get().since
    placed(boss, room, room_product(room), ago=90 * HOUR)

    states.refresh_due(now=NOW)
    assert AirRun.objects.get().since < since
    agree([room], now=NOW)


def test_a_run_that_nobody_asks_for_any_more_is_thrown_away(boss, room):
    read_out(room, boss, NOW - 3 * HOUR, [21.0] * 3)
    states.refresh_due(now=NOW)
    (old,) = AirRun.objects.values_list("rule_key", flat=True)
    later = NOW + timedelta(days=8)
    hand(room, boss, later, now=later)
    Zone.objects.filter(pk=room.zone_id).update(t_min=19)
    Room.objects.filter(pk=room.pk).update(facts_version=99)

    states.refresh_due(now=later)

    assert list(AirRun.objects.exclude(rule_key=old)) == list(AirRun.objects.all())


def test_a_run_stored_over_a_later_one_loses_nothing(boss, room):
    """Two looks at once: the slower one, which did not see a late reading, is the last to store its run."""
    read_out(room, boss, NOW - 30 * HOUR, [21.0] * 90)
    states.refresh_due(now=NOW)
    slower = AirRun.objects.get()
    hand(room, boss, NOW - 10 * HOUR, 3.0)
    states.refresh_due(now=NOW)
    slower.save()

    assert gather([room.pk], now=NOW)[room.pk].rests[0].rest.zero_at is None
    hand(room, boss, NOW, 21.0)
    agree([room], now=NOW)


@pytest.mark.parametrize("minutes", [-200, 200])
def test_a_clock_that_is_put_right_moves_what_was_run_over(boss, room, minutes):
    read_out(room, boss, NOW - 30 * HOUR, [21.0] * 80)
    read_out(room, boss, NOW - 20 * HOUR, [21.0, 3.0, 3.0, 21.0], every=HOUR, logger="L2")
    states.refresh_due(now=NOW)

    said = loggers.state_clock(
        make.envelope(boss),
        zone=room.zone,
        logger="L2",
        from_at=NOW - 19 * HOUR,
        offset=minutes * MINUTE,
    )
    agree([room], now=NOW)
    hand(room, boss, NOW)
    states.refresh_due(now=NOW)
    assert AirRun.objects.exists()
    withdraw(said, make.envelope(boss, reason="it was another logger"))
    agree([room], now=NOW)


def test_the_first_reading_of_a_run_without_any_may_be_from_before_it_begins(boss, room):
    """The last reading before the sheets came counts, also where nothing was read when the run was stored."""
    states.refresh_due(now=NOW)
    read_out(room, boss, NOW - 54 * HOUR, [21.0])

    agree([room], now=NOW)
    stored = RoomState.objects.get(room=room).rests[0]["rest"]
    assert stored["last_reading_at"] == (NOW - 54 * HOUR).isoformat()


def test_a_reading_later_than_one_that_was_taken_back_may_be_from_before_the_run(boss, room):
    read_out(room, boss, NOW - 55 * HOUR, [21.0])
    gone = Reading.objects.get()
    seen.withdraw_reading(gone, make.envelope(boss, supersedes=gone, reason="another room's"))
    states.refresh_due(now=NOW)
    assert AirRun.objects.get().upto is None

    read_out(room, boss, NOW - 54 * HOUR, [21.0])

    agree([room], now=NOW)
    stored = RoomState.objects.get(room=room).rests[0]["rest"]
    assert stored["last_reading_at"] == (NOW - 54 * HOUR).isoformat()
