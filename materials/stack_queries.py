"""Reads of stacks: how placements lie, what was measured on them, and how damp the wood on their backs was."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import TypeVar
from uuid import UUID

from jobs.core.units import celsius
from jobs.prepared import Prepared
from materials.models import LaidOut, MoistureReading, Placement, StackReading


@dataclass(frozen=True, slots=True)
class Lying:
    """How a placement lies from an instant on, one of `LaidOut.Lies`; of lots, the sheets in each."""

    at: datetime
    lies: str
    lot_of: int | None


@dataclass(frozen=True, slots=True)
class Measured:
    """A temperature of a placement in °C, one of `StackReading.Place`, and who says it."""

    id: str
    at: datetime
    place: str
    t_c: float
    by: str


@dataclass(frozen=True, slots=True)
class Damp:
    """What a pin meter read on the backing of a placement, percent of dry mass, and who says it."""

    id: str
    at: datetime
    moisture_pct: float
    by: str


@dataclass(frozen=True, slots=True)
class StackFacts:
    """What was said of one stack, in order of time, with what it brought from where it was moved from."""

    lying: tuple[Lying, ...] = ()
    measured: tuple[Measured, ...] = ()


Said = TypeVar("Said", Lying, Measured)


def stack_facts(placements: Iterable[Placement]) -> dict[str, StackFacts]:
    """Return what was said of each placement, by origin; a placement that nobody measured is left out.

    Of a stack whose temperature nobody knows, how it lies is asked by `lying_of`.

    Args:
        placements: includes all they were moved from.
    """
    rows = {row.origin: row for row in placements}
    measured = _measured(rows)
    if measured.keys().isdisjoint(rows):
        return {}
    laid = _laid(rows)
    found = {}
    for origin, row in rows.items():
        if origin not in measured and row.moved_from_id is None:
            continue
        chain = _chain(origin, rows)
        temperatures = _until(chain, measured)
        if temperatures:
            found[str(origin)] = StackFacts(tuple(_until(chain, laid)), tuple(temperatures))
    return found


def lying_of(placements: Iterable[Placement]) -> dict[str, Lying]:
    """Return how each placement lies by the last word on it, by origin; one of which there is none is left out."""
    rows = {row.origin: row for row in placements}
    laid = _laid(rows)
    last = {str(origin): _until(_chain(origin, rows), laid) for origin in rows}
    return {origin: all_of[-1] for origin, all_of in last.items() if all_of}


def last_moistures(placements: Collection[UUID]) -> dict[str, Damp]:
    """Return the last reading of a pin meter of each placement that has one, by origin."""
    rows = MoistureReading.objects.standing().filter(placement__in=placements).select_related("recorded_by")
    return {
        str(row.placement_id): Damp(
            str(row.origin), row.happened_at, row.moisture_pct, row.said_by or row.recorded_by.name
        )
        for row in rows.order_by("happened_at", "recorded_at", "pk")
    }


def _measured(placements: Mapping[UUID, Placement]) -> dict[UUID, list[Measured]]:
    # Asked by their few zones, not by their many ids: most of a firm's placements nobody measured.
    zones = {row.zone_id for row in placements.values()}
    found: dict[UUID, list[Measured]] = defaultdict(list)
    for row in _MEASURED(zones):
        by = row.said_by or row.recorded_by.name
        degrees = celsius(row.temperature, row.unit)
        found[row.placement_id].append(Measured(str(row.origin), row.happened_at, row.place, degrees, by))
    return found


def _laid(placements: Collection[UUID]) -> dict[UUID, list[Lying]]:
    rows = LaidOut.objects.standing().filter(placement__in=placements)
    found: dict[UUID, list[Lying]] = defaultdict(list)
    for placement, at, lies, lot_of in rows.order_by("happened_at", "recorded_at", "pk").values_list(
        "placement", "happened_at", "lies", "lot_of"
    ):
        found[placement].append(Lying(at, lies, lot_of))
    return found


def _chain(origin: UUID, rows: Mapping[UUID, Placement]) -> list[tuple[UUID, datetime | None]]:
    """Return a placement and what it came from, each with the instant at which it was moved on (None: not)."""
    chain: list[tuple[UUID, datetime | None]] = []
    until: datetime | None = None
    ask: UUID | None = origin
    while ask is not None and ask in rows:
        chain.append((ask, until))
        until = rows[ask].happened_at
        ask = rows[ask].moved_from_id
    return chain[::-1]


def _until(chain: Iterable[tuple[UUID, datetime | None]], facts: Mapping[UUID, list[Said]]) -> list[Said]:
    return [one for key, until in chain for one in facts.get(key, ()) if until is None or one.at <= until]


_MEASURED = Prepared(
    lambda zones: (
        StackReading.objects.standing()
        .filter(placement__zone__in=zones)
        .select_related("recorded_by")
        .order_by("happened_at", "recorded_at", "pk")
    )
)
