"""The readings a drawing needs: every one of a short rest, the extremes of each slot of a long one."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.db.models import Case, Count, F, Max, Min, When

from jobs.models import Reading
from jobs.seconds import Seconds
from materials.core.air import instant, seconds
from scheduling import parts

#: Into how many slots a span is cut: more than three to a pixel column of the widest drawing.
SLOTS = 2_000
#: The trace comes in from before the rest began.
LEAD = timedelta(hours=1)
HOUR_S = 3_600
#: Of each slot: first and last instant, least and most °C, least and most percent.
EXTREMES = ("first_at", "last_at", "t_min", "t_max", "rh_min", "rh_max")


def readings_to_draw(
    zones: Collection[int], since: datetime | None, *, slots: int = SLOTS, now: datetime
) -> dict[int, list[parts.ReadingPoint]]:
    """Return the standing readings of each zone from a little before `since`, sorted, at most two a slot.

    Where a slot holds more, the first point carries its least air and humidity and the last its most, at the
    instants of its first and last reading: so no extreme is lost and no gap is closed.
    """
    if since is None:
        return {}
    start = seconds(since - LEAD)
    width = max(1, -(-(seconds(now) - start) // slots))
    found: dict[int, list[parts.ReadingPoint]] = defaultdict(list)
    rows = _slots(zones, since - LEAD, start, width)
    for zone, first_at, last_at, *least_and_most in rows.values_list("zone", *EXTREMES):
        t_min, t_max, rh_min, rh_max = least_and_most
        found[zone].append(parts.ReadingPoint(first_at, t_min, rh_min))
        if last_at != first_at:
            found[zone].append(parts.ReadingPoint(last_at, t_max, rh_max))
    return found


@dataclass(frozen=True, slots=True)
class AirHour:
    """The extremes of a zone's readings within an hour from `at`, °C and percent, and how many there were."""

    at: datetime
    t_min: float
    t_max: float
    rh_min: float
    rh_max: float
    readings: int


def hours_of(zone: int, since: datetime, *, now: datetime) -> list[AirHour]:
    """Return the hours from `since` to `now` in which a zone's air was read, earliest first."""
    start = seconds(since) // HOUR_S * HOUR_S
    rows = _slots({zone}, instant(start), start, HOUR_S).filter(happened_at__lte=now)
    counted = rows.annotate(readings=Count("pk")).values_list(
        "slot", "t_min", "t_max", "rh_min", "rh_max", "readings"
    )
    return [AirHour(instant(start + slot * HOUR_S), *rest) for slot, *rest in counted]


def _slots(zones: Collection[int], from_at: datetime, start: int, width: int) -> Any:
    """Return the slots with a reading: zone, slot, and of each the columns `EXTREMES`."""
    t_c = Case(When(unit="f", then=(F("temperature") - 32.0) * 5.0 / 9.0), default=F("temperature"))
    readings = Reading.objects.standing().filter(zone__in=zones, happened_at__gte=from_at)
    slot = (Seconds("happened_at") - start) / width
    extremes = {
        "first_at": Min("happened_at"),
        "last_at": Max("happened_at"),
        "t_min": Min(t_c),
        "t_max": Max(t_c),
        "rh_min": Min("humidity_pct"),
        "rh_max": Max("humidity_pct"),
    }
    grouped = readings.annotate(slot=slot).values("zone", "slot").annotate(**extremes)
    return grouped.order_by("zone", "first_at")
