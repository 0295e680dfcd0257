"""Reads of materials: stock on site, orders, what is under way."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.db.models import Q, QuerySet, Sum
from django.db.models.functions import Coalesce

from jobs.models import Job
from jobs.prepared import Prepared
from materials.core.stock import Looked, Opened, Placed, SetDown, Standing, stock
from materials.models import (
    Arrival,
    ArrivalPromise,
    Dispatch,
    DispatchLine,
    Inspection,
    Opening,
    OrderLine,
    Placement,
)


@dataclass(frozen=True, slots=True)
class Coming:
    """Sheets that have not arrived: a line of a dispatch, or what of an order was not sent off yet."""

    id: str
    product: int
    #: None: not sent off yet.
    batch: str | None
    sheets: int
    room: int | None
    supplier: str
    #: As last promised; None: not known.
    expected_at: datetime | None


def placements_for(rooms: Collection[int]) -> list[Placement]:
    """Return the standing placements reserved for these rooms, and all they are linked to by moves."""
    return _with_relatives(_PLACED(rooms))


def placements_on(job: Job) -> list[Placement]:
    """Return every standing placement of a job."""
    return list(_placements().filter(zone__job=job))


def placements_linked_to(placement: Placement) -> list[Placement]:
    """Return the standing placements that this one is linked to by moves, itself included."""
    return _with_relatives(_placements().filter(origin=placement.origin))


def stock_among(
    placements: Iterable[Placement], set_down: Iterable[SetDown], *, without: UUID | None = None
) -> dict[str, Standing]:
    """Return what stands of these placements, which must include all they are linked to by moves.

    Args:
        set_down: sheets set on walls, from the app above that knows of them.
        without: the origin of an inspection that is left out, because it is being corrected.
    """
    rows = list(placements)
    keys = [row.origin for row in rows]
    looked = [
        Looked(str(ident), str(place), at, n, bad, mark)
        for ident, place, at, n, bad, mark in _LOOKED_AT(keys)
        if ident != without
    ]
    return stock(
        [_placed(row) for row in rows],
        looked,
        [Opened(str(place), at) for place, at in _OPENED(keys)],
        set_down,
    )


def coming_to(rooms: Collection[int]) -> list[Coming]:
    """Return what is ordered for these rooms and has not arrived, sent off or not."""
    return [*_coming(_SENT(rooms)), *_unsent(rooms)]


def _unsent(rooms: Collection[int]) -> list[Coming]:
    """Return what of the order lines for these rooms no standing dispatch has sent off."""
    return [
        Coming(
            id=f"order/{line.pk}",
            product=line.product_id,
            batch=None,
            sheets=line.sheets - line.sent,
            room=line.room_id,
            supplier=line.order.supplier.name,
            expected_at=None,
        )
        for line in _ORDERED(rooms)
        if line.sheets > line.sent
    ]


def open_dispatches(dispatches: QuerySet[Dispatch]) -> QuerySet[Dispatch]:
    """Leave out of `dispatches` what is superseded, withdrawn or has arrived."""
    arrived = Arrival.objects.standing().filter(dispatch__isnull=False).values("dispatch")
    return dispatches.filter(superseded_by__isnull=True, withdraws=False).exclude(origin__in=arrived)


def expected_arrivals(dispatches: Collection[Dispatch]) -> dict[UUID, datetime | None]:
    """Return when each dispatch (by origin) is expected: its latest promise, else its own word."""
    expected = {dispatch.origin: dispatch.expected_at for dispatch in dispatches}
    for promise in _PROMISED(expected):
        expected[promise.dispatch_id] = promise.expected_at
    return expected


def _coming(found: Collection[DispatchLine]) -> list[Coming]:
    expected = expected_arrivals({line.dispatch for line in found})
    return [
        Coming(
            id=str(line.pk),
            product=line.order_line.product_id,
            batch=line.batch,
            sheets=line.sheets,
            room=line.order_line.room_id,
            supplier=line.order_line.order.supplier.name,
            expected_at=expected[line.dispatch.origin],
        )
        for line in found
    ]


def _placements() -> QuerySet[Placement]:
    return Placement.objects.standing()


def _with_relatives(seed: Iterable[Placement]) -> list[Placement]:
    """Return `seed` with what they came from, to the arrival, and what was taken from any of them."""
    rows = {row.origin: row for row in seed}
    ask = set(rows)
    while ask:
        parents = {row.moved_from_id for row in rows.values() if row.moved_from_id} - set(rows)
        related = [*_OF_ORIGIN(parents), *_MOVED_FROM(ask)]
        found = {row.origin: row for row in related if row.origin not in rows}
        rows.update(found)
        ask = set(found)
    return list(rows.values())


def _placed(row: Placement) -> Placed:
    return Placed(
        id=str(row.origin),
        product=row.product_id,
        batch=row.batch,
        sheets=row.sheets,
        zone=row.zone_id,
        room=row.room_id,
        in_at=row.happened_at,
        moved_from=str(row.moved_from_id) if row.moved_from_id else None,
        brought_inspected=row.brought_inspected,
        brought_rejected=row.brought_rejected,
    )


# ---- what is asked by keys alone ----

_PLACED = Prepared(lambda rooms: _placements().filter(room__in=rooms))
_OF_ORIGIN = Prepared(lambda origins: _placements().filter(origin__in=origins))
_MOVED_FROM = Prepared(lambda origins: _placements().filter(moved_from__in=origins))
_LOOKED_AT = Prepared(
    lambda placements: (
        Inspection.objects.standing()
        .filter(placement__in=placements)
        .annotate(rejected=Coalesce(Sum("rejects__sheets"), 0))
        .values_list("origin", "placement", "happened_at", "inspected", "rejected", "mark_seen")
    )
)
_OPENED = Prepared(
    lambda placements: (
        Opening.objects.standing().filter(placement__in=placements).values_list("placement", "happened_at")
    )
)
_SENT = Prepared(
    lambda rooms: DispatchLine.objects.filter(
        order_line__room__in=rooms, dispatch__in=open_dispatches(Dispatch.objects.all())
    ).select_related("dispatch", "order_line__order__supplier")
)
_PROMISED = Prepared(
    lambda dispatches: (
        ArrivalPromise.objects.standing()
        .filter(dispatch__in=dispatches)
        .order_by("happened_at", "recorded_at", "pk")
    )
)
_STANDS = Q(dispatch_lines__dispatch__superseded_by__isnull=True, dispatch_lines__dispatch__withdraws=False)
_ORDERED = Prepared(
    lambda rooms: (
        OrderLine.objects.filter(room__in=rooms)
        .select_related("order__supplier")
        .annotate(sent=Coalesce(Sum("dispatch_lines__sheets", filter=_STANDS), 0))
        .order_by("pk")
    )
)
