"""The air of zones: what changes it is noted here, and here its readings are read, loggers' clocks put right.

Every fact of a zone's air raises the zone's `air_version` under the zone's lock.  Whoever has gone over the
readings up to some instant under some version need only read the later ones, unless a `LateAir` of a later
version says that the past changed: then those from its instant on.  Memories and statements are no readings;
they raise the version and leave no `LateAir`.

A zone is always locked before any of its rooms, and several zones in the order of their keys.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from functools import reduce
from itertools import groupby
from operator import itemgetter, or_
from typing import Any, NamedTuple

from django.db.models import Case, DateTimeField, Max, Min, OuterRef, Q, Subquery, Value, When

from jobs.clocks import Clocks, clocks_in
from jobs.core.clocks import Clock
from jobs.core.units import celsius
from jobs.models import Fact, LateAir, LoggerClock, Reading, ReadingFile, Zone
from jobs.models.seen import ZoneFact
from jobs.prepared import Prepared
from jobs.seconds import Seconds

_RIGHT = timedelta(0)
_SECOND = timedelta(seconds=1)
#: So many rows are fetched at once.
_FETCHED = 5_000


class Heard(NamedTuple):
    """Standing readings of a zone, parallel and by instant: epoch seconds put right, °C, and at most 100 %.

    Several of one instant are all there.
    """

    at: Sequence[int]
    t_c: Sequence[float]
    rh_pct: Sequence[float]


NOTHING_HEARD = Heard((), (), ())


# ---- what changes it ----


def lock_zones(zones: Iterable[int]) -> None:
    """Make whoever else writes facts of these zones' air wait until this transaction ends."""
    list(Zone.objects.select_for_update(no_key=True).filter(pk__in=zones).order_by("pk").values_list("pk"))


def note_air(zone: int, *, first_at: datetime | None = None, last_at: datetime | None = None) -> None:
    """Note that the air of a zone changed, in the transaction of what changed it, before any room is locked.

    Args:
        first_at, last_at: between which instants readings came, went or moved, clocks put right; None: none did.
    """
    row = Zone.objects.select_for_update(no_key=True).values_list("air_version", "air_last_at")
    version, known_to = row.get(pk=zone)
    changed: dict[str, Any] = {"air_version": version + 1}
    if first_at is not None and last_at is not None:
        changed["air_last_at"] = max(last_at, known_to) if known_to else last_at
        # Where nothing is known of earlier ones, there may be some all the same: rows that were there before.
        if known_to is None or first_at <= known_to:
            LateAir.objects.create(zone_id=zone, version=version + 1, from_at=first_at)
    Zone.objects.filter(pk=zone).update(**changed)


def note_readings(zone: int, logger: str, at: Sequence[datetime]) -> None:
    """Note that readings of one logger came, by the instants it gave, earliest first; as `note_air`."""
    # What people read off by hand has no clock of its own.
    clock = clocks_in([zone]).get((logger, zone)) if logger else None
    if clock is None:
        note_air(zone, first_at=at[0], last_at=at[-1])
    else:
        meant = [clock.put_right(one) for one in at]
        note_air(zone, first_at=min(meant), last_at=max(meant))


def note_fact(fact: Fact) -> None:
    """Note what a fact that was just stored changes of its zone's air; a fact of another kind changes nothing."""
    match fact:
        case ReadingFile():
            # Its readings are noted as they are stored; gone they are with it.
            if fact.withdraws:
                _note_withdrawn(fact)
        case Reading():
            said = [fact.happened_at, *([fact.supersedes.happened_at] if fact.supersedes else [])]
            note_readings(fact.zone_id, fact.logger, sorted(said))
        case LoggerClock():
            _note_clock(fact)
        case ZoneFact():
            note_air(fact.zone_id)


def _note_withdrawn(file: ReadingFile) -> None:
    readings = Reading.objects.filter(file=file.origin)
    span = readings.aggregate(first=Min("happened_at"), last=Max("happened_at"))
    if span["first"] is None:
        note_air(file.zone_id)
        return
    off = _farthest_off(file.zone_id, file.logger)
    note_air(file.zone_id, first_at=span["first"] - off, last_at=span["last"])


def _note_clock(fact: LoggerClock) -> None:
    """Note that all readings a logger gave from an instant on moved, by this fact or the one it corrects."""
    said = [fact.from_at, *([fact.supersedes.from_at] if isinstance(fact.supersedes, LoggerClock) else [])]
    off = _farthest_off(fact.zone_id, fact.logger)
    moved = Reading.objects.filter(zone=fact.zone_id, logger=fact.logger, happened_at__gte=min(said))
    span = moved.aggregate(first=Min("happened_at"), last=Max("happened_at"))
    if span["first"] is None:
        note_air(fact.zone_id)
    else:
        note_air(fact.zone_id, first_at=span["first"] - off, last_at=span["last"] + off)


def _farthest_off(zone: int, logger: str) -> timedelta:
    """Return how far off a logger's clock was ever said to be, whatever stands of it."""
    said = LoggerClock.objects.filter(zone=zone, logger=logger).values_list("offset_s", flat=True)
    return max((abs(offset_s) for offset_s in said), default=0) * _SECOND


# ---- what it was ----


def versions_of(zones: Collection[int]) -> dict[int, int]:
    """Return the versions of the zones' air; asked before its readings, they are never newer than these."""
    return dict(Zone.objects.filter(pk__in=zones).values_list("pk", "air_version"))


def back_to(version: str) -> Subquery:
    """Return from when on the past changed with later versions than that of a row, which has a zone; null: it did not.

    Args:
        version: the row's column.
    """
    late = LateAir.objects.filter(zone=OuterRef("zone"), version__gt=OuterRef(version))
    return Subquery(late.order_by("from_at").values("from_at")[:1])


def beginnings(cuts: Mapping[int, datetime], clocks: Clocks) -> dict[int, datetime]:
    """Return, for each zone, from when on to read for the last reading at or before an instant to be among them."""
    if not cuts:
        return {}
    off = _farthest(clocks)
    own = [
        When(pk=zone, then=Value(cut - off.get(zone, _RIGHT), DateTimeField())) for zone, cut in cuts.items()
    ]
    before = (
        _standing().filter(zone=OuterRef("pk"), happened_at__lte=OuterRef("cut")).order_by("-happened_at")
    )
    rows = Zone.objects.filter(pk__in=cuts).annotate(cut=Case(*own, output_field=DateTimeField()))
    anchors = rows.annotate(anchor=Subquery(before.values("happened_at")[:1])).values_list(
        "pk", "cut", "anchor"
    )
    return {zone: (anchor or cut) - off.get(zone, _RIGHT) for zone, cut, anchor in anchors}


def heard(since: Mapping[int, datetime], clocks: Clocks | None = None) -> dict[int, Heard]:
    """Return the standing readings of each zone from an instant on, which is put right; in one query.

    Args:
        clocks: as `jobs.clocks.clocks_in` returns them; None: they are asked.
    """
    if not since:
        return {}
    clocks = clocks_in(since) if clocks is None else clocks
    off = _farthest(clocks)
    own = {zone: at - off.get(zone, _RIGHT) for zone, at in since.items()}
    if len(own) == 1 and not clocks:
        rows = iter(_HEARD(own, *own.values()))
    else:
        # Text for each of a hundred thousand rows costs something, and is seldom asked for.
        columns = [*_COLUMNS, "logger"] if clocks else _COLUMNS
        wanted = reduce(or_, (Q(zone=zone, happened_at__gte=at) for zone, at in own.items()))
        in_order = _standing().filter(wanted).order_by("zone", "happened_at")
        rows = in_order.values_list(*columns).iterator(chunk_size=_FETCHED)
    by_zone = groupby(rows, key=itemgetter(0))
    no_clocks: Clocks = {}
    return {
        zone: _heard(zip(*mine, strict=True), clocks if zone in off else no_clocks, since[zone])
        for zone, mine in by_zone
    }


def _heard(read: Iterable[tuple[Any, ...]], clocks: Clocks, since: datetime) -> Heard:
    """Return whole columns at a time: they are many."""
    zones, at, temperatures, units, humidities, *loggers = read
    t_c = temperatures
    if any(unit != "c" for unit in units):
        t_c = tuple(map(celsius, temperatures, units))
    rh_pct = tuple(humidity if humidity < 100.0 else 100.0 for humidity in humidities)
    if clocks:
        meant = [
            _meant(one, clocks.get((logger, zone)))
            for one, logger, zone in zip(at, loggers[0], zones, strict=True)
        ]
        order = sorted(range(len(meant)), key=meant.__getitem__)
        at, t_c, rh_pct = (tuple(column[i] for i in order) for column in (meant, t_c, rh_pct))
    first = bisect_left(at, int(since.timestamp()))
    return Heard(at[first:], t_c[first:], rh_pct[first:])


def _meant(at: int, clock: Clock | None) -> int:
    return at if clock is None else int(clock.put_right(datetime.fromtimestamp(at, UTC)).timestamp())


def _farthest(clocks: Clocks) -> dict[int, timedelta]:
    """Return, by zone, how far a reading's own instant may lie from what it means; most zones have no entry."""
    off: dict[int, timedelta] = {}
    for (_logger, zone), clock in clocks.items():
        off[zone] = max(off.get(zone, _RIGHT), clock.farthest)
    return off


def _standing() -> Any:
    return Reading.objects.standing()


_COLUMNS = ("zone", Seconds("happened_at"), "temperature", "unit", "humidity_pct")
_HEARD = Prepared(
    lambda zones, at: (
        _standing()
        .filter(zone__in=zones, happened_at__gte=at)
        .order_by("zone", "happened_at")
        .values_list(*_COLUMNS)
    )
)
