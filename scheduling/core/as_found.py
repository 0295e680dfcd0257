"""The room as it is found at a moment: its checks, its sheets, its air and its stores, before any hold is judged."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Context, Decimal
from typing import TypeVar

from jobs.core.conditions import Band
from scheduling.core.moment import Moment
from scheduling.core.room_facts import (
    Check,
    Conditions,
    Delivery,
    Inspection,
    Lot,
    Need,
    Placement,
    Prep,
    PrepRecord,
    Reading,
    Requirement,
    RestState,
    RoomFacts,
    Wetting,
)

Dated = TypeVar("Dated", PrepRecord, Wetting, Reading)
#: A batch and so many sheets of it.
Count = tuple[str, int]

# Quantities are sums of decimal text: exact, whatever lies between 10^-400 and 10^400.
_EXACT = Context(prec=1000)


# ---- the substrate


@dataclass(frozen=True, slots=True)
class Checked:
    """A check and all its records of the latest instant, by id; `undone`: it passed, then the wall got wet."""

    check: Check
    latest: tuple[PrepRecord, ...]
    undone: bool

    @classmethod
    def of(cls, check: Check, prep: Prep, wet: Sequence[Wetting], moment: Moment) -> Checked:
        """Return a check as it stands after the last wettings `wet`; one at the instant of a record undoes it."""
        mine = [record for record in prep.records if record.check == check.id and moment.has_come(record.at)]
        latest = tuple(_of_the_latest_instant(mine))
        is_voided = prep.voided_by_wetting is None or check.id in prep.voided_by_wetting
        has_passed = bool(latest) and all(record.passed for record in latest)
        undone = has_passed and is_voided and bool(wet) and wet[0].at >= latest[0].at
        return cls(check, latest, undone)

    @property
    def failed(self) -> tuple[PrepRecord, ...]:
        """The latest records that failed."""
        return tuple(record for record in self.latest if not record.passed)

    @property
    def stands(self) -> bool:
        """Whether it passed and nothing has undone it."""
        return bool(self.latest) and not self.undone and not self.failed


def last_wettings(prep: Prep, moment: Moment) -> list[Wetting]:
    """Return all wettings of the latest instant, by id."""
    return _of_the_latest_instant(wetting for wetting in prep.wettings if moment.has_come(wetting.at))


# ---- the sheets


@dataclass(frozen=True, slots=True)
class Standing:
    """A placement that is present, with its latest inspection (None: there was none) and what follows from it."""

    placement: Placement
    latest: Inspection | None
    product: str
    count: Count  # the good ones: less what was rejected
    unseen: int  # sheets that nobody looked at
    seen: bool  # every sheet was, and the maker's mark
    rested: bool

    @classmethod
    def of(cls, placement: Placement, latest: Inspection | None) -> Standing:
        """Return what a present placement comes to."""
        rejected, inspected = (latest.rejected, latest.inspected) if latest else (0, 0)
        return cls(
            placement,
            latest,
            placement.product,
            (placement.batch, placement.sheets - rejected),
            placement.sheets - inspected,
            latest is not None and latest.mark_seen and inspected == placement.sheets,
            placement.rest.state is RestState.PROVEN and placement.rest.cold is None,
        )


@dataclass(frozen=True, slots=True)
class Stock:
    """The sheets of a room: what is asked for, what stands here of it (by id), and the mixes acknowledged.

    `mixes` has the ids by product, of products that are asked for in one batch.
    """

    needs: tuple[Requirement, ...]
    standing: tuple[Standing, ...]
    mixes: Mapping[str, Sequence[str]]

    @classmethod
    def of(cls, facts: RoomFacts, moment: Moment) -> Stock:
        """Return the stock of a room at a moment."""
        return cls(facts.requirement, _standing(facts, moment), _mixes(facts, moment))

    def counts(self, need: Requirement) -> list[Count]:
        """Return the good sheets of a product that stand here, looked at or not."""
        return [one.count for one in self.standing if one.product == need.product]

    def good(self, need: Requirement) -> int:
        """Return how many they are."""
        return sum(sheets for _, sheets in self.counts(need))

    def is_enough(self, need: Requirement, counts: Sequence[Count]) -> bool:
        """Return whether these reach the requirement; in one batch, where they must and no mix is acknowledged."""
        if sum([sheets for _, sheets in counts]) < need.sheets:
            return False
        if not need.one_batch or self.mixes[need.product]:
            return True
        return largest_batch(counts) >= need.sheets

    def stands(self, need: Requirement) -> bool:
        """Return whether enough good sheets of a product stand here."""
        return self.is_enough(need, self.counts(need))

    def needs_mix(self, need: Requirement) -> bool:
        """Return whether no batch here is enough alone, though the sheets must match."""
        return need.one_batch and largest_batch(self.counts(need)) < need.sheets

    def is_all_seen(self, arrived: Sequence[Delivery] = ()) -> bool:
        """Return whether inspection asks for no more, once what has `arrived` was inspected on arrival."""
        return all(self._is_seen(need, arrived) for need in self.needs)

    def _is_seen(self, need: Requirement, arrived: Sequence[Delivery]) -> bool:
        mine = [one for one in self.standing if one.product == need.product]
        seen = [one.count for one in mine if one.seen]
        if mine and len(seen) == len(mine):
            return True
        seen += [count_of(delivery) for delivery in arrived if delivery.product == need.product]
        return self.is_enough(need, seen)


def largest_batch(counts: Iterable[Count]) -> int:
    """Return how many sheets the largest batch has."""
    batches: dict[str, int] = {}
    for batch, sheets in counts:
        batches[batch] = batches.get(batch, 0) + sheets
    return max(batches.values(), default=0)


def count_of(delivery: Delivery) -> Count:
    """Return the sheets of a delivery, all good until somebody looks."""
    # No batch has an id for its name, so an unknown one matches nothing else.
    return delivery.batch if delivery.batch is not None else delivery.id, delivery.sheets


def coming(product: str, deliveries: Iterable[Delivery], moment: Moment) -> list[tuple[datetime, Delivery]]:
    """Return the deliveries of a product that are expected now or later, in order."""
    dated = [
        (at, delivery)
        for delivery in deliveries
        if delivery.product == product and (at := moment.expectation(delivery.expected_at))
    ]
    return sorted(dated, key=lambda pair: (pair[0], pair[1].id))


def next_delivery(deliveries: Iterable[Delivery]) -> Delivery | None:
    """Return the one that is due first, overdue or not; those without a date come last."""
    known = list(deliveries)
    dated = [(delivery.expected_at, delivery.id, delivery) for delivery in known if delivery.expected_at]
    if dated:
        return min(dated, key=lambda due: due[:2])[2]
    return min(known, key=lambda delivery: delivery.id, default=None)


def _standing(facts: RoomFacts, moment: Moment) -> tuple[Standing, ...]:
    products = {need.product for need in facts.requirement}
    present = {
        one.id: one
        for one in facts.placements
        if one.product in products and moment.has_come(one.in_at) and moment.is_before(one.out_at)
    }
    latest: dict[str, Inspection] = {}
    for inspection in facts.inspections:
        if inspection.placement in present and moment.has_come(inspection.at):
            other = latest.get(inspection.placement)
            latest[inspection.placement] = _later(inspection, other) if other else inspection
    return tuple(Standing.of(present[key], latest.get(key)) for key in sorted(present))


def _later(one: Inspection, other: Inspection) -> Inspection:
    """Return the later of two; at one instant the one that rejected more, then the one with the smaller id."""
    if (one.at, one.rejected) != (other.at, other.rejected):
        return max(one, other, key=lambda inspection: (inspection.at, inspection.rejected))
    return min(one, other, key=lambda inspection: inspection.id)


def _mixes(facts: RoomFacts, moment: Moment) -> dict[str, list[str]]:
    mixes: dict[str, list[str]] = {need.product: [] for need in facts.requirement if need.one_batch}
    for mix in facts.mixes:
        if mix.product in mixes and moment.has_come(mix.at):
            mixes[mix.product].append(mix.id)
    return mixes


# ---- the air


def latest_readings(conditions: Conditions, moment: Moment) -> list[Reading]:
    """Return all readings of the latest instant, by id."""
    return _of_the_latest_instant(reading for reading in conditions.readings if moment.has_come(reading.at))


def is_air_bad(conditions: Conditions, readings: Iterable[Reading]) -> bool:
    """Return whether a reading is out of the band; no air is right where the bands do not meet."""
    band = conditions.band
    return band is None or any(not band.admits(reading.t_c, reading.rh_pct) for reading in readings)


def worst(readings: Sequence[Reading], band: Band) -> Reading:
    """Return the first reading that is out of band, or the first."""
    return next(
        (reading for reading in readings if not band.admits(reading.t_c, reading.rh_pct)), readings[0]
    )


# ---- the stores


@dataclass(frozen=True, slots=True)
class Stored:
    """An item and its lots on site, by id: those that count, those out of date on the day, those that do not fit."""

    need: Need
    good: tuple[Lot, ...]
    outdated: tuple[Lot, ...]
    unfit: tuple[Lot, ...]
    here: Decimal  # of the good ones
    lack: Decimal  # none or less: there is enough

    @classmethod
    def of(cls, need: Need, lots: Iterable[Lot], outdated: frozenset[str]) -> Stored:
        """Return what lots on site come to for a need; `outdated` are the ids of those whose shelf life ends."""
        mine = sorted((lot for lot in lots if lot.item == need.item), key=lambda lot: lot.id)
        good = tuple(lot for lot in mine if lot.id not in outdated and not lot.unfit)
        here = Decimal(0)
        for lot in good:
            here = _EXACT.add(here, lot.qty)
        return cls(
            need,
            good,
            tuple(lot for lot in mine if lot.id in outdated),
            tuple(lot for lot in mine if lot.unfit),
            here,
            _EXACT.subtract(need.qty, here),
        )


def stored(facts: RoomFacts, moment: Moment) -> list[Stored]:
    """Return each item that is needed with what is on site of it, in the order of the needs."""
    items = {need.item for need in facts.consumables.needs}
    lots = [lot for lot in facts.consumables.lots if lot.item in items and moment.has_come(lot.on_site_at)]
    outdated = frozenset(lot.id for lot in lots if _is_out_of_date(lot, facts, moment))
    return [Stored.of(need, lots, outdated) for need in facts.consumables.needs]


def _is_out_of_date(lot: Lot, facts: RoomFacts, moment: Moment) -> bool:
    """Return whether its shelf life ends before the local day of the planned start, or without one before today."""
    if lot.good_through is None:
        return False
    if facts.planned_start is None:
        return moment.is_day_over(lot.good_through, facts.time_zone)
    return lot.good_through < facts.planned_start.astimezone(facts.time_zone).date()


def _of_the_latest_instant(facts: Iterable[Dated]) -> list[Dated]:
    known = list(facts)
    last_at = max((fact.at for fact in known), default=None)
    return sorted((fact for fact in known if fact.at == last_at), key=lambda fact: fact.id)
