"""The hours of a zone's air tell what all its readings come to, whatever came and in what order."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from jobs import hours
from jobs.air import Heard
from jobs.hours import Slot, bring_up, hours_of, slots_of
from jobs.models import AirHour, LateAir, LoggerClock, Reading, Zone
from jobs.services import seen
from tests import make
from tests.conftest import NOW
from tests.scheduling.test_air_runs import ACTS, act, hand, read_out

pytestmark = pytest.mark.django_db
HOUR, MINUTE = timedelta(hours=1), timedelta(minutes=1)
LONG_AGO = NOW - timedelta(days=4000)


@pytest.fixture
def boss():
    return make.manager()


@pytest.fixture
def room():
    return make.room(zone=make.zone(job=make.job(accepts_statements=True)))


def worked_out(zone):
    """Return the hours of a zone from every standing reading, one by one, each put right by itself."""
    said = list(LoggerClock.objects.standing().filter(zone=zone).order_by("recorded_at", "pk"))
    by_hour = {}
    for row in Reading.objects.standing().filter(zone=zone):
        holds = [one for one in said if one.logger == row.logger and one.from_at <= row.happened_at]
        latest = max(holds, key=lambda one: (one.from_at, said.index(one)), default=None)
        at = row.happened_at + timedelta(seconds=latest.offset_s if latest else 0)
        full = at.replace(minute=0, second=0)
        by_hour.setdefault(full, []).append((at, row.t_c, min(row.humidity_pct, 100.0)))
    return [
        Slot(
            int(full.timestamp()),
            int(min(at for at, _, _ in read).timestamp()),
            int(max(at for at, _, _ in read).timestamp()),
            len(read),
            min(t_c for _, t_c, _ in read),
            max(t_c for _, t_c, _ in read),
            min(rh_pct for _, _, rh_pct in read),
            max(rh_pct for _, _, rh_pct in read),
        )
        for full, read in sorted(by_hour.items())
    ]


def told(zone):
    return hours_of([zone.pk], LONG_AGO).get(zone.pk, [])


def test_whatever_comes_in_whatever_order_the_hours_tell_what_all_of_it_comes_to(boss, room):
    @settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
    @given(st.lists(st.tuples(ACTS, st.booleans()), min_size=3, max_size=12))
    def hours_agree(acts):
        with transaction.atomic():
            for number, ((kind, *rest), is_looked_at) in enumerate(acts, start=1):
                act(room, boss, kind, rest, now=NOW + number * 7 * MINUTE)
                if is_looked_at:
                    bring_up([room.zone_id])
            assert told(room.zone) == worked_out(room.zone)
            transaction.set_rollback(True)

    hours_agree()


def test_a_reading_at_the_full_hour_is_the_first_of_the_hour_it_begins():
    read = Heard(
        (3599, 3600, 3601, 7199, 7200), (20.0, 21.0, 19.5, 22.0, 18.0), (40.0, 41.0, 39.0, 45.0, 44.0)
    )

    # Counted by hand.
    assert list(slots_of(read)) == [
        Slot(0, 3599, 3599, 1, 20.0, 20.0, 40.0, 40.0),
        Slot(3600, 3600, 7199, 3, 19.5, 22.0, 39.0, 45.0),
        Slot(7200, 7200, 7200, 1, 18.0, 18.0, 44.0, 44.0),
    ]


def test_fahrenheit_and_a_sensor_at_its_edge_are_told_as_they_are_counted_with(boss, room):
    seen.record_reading(
        make.envelope(boss, ago=HOUR), zone=room.zone, temperature=64.4, unit="f", humidity_pct=103
    )

    (hour,) = told(room.zone)

    # 64.4 °F is 18.0 °C exactly: (64.4 - 32) × 5 ÷ 9, worked by hand; over 100 % counts as 100.
    assert (hour.t_min, hour.t_max, hour.rh_min, hour.rh_max) == (18.0, 18.0, 100.0, 100.0)


def test_readings_from_before_there_were_hours_are_told_as_well(boss, room):
    read_out(room, boss, NOW - 6 * HOUR, [21.0, 20.0, 19.0, 21.0])
    Zone.objects.filter(pk=room.zone_id).update(air_version=0, air_last_at=None)
    LateAir.objects.all().delete()

    assert told(room.zone) == worked_out(room.zone)
    hand(room, boss, NOW - 10 * HOUR)
    assert told(room.zone) == worked_out(room.zone)
    assert Zone.objects.get(pk=room.zone_id).hours_upto is not None


def test_hours_that_are_thrown_away_come_again(boss, room):
    read_out(room, boss, NOW - 6 * HOUR, [21.0, 20.0, 19.0, 21.0])
    before = told(room.zone)
    AirHour.objects.all().delete()
    Zone.objects.update(hours_version=0, hours_upto=None)

    assert told(room.zone) == before == worked_out(room.zone)


def test_who_is_overtaken_while_going_over_the_readings_stores_nothing_of_it(boss, room, monkeypatch):
    read_out(room, boss, NOW - 6 * HOUR, [21.0, 20.0])
    heard, calls = hours.heard, []

    def overtaken(cuts):
        read = heard(cuts)
        calls.append(cuts)
        if len(calls) == 1:
            # One more reading comes, and another request brings the hours up to it.
            hand(room, boss, NOW - HOUR, 12.0)
            bring_up([room.zone_id])
        return read

    monkeypatch.setattr(hours, "heard", overtaken)

    assert told(room.zone) == worked_out(room.zone)
    # The first look and the other's; nothing is left to look at again.
    assert len(calls) == 2


def test_one_more_reading_is_told_without_reading_the_past(boss, room):
    read_out(room, boss, NOW - 60 * HOUR, [21.0] * 150)
    bring_up([room.zone_id])
    hand(room, boss, NOW)

    with CaptureQueriesContext(connection) as asked:
        bring_up([room.zone_id])

    (read,) = [one["sql"] for one in asked if "humidity_pct" in one["sql"] and "SELECT" in one["sql"][:6]]
    with connection.cursor() as cursor:
        cursor.execute(read)
        # The hour the file ended in, 11 h before, has three of its readings; then the one that came.
        assert len(cursor.fetchall()) == 3 + 1


def test_nothing_is_written_where_nothing_changed(boss, room):
    read_out(room, boss, NOW - 6 * HOUR, [21.0, 20.0])
    empty = make.zone()
    bring_up([room.zone_id, empty.pk])

    with CaptureQueriesContext(connection) as asked:
        bring_up([room.zone_id, empty.pk])

    assert not [one["sql"] for one in asked if one["sql"].startswith(("UPDATE", "INSERT", "DELETE"))]
