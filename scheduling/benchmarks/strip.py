"""How many bytes a drawn rest is on its way to a phone."""

from __future__ import annotations

import gzip
from datetime import UTC, datetime, timedelta
from random import Random
from zoneinfo import ZoneInfo

from django.template.loader import render_to_string

from config.bench import Row, benchmark
from jobs.core.conditions import Band
from scheduling import parts

READINGS = 50_000
_START = datetime(2026, 1, 5, 6, tzinfo=UTC)
_ZONE = ZoneInfo("Europe/Paris")
_EVERY = timedelta(minutes=5)


@benchmark("strip_bytes")
def strip_bytes(readings: int = READINGS) -> list[Row]:
    """Draw a rest over so many readings five minutes apart and compress it as the service does.

    The air wanders about its band by day and night, noise and all, and leaves it now and then; every kind of
    stretch is there.  The drawing, its key and the words on its clock changes are counted, not the table.
    """
    drawn = render_to_string("scheduling/parts/_strip.html", {"strip": _strip(readings), "zone": _ZONE})
    return [Row("strip_bytes", len(gzip.compress(drawn.encode(), mtime=0)), "bytes", "less", goal=8_000)]


def _strip(readings: int) -> parts.RestStrip:
    random = Random(readings)
    points, t_c, rh_pct = [], 21.0, 45.0
    for i in range(readings):
        t_c += random.gauss(0, 0.15) + (21 - t_c) * 0.01
        rh_pct += random.gauss(0, 0.4) + (45 - rh_pct) * 0.01
        points.append(parts.ReadingPoint(_START + i * _EVERY, round(t_c, 1), round(rh_pct, 1)))
    end = points[-1].at
    kinds = ("wrapped", "counted", "out_of_band", "bridged", "gap", "stated", "counted", "provisional")
    length = (end - _START) / len(kinds)
    stretches = [
        parts.StretchRow(_START + i * length, _START + (i + 1) * length, kind, restart=kind == "stated")
        for i, kind in enumerate(kinds)
    ]
    return parts.rest_strip(
        band=Band(18, 24, 35, 55),
        stretches=stretches,
        readings=points,
        needed=timedelta(hours=24),
        zone=_ZONE,
        now=end,
    )
