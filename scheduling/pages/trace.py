"""The readings a drawing needs: every one of a short rest, the extremes of each slot of a long one."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection
from datetime import datetime, timedelta
from typing import Any

from django.db.models import Case, F, Max, Min, When

from jobs.models import Reading
from jobs.seconds import Seconds
from materials.core.air import seconds
from scheduling import parts

#: Into how many slots a span is cut: more than three to a pixel column of the widest drawing.
SLOTS = 2_000
#: The trace comes in from before the rest began.
LEAD = timedelta(hours=1)


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
    for zone, first_at, last_at, *least_and_most in _slots(zones, since - LEAD, start, width):
        t_min, t_max, rh_min, rh_max = least_and_most
        found[zone].append(parts.ReadingPoint(first_at, t_min, rh_min))
        if last_at != first_at:
            found[zone].append(parts.ReadingPoint(last_at, t_max, rh_max))
    return found


def _slots(zones: Collection[int], from_at: datetime, start: int, width: int) -> Any:
    """Return zone, first and last instant, least and most °C, least and most percent of each slot with a reading."""
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
    return grouped.order_by("zone", "first_at").values_list("zone", *extremes)
