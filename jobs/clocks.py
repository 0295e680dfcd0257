"""Loggers' clocks as people stated them: what a reading means by its time, and what its logger said."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta

from django.db.models import Exists, OuterRef, QuerySet, Subquery

from jobs.core.clocks import Clock
from jobs.models import LoggerClock, Reading
from jobs.prepared import Prepared

#: By logger and zone, those alone of which anything is said.
Clocks = Mapping[tuple[str, int], Clock]


def clocks_in(zones: Iterable[int]) -> Clocks:
    """Return what is said of each logger's clock in these zones, in one query."""
    said: dict[tuple[str, int], list[tuple[datetime, timedelta]]] = {}
    for logger, zone, from_at, offset_s in _SAID(list(zones)):
        said.setdefault((logger, zone), []).append((from_at, timedelta(seconds=offset_s)))
    return {key: Clock(pairs) for key, pairs in said.items()}


def meant(reading: Reading, clocks: Clocks) -> tuple[datetime, datetime | None]:
    """Return the instant that a reading means, and what its logger said where that is another; None: it is not."""
    clock = clocks.get((reading.logger, reading.zone_id))
    at = clock.put_right(reading.happened_at) if clock else reading.happened_at
    return at, reading.happened_at if at != reading.happened_at else None


def with_offset(readings: QuerySet[Reading]) -> QuerySet[Reading]:
    """Add to each of a few readings, as `offset_s`, what is said of its logger's clock: in the same query."""
    said = LoggerClock.objects.standing().filter(
        zone=OuterRef("zone"), logger=OuterRef("logger"), from_at__lte=OuterRef("happened_at")
    )
    last = said.order_by("-from_at", "-recorded_at", "-pk").values("offset_s")[:1]
    here = LoggerClock.objects.standing().filter(zone=OuterRef("zone"))
    return readings.annotate(offset_s=Subquery(last), clocks_are_off=Exists(here))


def clocks_known_by(readings: Iterable[Reading]) -> Clocks | None:
    """Return that no clock of a zone is off, as its readings by `with_offset` tell; None: they cannot tell."""
    told = [reading.clocks_are_off for reading in readings]  # type: ignore[attr-defined]  # an annotation
    return None if not told or any(told) else {}


def meant_by(reading: Reading) -> tuple[datetime, datetime | None]:
    """Return the same as `meant` of a reading that `with_offset` read."""
    offset = timedelta(seconds=reading.offset_s or 0)  # type: ignore[attr-defined]  # an annotation, no field
    return reading.happened_at + offset, reading.happened_at if offset else None


_SAID = Prepared(
    lambda zones: (
        LoggerClock.objects.standing()
        .filter(zone__in=zones)
        .order_by("recorded_at", "pk")
        .values_list("logger", "zone", "from_at", "offset_s")
    )
)
