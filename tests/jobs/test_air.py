"""What changes a zone's air is noted with it, and its readings are read with loggers' clocks put right."""

from __future__ import annotations

from datetime import timedelta

import pytest

from jobs import air
from jobs.clocks import clocks_in
from jobs.core.logger_values import Reading as ReadOut
from jobs.facts import withdraw
from jobs.models import LateAir, Reading, ReadingFile
from jobs.services import loggers, seen
from jobs.services.readings import Source, store_readings
from tests import make
from tests.conftest import NOW

pytestmark = pytest.mark.django_db
HOUR, MINUTE = timedelta(hours=1), timedelta(minutes=1)


@pytest.fixture
def boss():
    return make.manager()


@pytest.fixture
def zone():
    return make.room().zone


def read(zone, boss, *, ago, t_c=21.0, **rest):
    return seen.record_reading(
        make.envelope(boss, ago=ago, **rest), zone=zone, temperature=t_c, unit="c", humidity_pct=45
    )


def file(zone, boss, *, ago, count, logger="L1"):
    rows = [ReadOut(NOW - ago + n * MINUTE, 20.0 + n, "c", 45.0, n + 2) for n in range(count)]
    source = Source("a.csv", f"{ago.total_seconds():064.0f}", logger)
    return store_readings(rows, zone=zone, source=source, by=boss, now=NOW)


def told(zone, change):
    """Return by how much a change raised the version, and from when on it says that the past changed."""
    before = air.versions_of([zone.pk])[zone.pk]
    change()
    after = air.versions_of([zone.pk])[zone.pk]
    late = LateAir.objects.filter(zone=zone, version__gt=before, version__lte=after)
    return after - before, [NOW - at for at in late.order_by("version").values_list("from_at", flat=True)]


def test_a_later_reading_raises_the_version_and_changes_no_past(zone, boss):
    read(zone, boss, ago=HOUR)

    assert told(zone, lambda: read(zone, boss, ago=MINUTE)) == (1, [])
    assert told(zone, lambda: file(zone, boss, ago=MINUTE - timedelta(seconds=1), count=1)) == (1, [])


def test_the_first_reading_known_says_nothing_of_rows_from_before(zone, boss):
    """Readings may have been stored before anybody noted them."""
    assert told(zone, lambda: read(zone, boss, ago=HOUR)) == (1, [HOUR])


@pytest.mark.parametrize("ago", [HOUR, 2 * HOUR], ids=["at the same instant", "earlier"])
def test_a_reading_that_is_not_later_says_from_when_on(zone, boss, ago):
    read(zone, boss, ago=HOUR)

    assert told(zone, lambda: read(zone, boss, ago=ago)) == (1, [ago])


def test_a_correction_says_so_from_the_earlier_of_both_instants(zone, boss):
    one = read(zone, boss, ago=HOUR)
    earlier = {"ago": 3 * HOUR, "supersedes": one, "reason": "an hour misread"}
    assert told(zone, lambda: read(zone, boss, **earlier)) == (1, [3 * HOUR])

    two = Reading.objects.standing().get()
    later = {"ago": 2 * HOUR, "supersedes": two, "reason": "no, two"}
    assert told(zone, lambda: read(zone, boss, **later)) == (1, [3 * HOUR])

    three = Reading.objects.standing().get()
    taken = make.envelope(boss, supersedes=three, reason="the wrong room")
    assert told(zone, lambda: seen.withdraw_reading(three, taken)) == (1, [2 * HOUR])


def test_a_file_says_so_from_its_first_reading_when_it_comes_late_and_when_it_goes(zone, boss):
    read(zone, boss, ago=HOUR)
    assert told(zone, lambda: file(zone, boss, ago=5 * HOUR, count=3)) == (1, [5 * HOUR])

    gone = ReadingFile.objects.get()
    change = make.envelope(boss, reason="another site's")
    assert told(zone, lambda: seen.withdraw_file(gone, change)) == (1, [5 * HOUR])


def test_a_memory_and_a_statement_raise_the_version_alone(zone, boss):
    read(zone, boss, ago=HOUR)
    extremes = {"t_min": 18, "t_max": 22, "unit": "c", "rh_min": 40, "rh_max": 50}

    for change in (
        lambda: seen.record_memory(
            make.envelope(boss, ago=2 * HOUR), zone=zone, from_at=NOW - 9 * HOUR, **extremes
        ),
        lambda: seen.state_air(make.envelope(boss, ago=2 * HOUR), zone=zone, from_at=NOW - 9 * HOUR),
    ):
        assert told(zone, change) == (1, [])


def state_clock(zone, boss, *, ago, minutes, logger="L1"):
    return loggers.state_clock(
        make.envelope(boss), zone=zone, logger=logger, from_at=NOW - ago, offset=minutes * MINUTE
    )


def heard(zone, *, ago):
    """Return the readings from an instant on: how many minutes ago, and °C."""
    found = air.heard({zone.pk: NOW - ago}).get(zone.pk, air.NOTHING_HEARD)
    present = int(NOW.timestamp())
    return [((present - at) / 60, t_c) for at, t_c in zip(found.at, found.t_c, strict=True)]


def test_a_clock_that_is_off_changes_the_past_and_moves_what_it_said(zone, boss):
    read(zone, boss, ago=90 * MINUTE, t_c=3.0)
    file(zone, boss, ago=100 * MINUTE, count=3)
    assert heard(zone, ago=99 * MINUTE) == [(99, 21.0), (98, 22.0), (90, 3.0)]

    ((raised, late),) = [told(zone, lambda: state_clock(zone, boss, ago=99 * MINUTE, minutes=-10))]
    assert (raised, late) == (1, [109 * MINUTE])
    # The first was given before the clock was off; of the others the instants are put right, and sorted.
    assert heard(zone, ago=110 * MINUTE) == [(109, 21.0), (108, 22.0), (100, 20.0), (90, 3.0)]
    assert heard(zone, ago=108 * MINUTE) == [(108, 22.0), (100, 20.0), (90, 3.0)]


def test_a_clock_that_is_right_again_moves_back_what_it_said(zone, boss):
    file(zone, boss, ago=100 * MINUTE, count=3)
    said = state_clock(zone, boss, ago=200 * MINUTE, minutes=30)
    assert heard(zone, ago=HOUR + 10 * MINUTE) == [(70, 20.0), (69, 21.0), (68, 22.0)]

    raised, late = told(zone, lambda: withdraw(said, make.envelope(boss, reason="it was another")))
    assert (raised, late) == (1, [130 * MINUTE])
    assert heard(zone, ago=100 * MINUTE) == [(100, 20.0), (99, 21.0), (98, 22.0)]


def test_a_later_reading_of_a_clock_that_is_behind_is_noted_as_it_is_meant(zone, boss):
    state_clock(zone, boss, ago=200 * MINUTE, minutes=-60)
    read(zone, boss, ago=100 * MINUTE)

    assert told(zone, lambda: file(zone, boss, ago=90 * MINUTE, count=1)) == (1, [150 * MINUTE])


@pytest.mark.parametrize("minutes", [None, -60, 60])
def test_reading_begins_with_the_last_reading_before_an_instant(zone, boss, minutes):
    if minutes is not None:
        state_clock(zone, boss, ago=9 * HOUR, minutes=minutes)
    for ago in (5, 4, 3, 2, 1):
        file(zone, boss, ago=ago * HOUR, count=1)
    cut = NOW - 150 * MINUTE

    begin = air.beginnings({zone.pk: cut}, clocks_in([zone.pk]))
    found = air.heard(begin)[zone.pk]

    # Worked by hand: read 5, 4, 3, 2 and 1 hours ago, an hour more or less where the clock is off.
    meant = [NOW - ago * HOUR + (minutes or 0) * MINUTE for ago in (5, 4, 3, 2, 1)]
    last_before = max(at for at in meant if at <= cut)
    assert int(last_before.timestamp()) in found.at
    assert [at for at in meant if at >= last_before] == [
        at for at in meant if int(at.timestamp()) in found.at and at >= last_before
    ]
    assert begin[zone.pk] <= last_before


def test_zones_are_read_each_from_its_own_instant_with_fahrenheit_and_wet_sensors_put_right(boss):
    one, two = make.room().zone, make.room().zone
    for zone in (one, two):
        for ago in (3, 2, 1):
            seen.record_reading(
                make.envelope(boss, ago=ago * HOUR), zone=zone, temperature=68, unit="f", humidity_pct=102
            )

    found = air.heard({one.pk: NOW - 2 * HOUR, two.pk: NOW - HOUR})

    # 68 °F is 20 °C: (68 - 32) * 5 / 9, worked by hand.
    assert {zone: (heard.t_c, heard.rh_pct) for zone, heard in found.items()} == {
        one.pk: ((20.0, 20.0), (100.0, 100.0)),
        two.pk: ((20.0,), (100.0,)),
    }
