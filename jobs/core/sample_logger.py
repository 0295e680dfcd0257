"""A logger's file made up to a given instant, to try the import with: the same for the same instant."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from math import pi, sin

from jobs.core.conditions import Band
from jobs.core.worktime import time_zone

REST_BAND = Band(18, 24, 35, 55)
LENGTH = timedelta(hours=40)
STEP = timedelta(minutes=10)
#: Too damp for 40 minutes and too cold for 4 h 30, [from, to) from the first row: the one pauses a rest that
#: allows four hours, the other sets it back.  Both end within the first eight hours.
DAMP = (timedelta(hours=2), timedelta(hours=2, minutes=40))
COLD = (timedelta(hours=3, minutes=10), timedelta(hours=7, minutes=40))
_DAY = timedelta(hours=24)
_HEADER = "time,temperature °C,relative humidity %"


def sample_logger_csv(*, end: datetime, zone: str, band: Band = REST_BAND) -> bytes:
    """Return a file of 40 hours of readings, one every ten minutes, the last at `end` cut to the minute.

    After the first eight hours the air stays inside `band`.  Times are the zone's (an IANA name) and carry their
    offset, so that the file leaves nothing to ask, in a night of a clock change too.

    Raises:
        ValueError: there is no such zone.
    """
    place = time_zone(zone)
    begin = end.replace(second=0, microsecond=0) - LENGTH
    rows = (
        f"{(begin + since).astimezone(place).isoformat()},{t_c:.1f},{rh_pct:.1f}"
        for since, t_c, rh_pct in _air(band)
    )
    return "\r\n".join([_HEADER, *rows, ""]).encode()


def _air(band: Band) -> Iterator[tuple[timedelta, float, float]]:
    """Yield time since the first row, °C and percent: a slow wave in the middle of the band, and two excursions."""
    t_middle, rh_middle = (band.t_min + band.t_max) / 2, (band.rh_min + band.rh_max) / 2
    for step in range(LENGTH // STEP + 1):
        since = step * STEP
        wave = sin(2 * pi * (since / _DAY))
        t_c = t_middle + wave * (band.t_max - band.t_min) / 4
        rh_pct = rh_middle - wave * (band.rh_max - band.rh_min) / 4
        if DAMP[0] <= since < DAMP[1]:
            rh_pct = band.rh_max + 6
        if COLD[0] <= since < COLD[1]:
            t_c = band.t_min - 4
        yield since, t_c, rh_pct
