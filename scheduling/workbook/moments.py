"""Wall times of a workbook as instants: on the clock of their site."""

from __future__ import annotations

from datetime import datetime

from jobs.core.worktime import instant_at, time_zone


def instant_of(wall: datetime, zone: str) -> datetime:
    """Return the instant of a wall time; where the clock shows it twice, the first."""
    return instant_at(wall.date(), wall.hour * 60 + wall.minute, time_zone(zone))
