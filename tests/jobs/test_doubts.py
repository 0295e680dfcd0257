"""Flags beside readings: the same whatever way, order and number of parts the readings come in."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from jobs.core.logger_values import Reading as ReadOut
from jobs.models import Reading, ReadingConflict, ReadingFlag
from jobs.services import seen
from jobs.services.readings import Source, store_readings
from tests import make
from tests.conftest import NOW

pytestmark = pytest.mark.django_db
MINUTE = timedelta(minutes=1)
FIRST = NOW - timedelta(hours=30)


@pytest.fixture
def boss():
    return make.manager()


@pytest.fixture
def zone():
    return make.room().zone


def night():
    """Return fifteen hours of readings every ten minutes: a jump, an impossible one, a sensor that sticks."""
    air = [20.0 + n % 5 / 10 for n in range(90)]
    air[12] = 31.0
    air[40] = 70.0
    return [ReadOut(FIRST + n * 10 * MINUTE, t, "c", 45.0, n + 1) for n, t in enumerate(air)]


def stuck(hours=14):
    return [ReadOut(FIRST + n * 10 * MINUTE, 21.0, "c", 50.0, n + 1) for n in range(hours * 6 + 1)]


def store(rows, zone, boss, *, logger="L3", part=0):
    source = Source("a.csv", f"{part:064d}", logger)
    return store_readings(rows, zone=zone, source=source, by=boss, now=NOW)


def flags(zone):
    rows = ReadingFlag.objects.filter(zone=zone, reading__superseded_by__isnull=True)
    return sorted((row.happened_at, row.kind, row.reading.temperature) for row in rows)


EXPECTED = [
    (FIRST + 120 * MINUTE, "jump", 31.0),
    (FIRST + 400 * MINUTE, "jump", 70.0),
    (FIRST + 400 * MINUTE, "range", 70.0),
]


def test_what_a_file_holds_is_flagged_and_stored(zone, boss):
    store(night(), zone, boss)

    assert flags(zone) == EXPECTED
    assert Reading.objects.count() == 90


@pytest.mark.parametrize("order", ["forwards", "backwards", "odd-and-even", "one-by-one"])
def test_in_whatever_parts_they_come_the_flags_are_the_same(zone, boss, order):
    rows = night()
    parts = {
        "forwards": [rows[:13], rows[13:41], rows[41:]],
        "backwards": [rows[41:], rows[13:41], rows[:13]],
        "odd-and-even": [rows[1::2], rows[::2]],
        "one-by-one": [[row] for row in rows],
    }[order]

    for number, part in enumerate(parts):
        store(part, zone, boss, part=number)

    assert flags(zone) == EXPECTED


def test_a_stuck_sensor_is_flagged_from_twelve_hours_on_however_it_comes(zone, boss):
    rows = stuck()
    other, third = make.room().zone, make.room().zone
    store(rows, zone, boss)
    for number, part in enumerate([rows[60:], rows[:20], rows[20:60]]):
        store(part, other, boss, part=number)
    for number, row in enumerate(rows):
        store([row], third, boss, part=number)

    found = [at for at, kind, _t in flags(zone) if kind == "stuck"]
    # 14 hours from the first reading to the last: those of the last two, both ends.
    assert (len(found), min(found)) == (13, FIRST + timedelta(hours=12))
    assert flags(other) == flags(third) == flags(zone)


def test_a_flicker_that_comes_late_clears_what_stuck(zone, boss):
    store(stuck(), zone, boss)

    store([ReadOut(FIRST + 605 * MINUTE, 21.4, "c", 50.0, 1)], zone, boss, part=1)

    assert flags(zone) == []


def test_another_logger_is_no_neighbour(zone, boss):
    store(night()[:12], zone, boss)

    store([ReadOut(FIRST + 55 * MINUTE, 35.0, "c", 45.0, 1)], zone, boss, logger="L4", part=1)

    assert flags(zone) == []


def test_readings_by_hand_are_judged_too(zone, boss):
    for ago, t in ((40, 20.0), (30, 20.2), (20, 35.0), (10, 20.1)):
        seen.record_reading(
            make.envelope(boss, ago=ago * MINUTE), zone=zone, temperature=t, unit="c", humidity_pct=45
        )

    assert flags(zone) == [(NOW - 20 * MINUTE, "jump", 35.0)]


def test_a_fahrenheit_reading_is_judged_as_what_it_means(zone, boss):
    for ago, t in ((40, 68.0), (30, 68.4), (20, 72.0), (10, 68.0)):
        # 72 °F are 2.2 K above 68 °F, and would be 4 in °C.
        seen.record_reading(
            make.envelope(boss, ago=ago * MINUTE), zone=zone, temperature=t, unit="f", humidity_pct=45
        )

    assert flags(zone) == []


def test_a_correction_is_judged_in_the_place_of_what_it_corrects(zone, boss):
    store(night()[:20], zone, boss)
    wrong = Reading.objects.get(temperature=31.0)

    right = seen.record_reading(
        make.envelope(boss, at=wrong.happened_at, supersedes=wrong),
        zone=zone,
        temperature=21.0,
        unit="c",
        humidity_pct=45,
        logger="L3",
    )
    assert flags(zone) == []

    seen.record_reading(
        make.envelope(boss, at=wrong.happened_at, supersedes=right),
        zone=zone,
        temperature=33.0,
        unit="c",
        humidity_pct=45,
        logger="L3",
    )
    assert flags(zone) == [(wrong.happened_at, "jump", 33.0)]


def test_neighbours_are_judged_without_what_was_taken_back(zone, boss):
    store([night()[n] for n in (11, 12)], zone, boss)
    assert [kind for _at, kind, _t in flags(zone)] == ["jump", "jump"]

    seen.withdraw_reading(Reading.objects.get(temperature=31.0), make.envelope(boss, reason="a lamp"))

    assert flags(zone) == []


def test_a_file_that_contradicts_leaves_what_it_said_beside_what_stands(zone, boss):
    store(night()[:3], zone, boss)

    other = [ReadOut(FIRST, 25.0, "c", 45.0, 1), ReadOut(FIRST + 10 * MINUTE, 77.0, "f", 45.0, 2)]
    for _again in range(2):
        store(other, zone, boss, part=1)

    kept = ReadingConflict.objects.order_by("reading__happened_at")
    assert [(one.reading.temperature, one.temperature, one.unit) for one in kept] == [
        (20.0, 25.0, "c"),
        (20.1, 77.0, "f"),
    ]


def test_judging_asks_as_many_queries_for_many_readings_as_for_few(zone, boss):
    counts = []
    for part, rows in enumerate((night()[:20], night()[20:80])):
        with CaptureQueriesContext(connection) as asked:
            store(rows, zone, boss, part=part)
        counts.append(len(asked))

    # The second finds neighbours, and so asks for their flags.
    assert counts[1] <= counts[0] + 2
