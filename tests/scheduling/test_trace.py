"""What the strip of a long rest is drawn from, on rows."""

from datetime import timedelta
from itertools import pairwise

import pytest

from jobs.ids import reading_id
from jobs.models import Reading
from scheduling.pages.trace import LEAD, readings_to_draw
from tests import make
from tests.conftest import NOW

pytestmark = pytest.mark.django_db
MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)


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

    points = readings_to_draw([zone.pk], NOW - HOUR, now=NOW)[zone.pk]

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

    points = readings_to_draw([zone.pk], NOW - 23 * HOUR + LEAD, slots=46, now=NOW)[zone.pk]

    assert len(points) <= 2 * 46
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

    found = readings_to_draw([zone.pk, other.pk], NOW - HOUR, now=NOW)

    # 68 °F is 20 °C: (68 - 32) × 5 ÷ 9, worked by hand.
    assert [point.t_c for point in found[zone.pk]] == pytest.approx([20.0])
    assert [point.t_c for point in found[other.pk]] == [20.0]


def test_before_anything_rests_there_is_nothing_to_draw():
    assert readings_to_draw([make.zone().pk], None, now=NOW) == {}
