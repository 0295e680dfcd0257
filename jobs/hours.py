"""The extremes of a zone's air by the hour: derived from its readings, brought up to date when a drawing asks.

A rest of weeks is drawn from these, so that no million of readings is read for a picture.  They tell what the
readings tell, loggers' clocks put right; thrown away, they come again.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Collection, Iterator
from datetime import UTC, datetime, timedelta
from typing import NamedTuple

from django.db import transaction
from django.db.models import F, OuterRef, Q, Subquery

from jobs.air import NOTHING_HEARD, Heard, heard
from jobs.models import AirHour, LateAir, Zone
from jobs.seconds import Seconds

HOUR_S = 3_600
HOUR = timedelta(seconds=HOUR_S)
#: Before any reading.
EVER = datetime(1970, 1, 1, tzinfo=UTC)


class Slot(NamedTuple):
    """What readings come to within a slot of time, instants in epoch seconds, °C and percent."""

    at: int
    first_at: int
    last_at: int
    readings: int
    t_min: float
    t_max: float
    rh_min: float
    rh_max: float


class _Untold(NamedTuple):
    """A zone with something to tell: what its hours tell, and what the readings have come to since."""

    zone: int
    hours_version: int
    hours_upto: datetime | None
    version: int
    last_at: datetime | None
    #: From when on the past changed since; None: it did not.
    late_at: datetime | None


def slots_of(read: Heard, width: int = HOUR_S) -> Iterator[Slot]:
    """Return the slots of `width` seconds, counted from 1970, in which anything was read; earliest first."""
    at, t_c, rh_pct = read.at, read.t_c, read.rh_pct
    begin = 0
    while begin < len(at):
        slot = at[begin] // width * width
        end = bisect_left(at, slot + width, begin)
        warm, damp = t_c[begin:end], rh_pct[begin:end]
        yield Slot(slot, at[begin], at[end - 1], end - begin, min(warm), max(warm), min(damp), max(damp))
        begin = end


def hours_of(zones: Collection[int], since: datetime) -> dict[int, list[Slot]]:
    """Return the hours of each zone from the one of `since` on, earliest first, of all readings there are now."""
    bring_up(zones)
    instants = [Seconds(column) for column in ("hour_at", "first_at", "last_at")]
    rows = AirHour.objects.filter(zone__in=zones, hour_at__gt=since - HOUR).order_by("zone", "hour_at")
    columns = ("readings", "t_min", "t_max", "rh_min", "rh_max")
    found: dict[int, list[Slot]] = defaultdict(list)
    for zone, *rest in rows.values_list("zone", *instants, *columns):
        found[zone].append(Slot(*rest))
    return found


def bring_up(zones: Collection[int]) -> None:
    """Tell anew what changed of these zones' hours since they were told; most often that is nothing.

    Readings are gone over outside the transaction, which only writes; who finds that somebody else told the
    zone meanwhile looks again.
    """
    while zones and (untold := _untold(zones)):
        cuts = {one.zone: _cut(one) for one in untold}
        read = heard(cuts)
        for one in untold:
            _tell(one, cuts[one.zone], read.get(one.zone, NOTHING_HEARD))
        zones = [one.zone for one in untold if one.last_at is not None]


def _untold(zones: Collection[int]) -> list[_Untold]:
    # Readings from before there were hours have raised no version.
    changed = ~Q(hours_version=F("air_version")) | Q(hours_upto__isnull=True)
    late = LateAir.objects.filter(zone=OuterRef("pk"), version__gt=OuterRef("hours_version"))
    found = Zone.objects.filter(changed, pk__in=zones).annotate(
        late_at=Subquery(late.order_by("from_at").values("from_at")[:1])
    )
    columns = ("pk", "hours_version", "hours_upto", "air_version", "air_last_at", "late_at")
    return [_Untold(*row) for row in found.values_list(*columns)]


def _cut(one: _Untold) -> datetime:
    """Return the full hour from which on the hours are told anew."""
    upto = one.hours_upto or EVER
    first = min(upto, one.late_at) if one.late_at else upto
    return _instant(_seconds(first) // HOUR_S * HOUR_S)


def _tell(one: _Untold, cut: datetime, read: Heard) -> None:
    """Store the hours from `cut` on, unless somebody else told them since they were looked at."""
    if one.hours_version == one.version and not read.at:
        return
    hours = [
        AirHour(
            zone_id=one.zone,
            hour_at=_instant(at),
            first_at=_instant(first),
            last_at=_instant(last),
            readings=readings,
            t_min=t_min,
            t_max=t_max,
            rh_min=rh_min,
            rh_max=rh_max,
        )
        for at, first, last, readings, t_min, t_max, rh_min, rh_max in slots_of(read)
    ]
    upto = one.last_at or (hours[-1].last_at if hours else None)
    with transaction.atomic():
        same = Zone.objects.filter(pk=one.zone, hours_version=one.hours_version, hours_upto=one.hours_upto)
        if same.update(hours_version=one.version, hours_upto=upto):
            AirHour.objects.filter(zone=one.zone, hour_at__gte=cut).delete()
            AirHour.objects.bulk_create(hours)


def _seconds(at: datetime) -> int:
    return int(at.timestamp())


def _instant(at: int) -> datetime:
    return datetime.fromtimestamp(at, UTC)
