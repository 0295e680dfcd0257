from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from jobs.core.conditions import Band
from jobs.core.logger_file import ReadOut, read
from jobs.core.sample_logger import REST_BAND, sample_logger_csv

END = datetime(2026, 6, 10, 9, 0, 42, tzinfo=UTC)
HOUR = timedelta(hours=1)


def readings_of(data):
    result = read(data)
    assert isinstance(result, ReadOut), result
    return result.readings


def excursions(readings, band):
    """Return [first out of band, first in band again) of each run of readings out of band."""
    found, out_since = [], None
    for reading in readings:
        if not band.admits(reading.t_c, reading.rh_pct):
            out_since = out_since or reading.at
        elif out_since:
            found.append((out_since, reading.at))
            out_since = None
    assert out_since is None
    return found


@pytest.mark.parametrize(
    "end",
    [
        pytest.param(END, id="june"),
        # Paris goes back at 01:00 UTC on 25 October 2026 and forward at 01:00 UTC on 29 March (zone database).
        pytest.param(datetime(2026, 10, 25, 20, 7, tzinfo=UTC), id="over-the-autumn-change"),
        pytest.param(datetime(2026, 3, 29, 20, 7, tzinfo=UTC), id="over-the-spring-change"),
    ],
)
def test_it_leaves_nothing_to_ask_and_holds_forty_hours_up_to_the_end(end):
    readings = readings_of(sample_logger_csv(end=end, zone="Europe/Paris"))

    last = end.replace(second=0)
    assert [reading.at for reading in readings] == [
        last - 40 * HOUR + number * timedelta(minutes=10) for number in range(241)
    ]


@pytest.mark.parametrize("band", [REST_BAND, Band(10, 32, 20, 70)])
def test_one_short_and_one_long_excursion_end_within_eight_hours(band):
    readings = readings_of(sample_logger_csv(end=END, zone="America/Chicago", band=band))

    (damp_from, damp_to), (cold_from, cold_to) = excursions(readings, band)

    assert damp_to - damp_from == timedelta(minutes=40)
    assert cold_to - cold_from == timedelta(hours=4, minutes=30)
    assert damp_to < cold_from
    assert cold_to - readings[0].at <= 8 * HOUR


def test_the_same_instant_gives_the_same_file():
    assert sample_logger_csv(end=END, zone="UTC") == sample_logger_csv(end=END, zone="UTC")


def test_an_unknown_zone_is_refused():
    with pytest.raises(ValueError, match="Mars"):
        sample_logger_csv(end=END, zone="Mars/Olympus")
