"""What the strip of a long rest is drawn from, on rows."""

from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from jobs.air import Heard
from jobs.hours import slots_of
from jobs.ids import reading_id
from jobs.models import Reading
from jobs.services import loggers
from materials.core.stock import Stay
from scheduling.pages.trace import HOURS_AT_ONCE, LEAD, LONG, air_to_draw, hours_ledger, points_of
from scheduling.printing import plain
from tests import make
from tests.conftest import NOW

pytestmark = pytest.mark.django_db
MINUTE, HOUR, DAY = timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)


def store(zone, values, *, unit="c"):
    """Store `(how long ago, temperature, humidity)` as a logger's readings."""
    person = make.person()
    rows = []
    for ago, temperature, humidity in values:
        ident = reading_id(zone=zone.pk, logger="T", at=NOW - ago)
        rows.append(
            Reading(
                id=ident,
                origin=ident,
                happened_at=NOW - ago,
                recorded_at=NOW,
                recorded_by=person,
                zone=zone,
                temperature=temperature,
                unit=unit,
                humidity_pct=humidity,
                logger="T",
            )
        )
    Reading.objects.bulk_create(rows)


def test_a_short_rest_is_drawn_from_every_reading():
    zone = make.zone()
    store(zone, [(30 * MINUTE, 21.0, 45), (20 * MINUTE, 21.5, 46), (10 * MINUTE, 20.5, 44)])

    points = air_to_draw([zone.pk], NOW - HOUR, now=NOW)[zone.pk].points

    assert [(NOW - point.at, point.t_c, point.rh_pct) for point in points] == [
        (30 * MINUTE, 21.0, 45),
        (20 * MINUTE, 21.5, 46),
        (10 * MINUTE, 20.5, 44),
    ]


def test_a_long_one_loses_no_extreme_and_closes_no_gap():
    zone = make.zone()
    # 23 h, one a minute, 8 h of it missing: 00:00 to 08:00 and 16:00 to 23:00 after the first.
    ago = [23 * HOUR - n * MINUTE for n in range(23 * 60) if not 8 * 60 <= n < 16 * 60]
    values = [[one, 21.0, 45.0] for one in ago]
    values[100][1], values[200][1], values[300][2], values[400][2] = 12.0, 30.0, 20.0, 90.0
    store(zone, values)

    points = air_to_draw([zone.pk], NOW - 23 * HOUR + LEAD, slots=46, now=NOW)[zone.pk].points

    # The first slot and the last may be cut.
    assert len(points) <= 2 * (46 + 1)
    assert [point.at for point in points] == sorted(point.at for point in points)
    assert {min(p.t_c for p in points), max(p.t_c for p in points)} == {12.0, 30.0}
    assert {min(p.rh_pct for p in points), max(p.rh_pct for p in points)} == {20.0, 90.0}
    steps = [b.at - a.at for a, b in pairwise(points)]
    assert max(steps) == 8 * HOUR + MINUTE


def test_readings_in_fahrenheit_are_drawn_in_celsius_and_corrected_ones_once():
    zone, other = make.zone(), make.zone()
    store(zone, [(30 * MINUTE, 68.0, 45)], unit="f")
    store(other, [(30 * MINUTE, 10.0, 45)])
    wrong = Reading.objects.get(zone=other)
    Reading.objects.create(
        id=make.ident(),
        origin=wrong.origin,
        supersedes=wrong,
        happened_at=wrong.happened_at,
        recorded_at=NOW,
        recorded_by=wrong.recorded_by,
        zone=other,
        temperature=20.0,
        unit="c",
        humidity_pct=45,
    )

    found = air_to_draw([zone.pk, other.pk], NOW - HOUR, now=NOW)

    # 68 °F is 20 °C: (68 - 32) × 5 ÷ 9, worked by hand.
    assert [point.t_c for point in found[zone.pk].points] == pytest.approx([20.0])
    assert [point.t_c for point in found[other.pk].points] == [20.0]


def test_before_anything_rests_there_is_nothing_to_draw():
    assert air_to_draw([make.zone().pk], None, now=NOW) == {}


def test_a_rest_of_weeks_is_drawn_from_its_hours_and_its_readings_are_not_read_again():
    zone = make.zone()
    ago = [20 * DAY - n * 10 * MINUTE for n in range(20 * 24 * 6)]
    values = [[one, 21.0, 45.0] for one in ago]
    values[100][1], values[2000][2] = 12.0, 90.0
    store(zone, values)
    air_to_draw([zone.pk], NOW - 20 * DAY, now=NOW)

    with CaptureQueriesContext(connection) as asked:
        drawn = air_to_draw([zone.pk], NOW - 20 * DAY, now=NOW)[zone.pk]

    assert not [one for one in asked if "jobs_reading" in one["sql"]]
    # Two points an hour, 20 days of 24 hours: its least, and its most.
    assert len(drawn.points) == 2 * 20 * 24
    assert min(point.t_c for point in drawn.points) == 12.0
    assert max(point.rh_pct for point in drawn.points) == 90.0
    assert sum(hour.readings for hour in drawn.hours) == 20 * 24 * 6


@pytest.mark.parametrize("since", [NOW - LONG, NOW - LONG - HOUR], ids=["from-readings", "from-hours"])
def test_a_clock_that_was_off_is_put_right_in_a_drawing(since):
    boss, zone = make.manager(), make.zone()
    store(zone, [(5 * HOUR, 12.0, 45), (2 * HOUR, 21.0, 45)])
    loggers.state_clock(
        make.envelope(boss), zone=zone, logger="T", from_at=NOW - 3 * HOUR, offset=timedelta(hours=-1)
    )

    drawn = air_to_draw([zone.pk], since, now=NOW)[zone.pk]

    assert [(NOW - point.at, point.t_c) for point in drawn.points] == [(5 * HOUR, 12.0), (3 * HOUR, 21.0)]


def test_around_sheets_that_moved_each_zone_is_drawn_while_they_stood_in_it():
    first, then = make.zone(), make.zone()
    store(first, [(10 * HOUR, 21.0, 45), (6 * HOUR, 21.0, 45), (2 * HOUR, 12.0, 45)])
    store(then, [(8 * HOUR, 30.0, 45), (4 * HOUR, 22.0, 45), (HOUR, 22.0, 45)])
    stays = [Stay(first.pk, NOW - 9 * HOUR, NOW - 5 * HOUR), Stay(then.pk, NOW - 5 * HOUR, None)]

    points = points_of(stays, air_to_draw([first.pk, then.pk], NOW - 9 * HOUR, now=NOW))

    # The first reading is an hour before they came: it leads in.
    assert [(NOW - point.at, point.t_c) for point in points] == [
        (10 * HOUR, 21.0),
        (6 * HOUR, 21.0),
        (4 * HOUR, 22.0),
        (HOUR, 22.0),
    ]


def test_the_table_tells_the_latest_hours_and_how_many_are_left_out():
    zone = make.zone()
    store(zone, [(n * HOUR, 20.0 + n / 100, 45) for n in range(1, 61)])
    hours = air_to_draw([zone.pk], NOW - 60 * HOUR, now=NOW)[zone.pk].hours

    some, every = hours_ledger(hours, all_url="/all/"), hours_ledger(hours)

    assert (len(some.rows), some.left_out, some.left_out_url) == (HOURS_AT_ONCE, 60 - HOURS_AT_ONCE, "/all/")
    assert (len(every.rows), every.left_out) == (60, 0)
    assert plain(some.rows[0].entries[0].value, zone="Europe/Paris", now=NOW) == "Wed 10 Jun 10:00"
    assert hours_ledger([]) is None


def test_the_two_hours_of_one_name_are_told_apart_in_the_table():
    # Summer time ends in Paris on 25 October 2026 at 01:00 UTC (Directive 2000/84/EC): 02:30 comes twice.
    first = datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
    read = Heard([int(first.timestamp()), int(first.timestamp()) + 3600], [20.0, 21.0], [45.0, 45.0])

    rows = hours_ledger(list(slots_of(read))).rows

    words = [plain(row.entries[0].value, zone="Europe/Paris", now=first + 9 * HOUR) for row in reversed(rows)]
    assert words[0] != words[1]
    assert all("02:00" in one for one in words)
