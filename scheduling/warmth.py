"""Stacks that came cold: from rows to when their middle is warm and their wrap may come off, for rooms and pages.

Only a stack of which somebody said how cold it came is worked out; nothing is guessed.  Of each zone's air
the first reading of every hour is taken, and the last: the middle of a stack follows hours, not minutes.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from jobs.air import Heard, heard
from materials.core import stack as core
from materials.core.air import instant, seconds
from materials.core.stack import Lies, Phase, Stack, Temperature, Warming
from materials.core.stock import Standing
from materials.core.sweat import Sweat, sweat
from materials.models import Product, StackReading
from materials.stack_queries import Lying, Measured, StackFacts
from scheduling.core import room_facts

HOUR = timedelta(hours=1)
QUARTER = timedelta(minutes=15)
SOON = timedelta(days=2)
#: So long after it came a hand-held on the top sheet still speaks for the whole stack.
FACE_SPEAKS_FOR = timedelta(minutes=30)
#: Air that has a dew point here.
DEW_C, DEW_RH = (-20.0, 60.0), (0.0, 100.0)


@dataclass(frozen=True, slots=True)
class ZoneAir:
    """Readings of a zone, thinned to one an hour: epoch seconds, °C and percent, sorted."""

    at: tuple[int, ...] = ()
    t_c: tuple[float, ...] = ()
    rh_pct: tuple[float, ...] = ()

    def before(self, at: int) -> float | None:
        """Return the temperature last read at or before an instant; None: none was."""
        place = bisect_right(self.at, at) - 1
        return self.t_c[place] if place >= 0 else None


NO_AIR = ZoneAir()


@dataclass(frozen=True, slots=True)
class Warmed:
    """A placement's stack at an instant: how far it has warmed and whether it sweats in the room's air.

    `sweat` is None where the room's air has no dew point; `start` is what the reckoning begins with.
    """

    stack: Stack
    start: Measured
    warming: Warming
    sweat: Sweat | None

    @property
    def cold_until(self) -> datetime | None:
        """The late end of when the middle is warm; None: it cannot be told.

        To the full hour, and to six where it takes days: every reading moves it a little, and what follows from
        it must not move as often as a logger speaks.
        """
        latest = self.warming.warm_at.latest
        if latest is None:
            return None
        return rounded_up(latest, HOUR if latest - self.start.at <= SOON else 6 * HOUR)

    @property
    def is_warm(self) -> bool:
        """Whether the middle has come to the room even by the slowest of the constants."""
        until = self.cold_until
        return until is not None and until <= self.warming.as_of

    @property
    def open_from(self) -> datetime | None:
        """When the wrap may come off, to the quarter hour; None: at once, or it cannot be told."""
        if self.sweat is None or not self.warming.phase.wrapped:
            return None
        latest = self.sweat.top.dry_at.latest
        at = None if latest is None else rounded_up(latest, QUARTER)
        return at if at is not None and at > self.warming.as_of else None

    @property
    def is_too_damp(self) -> bool:
        """Whether the sheets would sweat in this air however long the wrap stays on."""
        wrapped = self.sweat is not None and self.warming.phase.wrapped
        return wrapped and self.sweat is not None and self.sweat.top.dry_at.latest is None

    @property
    def good_until(self) -> datetime | None:
        """The first later instant at which one of these is another, if no fact comes; None: never."""
        turns = [self.cold_until, self.open_from]
        return min((at for at in turns if at is not None and at > self.warming.as_of), default=None)

    def cold(self) -> room_facts.ColdStack | None:
        """Return what holds the rest where the rule asks for a warm middle; None: it is warm."""
        if self.is_warm:
            return None
        return room_facts.ColdStack(until=self.cold_until, laid_out_in=self._laid_out_in())

    def _laid_out_in(self) -> timedelta | None:
        """Return how long lots take at the most, all as cold as they came: so it does not change with the present."""
        if self.warming.phase.lies in (Lies.LOTS, Lies.APART):
            return None
        took = core.time_to_warm(
            sheets=self.stack.sheets,
            thickness_nm=self.stack.thickness_nm,
            lies=Lies.LOTS,
            start_c=self.stack.start.t_c,
            room_c=self.warming.room_c,
            tolerance_k=self.warming.tolerance_k,
        )
        return took.longest


def warmed(
    standing: Standing,
    product: Product,
    facts: StackFacts | None,
    *,
    needs_opening: bool,
    air: Mapping[int, ZoneAir],
    last: Mapping[int, Sequence[room_facts.Reading]],
    now: datetime,
) -> Warmed | None:
    """Return how far a placement's stack has warmed by `now`; None: how cold it came, or its air, is not known.

    Args:
        air: of every zone it has been in.
        last: the last readings of each zone, unthinned.
    """
    start = start_of(standing, facts, now=now)
    if start is None or facts is None or not standing.sheets:
        return None
    stack = Stack(
        sheets=standing.sheets,
        thickness_nm=product.thickness_nm,
        width_nm=product.sheet_w_nm,
        height_nm=product.sheet_h_nm,
        start=Temperature(start.at, start.t_c),
        phases=_phases(standing, facts.lying, start.at, needs_opening=needs_opening, now=now),
        probes=tuple(
            Temperature(one.at, one.t_c)
            for one in facts.measured
            if one.place == StackReading.Place.CORE and start.at < one.at <= now
        ),
    )
    here = _with_last(air.get(standing.zone, NO_AIR), last.get(standing.zone, ()), now=now)
    at, t_c = _where_it_stood(standing, {**air, standing.zone: here})
    warming = core.warming(stack, at=at, t_c=t_c, tolerance_k=product.core_tolerance_k, now=now)
    return None if warming is None else Warmed(stack, start, warming, _sweat(warming, here))


def start_of(standing: Standing, facts: StackFacts | None, *, now: datetime) -> Measured | None:
    """Return what says how cold a stack came: measured then, else told of the lorry, else the first probe since.

    A hand-held on the top sheet speaks for the stack only at first: the top face leaves the rest behind.
    """
    if facts is None:
        return None
    came = standing.stays[0].in_at
    measured = [one for one in facts.measured if one.at <= now]
    at_arrival = [one for one in measured if one.place != StackReading.Place.LORRY]
    at_arrival = [one for one in at_arrival if one.at <= came + FACE_SPEAKS_FOR]
    told = [one for one in measured if one.place == StackReading.Place.LORRY]
    probed = [one for one in measured if one.place == StackReading.Place.CORE]
    return next(iter([*at_arrival, *told[-1:], *probed]), None)


def rounded_up(at: datetime, step: timedelta) -> datetime:
    """Return the first instant of a grid of hours, or of quarters of one, at or after an instant."""
    width = step // timedelta(seconds=1)
    return instant(-(-seconds(at) // width) * width)


def rounded_down(at: datetime, step: timedelta) -> datetime:
    """Return the last instant of such a grid at or before an instant."""
    width = step // timedelta(seconds=1)
    return instant(seconds(at) // width * width)


def hourly_air(zones: Collection[int], since: datetime | None) -> dict[int, ZoneAir]:
    """Return the first standing reading of every hour of each zone, and its last, from a little before an instant."""
    if since is None or not zones:
        return {}
    return {zone: _thinned(one) for zone, one in heard(dict.fromkeys(zones, since - 2 * HOUR)).items()}


def _thinned(one: Heard) -> ZoneAir:
    firsts = [
        place for place, at in enumerate(one.at) if not place or at // 3600 != one.at[place - 1] // 3600
    ]
    if one.at and firsts[-1] != len(one.at) - 1:
        firsts.append(len(one.at) - 1)
    return ZoneAir(
        tuple(one.at[place] for place in firsts),
        tuple(one.t_c[place] for place in firsts),
        tuple(one.rh_pct[place] for place in firsts),
    )


def _zone_air(rows: Iterable[tuple[int, tuple[float, float]]]) -> ZoneAir:
    flat = [(at, t_c, rh_pct) for at, (t_c, rh_pct) in rows]
    return ZoneAir(*zip(*flat, strict=True)) if flat else NO_AIR


def _with_last(air: ZoneAir, last: Sequence[room_facts.Reading], *, now: datetime) -> ZoneAir:
    """Return a zone's air up to `now`, with its last readings whether or not they were the first of their hour."""
    count = bisect_right(air.at, seconds(now))
    rows = dict(zip(air.at[:count], zip(air.t_c[:count], air.rh_pct[:count], strict=True), strict=True))
    rows |= {seconds(one.at): (one.t_c, one.rh_pct) for one in last if one.at <= now}
    return _zone_air(sorted(rows.items()))


def _where_it_stood(standing: Standing, air: Mapping[int, ZoneAir]) -> tuple[list[int], list[float]]:
    """Return the air of the zones that a stack stood in, one after the other."""
    at: list[int] = []
    t_c: list[float] = []
    for number, stay in enumerate(standing.stays):
        here = air.get(stay.zone, NO_AIR)
        begin = seconds(stay.in_at)
        end = seconds(stay.out_at) if stay.out_at is not None else None
        first = bisect_left(here.at, begin) if number else 0
        found = here.before(begin)
        if number and found is not None and (first == len(here.at) or here.at[first] != begin):
            at.append(begin)
            t_c.append(found)
        stop = bisect_left(here.at, end) if end is not None else len(here.at)
        at += here.at[first:stop]
        t_c += here.t_c[first:stop]
    return at, t_c


def _phases(
    standing: Standing, lying: Sequence[Lying], start: datetime, *, needs_opening: bool, now: datetime
) -> tuple[Phase, ...]:
    """Return how a stack lay from when it came: on its skid, wrapped until it was opened, unless somebody said."""
    came, opened = min(start, standing.stays[0].in_at), standing.opened_at
    laid = [one for one in lying if one.at <= now]
    turns = {came, *(one.at for one in laid)}
    if opened is not None and opened <= now:
        turns.add(opened)
    wrapped = {at: needs_opening and (opened is None or at < opened) for at in turns}
    return tuple(_phase(at, laid, wrapped=wrapped[at]) for at in sorted(turns))


def _phase(at: datetime, laid: Sequence[Lying], *, wrapped: bool) -> Phase:
    said = [one for one in laid if one.at <= at]
    if not said:
        return Phase(at, wrapped=wrapped)
    return Phase(at, Lies(said[-1].lies), wrapped, said[-1].lot_of or core.LOT_OF)


def _sweat(warming: Warming, here: ZoneAir) -> Sweat | None:
    if not here.at:
        return None
    t_c, rh_pct = here.t_c[-1], min(here.rh_pct[-1], DEW_RH[1])
    if not (DEW_C[0] <= t_c <= DEW_C[1] and rh_pct > DEW_RH[0]):
        return None
    return sweat(warming, t_c=t_c, rh_pct=rh_pct)


# ---- as a room's state keeps it ----


@dataclass(frozen=True, slots=True)
class StoredStack:
    """What the state of a room keeps of a stack that somebody measured.

    `earliest`, `latest`: when the middle is warm by the fast and the slow constants; None: it cannot be told,
    or nothing in the room waits for it.
    """

    earliest: datetime | None
    latest: datetime | None
    #: When the wrap may come off; None: at once, or it is off, or it cannot be told.
    open_from: datetime | None
    is_too_damp: bool
    by_probe: bool


def stack_to_json(one: Warmed | None) -> dict[str, Any]:
    """Return a stack as JSON; None: nothing waits for it."""
    if one is None:
        return {
            "earliest": None,
            "latest": None,
            "open_from": None,
            "is_too_damp": False,
            "by_probe": False,
        }
    when = one.warming.warm_at
    return {
        "earliest": when.earliest.isoformat() if when.earliest else None,
        "latest": until.isoformat() if (until := one.cold_until) else None,
        "open_from": at.isoformat() if (at := one.open_from) else None,
        "is_too_damp": one.is_too_damp,
        "by_probe": one.warming.probe is not None,
    }


def stack_from_json(stored: dict[str, Any] | None) -> StoredStack | None:
    """Return what `stack_to_json` was given, as far as it is kept."""
    if stored is None:
        return None
    return StoredStack(
        earliest=_at(stored["earliest"]),
        latest=_at(stored["latest"]),
        open_from=_at(stored["open_from"]),
        is_too_damp=stored["is_too_damp"],
        by_probe=stored["by_probe"],
    )


def _at(stored: str | None) -> datetime | None:
    return None if stored is None else datetime.fromisoformat(stored)
