"""The model under `stack`: constants, how a stack lies, and its march through the readings of its zone.

Instants are epoch seconds inside.  Source of the constants: trade-facts, section 4, and the input sets of
`fixtures/checks/stack_warm_up.csv`.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum
from itertools import pairwise

from materials.core.air import SECOND, seconds
from materials.core.slab import HAIR_K, March, Slab, excess, modes_of, moved

#: Sheets in a flat lot.
LOT_OF = 10
#: So long after the last fact is looked ahead.
LOOKS_AHEAD = timedelta(days=60)
#: A stack that has come to the room is cold again when it is so many times the tolerance away from it: a door
#: that stands open for an hour cools no stack, a hall that is heated at last leaves one behind.
LOST_BEYOND = 2.0
#: A reading may be off by 0.5 K, so a room may be told by fewer of them as near as this, in kelvin.
STRAIGHT_K = 0.1

_MODES, _FEWEST_MODES = 64, 8
#: A mode e⁻²⁰ of which is left has died.
_DIED = 20.0
#: Told temperatures are looked at as closely as this, in kelvin.
_LEAST_K = 0.01


class Lies(StrEnum):
    """How sheets lie: what of them is in the air."""

    SKID = "skid"
    BEARERS = "bearers"
    LOTS = "lots"
    APART = "apart"


@dataclass(frozen=True, slots=True)
class Phase:
    """How a placement lies from an instant on, until the next phase; `lot_of` is of lots only."""

    from_at: datetime
    lies: Lies = Lies.SKID
    wrapped: bool = False
    lot_of: int = LOT_OF

    def __post_init__(self) -> None:
        if self.lot_of < 1:
            raise ValueError("a lot has a sheet at least")


@dataclass(frozen=True, slots=True)
class Temperature:
    """A temperature of the sheets, measured or told, in °C."""

    at: datetime
    t_c: float


@dataclass(frozen=True, slots=True)
class Stack:
    """A placement's sheets, how they lie and how warm they were.

    Args:
        start: all sheets are taken to be as warm as this at its instant.
        phases: in any order, one at least; before the first it lay as in the first.
        probes: in the middle of the stack, in any order; the last one overrules the model from its instant on.
    """

    sheets: int
    thickness_nm: int
    width_nm: int
    height_nm: int
    start: Temperature
    phases: tuple[Phase, ...]
    probes: tuple[Temperature, ...] = ()

    def __post_init__(self) -> None:
        if min(self.sheets, self.thickness_nm, self.width_nm, self.height_nm) < 1:
            raise ValueError("a stack has sheets, and a sheet has a size")
        if not self.phases:
            raise ValueError("a stack lies in some way")

    def phase_at(self, at: datetime) -> Phase:
        """Return how it lies at an instant."""
        ordered = sorted(self.phases, key=lambda phase: phase.from_at)
        return ordered[max(bisect_right(ordered, at, key=lambda phase: phase.from_at) - 1, 0)]


@dataclass(frozen=True, slots=True)
class Constants:
    """What the model reckons with, besides sheets and room.

    Args:
        film: resistance between two sheets of a stack, m²·K/W: a still film of air of 0.2 mm (0.05 to 0.5),
            whose thickness is a guess.
        heat: ρ·c of a sheet, J/(m³·K).
        conduction: through a sheet, W/(m·K).
        face: from the room to a face that lies on a stack, W/(m²·K): ISO 6946, heat going down.
        wrapped: the same through a film of packing and 10 mm of still air.
        lot: to a face of a low lot, which gets air from all sides: ISO 6946, heat going sideways.
    """

    film: float
    heat: float
    conduction: float
    face: float
    wrapped: float
    lot: float


FAST = Constants(film=0.002, heat=1.40e6, conduction=0.40, face=7.7, wrapped=4.0, lot=9.0)
CENTRAL = Constants(film=0.008, heat=1.80e6, conduction=0.25, face=5.9, wrapped=3.1, lot=7.7)
SLOW = Constants(film=0.020, heat=2.38e6, conduction=0.18, face=5.0, wrapped=2.5, lot=6.0)
SETS = (FAST, CENTRAL, SLOW)


def slab_of(constants: Constants, *, sheets: int, thickness_nm: int, phase: Phase) -> Slab:
    """Return what a stack, or one lot or sheet of it, is as a slab.

    L = N·d on a skid, whose boards and dead air let nothing through, else N·d/2; k = d/(d/k_sheet + film), the
    film counted once a sheet of a stack, which errs late by 2 % at most (trade-facts 4.6, 4.7, 4.9).
    """
    count = {Lies.LOTS: min(phase.lot_of, sheets), Lies.APART: 1}.get(phase.lies, sheets)
    d = thickness_nm * 1e-9
    film = 0.0 if phase.lies is Lies.APART else constants.film
    low = phase.lies in (Lies.LOTS, Lies.APART)
    bare = constants.lot if low else constants.face
    return Slab(
        depth_m=count * d if phase.lies is Lies.SKID else count * d / 2,
        conductivity=d / (d / constants.conduction + film),
        heat_capacity=constants.heat,
        transfer=constants.wrapped if phase.wrapped else bare,
    )


@dataclass(frozen=True, slots=True)
class Course:
    """How a stack goes on, from its last fact on, if its room stays as it is.

    Args:
        from_at: the last fact: a reading, another way of lying, a probe.
        room_c: the room's temperature, held.
        rates, core, face: of the modes (`slab.Modes`); `parts` at `from_at`.
    """

    from_at: int
    room_c: float
    rates: tuple[float, ...]
    core: tuple[float, ...]
    face: tuple[float, ...]
    parts: tuple[float, ...]

    def t_c(self, place: Sequence[float], at: int) -> float:
        """Return the temperature at a place, `core` or `face`, in °C."""
        return self.room_c + excess(place, moved(self.rates, self.parts, at - self.from_at, 0))

    def first_outside(self, place: Sequence[float], low: float, high: float, *, after: int) -> int | None:
        """Return the first second from `after` on at which a place is not in [low, high) °C; None: not in sight.

        In sight is what lies within `LOOKS_AHEAD` of `from_at`.  As in `March.first_within`, a place needs at
        least its distance from the limits ÷ the most it can move in a second, which only falls.
        """
        at, sure = after, after
        end = self.from_at + LOOKS_AHEAD // SECOND
        while low <= self.t_c(place, at) < high:
            if at >= end:
                return None
            parts = moved(self.rates, self.parts, at - self.from_at, 0)
            t_c = self.room_c + excess(place, parts)
            speed = sum(abs(w * rate * part) for w, rate, part in zip(place, self.rates, parts, strict=True))
            near = max(min(t_c - low, high - t_c), _LEAST_K)
            sure, at = at, min(end, at + max(1, int(min(near / speed, 1e9)))) if speed else end
        return bisect_left(
            range(at + 1), True, lo=sure, key=lambda second: not low <= self.t_c(place, second) < high
        )


@dataclass(frozen=True, slots=True)
class Track:
    """The room along time: straight lines between the instants, the last temperature held."""

    at: Sequence[int]
    t_c: Sequence[float]

    @property
    def steepest(self) -> float:
        """The quickest change, K/s."""
        rows = zip(pairwise(self.at), pairwise(self.t_c), strict=True)
        return max((abs(later_c - t_c) / (later - at) for (at, later), (t_c, later_c) in rows), default=0.0)

    def room_at(self, at: int) -> float:
        """Return the room's temperature; before the first instant it is the first."""
        after = bisect_right(self.at, at)
        if after == 0 or after == len(self.at):
            return self.t_c[after - 1 if after else 0]
        before_at, before_c = self.at[after - 1], self.t_c[after - 1]
        share = (at - before_at) / (self.at[after] - before_at)
        return before_c + share * (self.t_c[after] - before_c)


@dataclass(frozen=True, slots=True)
class Way:
    """What happened to a stack, the same for every set of constants.

    Args:
        start_c: at the track's first instant.
        track: has an instant for every turn and for the probe.
        phases: the first at the track's first instant, then the instants at which it came to lie another way.
    """

    sheets: int
    thickness_nm: int
    start_c: float
    track: Track
    phases: Mapping[int, Phase]
    probe_at: int | None
    probe_c: float


def way_of(stack: Stack, at: Sequence[int], t_c: Sequence[float], *, now: datetime) -> Way | None:
    """Return what happened to a stack up to `now`; None: nothing yet, or nobody has read the room."""
    begin, present = seconds(stack.start.at), seconds(now)
    count = bisect_right(at, present)
    if begin > present or not count:
        return None
    probes = [one for one in stack.probes if stack.start.at <= one.at <= now]
    probe = max(probes, key=lambda one: one.at, default=None)
    turns = {seconds(one.from_at): one for one in stack.phases if stack.start.at < one.from_at <= now}
    marks = sorted({begin, *turns, *([] if probe is None else [seconds(probe.at)])})
    return Way(
        sheets=stack.sheets,
        thickness_nm=stack.thickness_nm,
        start_c=stack.start.t_c,
        track=_with_marks(Track(at[:count], t_c[:count]), marks),
        phases={begin: stack.phase_at(stack.start.at), **turns},
        probe_at=None if probe is None else seconds(probe.at),
        probe_c=0.0 if probe is None else probe.t_c,
    )


def _with_marks(read: Track, marks: Sequence[int]) -> Track:
    """Return the room from the first mark on, with an instant at every mark and no more than it needs."""
    room = straightened(read)
    later = {one: t_c for one, t_c in zip(room.at, room.t_c, strict=True) if one > marks[0]}
    every = sorted(later | {mark: room.room_at(mark) for mark in marks})
    return Track(every, [later[one] if one in later else room.room_at(one) for one in every])


def straightened(track: Track) -> Track:
    """Return the room with fewer instants, nowhere further than `STRAIGHT_K` from the readings; the last is kept.

    From each instant kept, the fan of lines that pass every reading near enough narrows until none is left.
    """
    at, t_c = track.at, track.t_c
    kept = [0]
    low, high = -math.inf, math.inf
    for i in range(1, len(at)):
        base = kept[-1]
        length = at[i] - at[base]
        slope = (t_c[i] - t_c[base]) / length
        if not low <= slope <= high:
            kept.append(i - 1)
            length = at[i] - at[i - 1]
            slope = (t_c[i] - t_c[i - 1]) / length
            low, high = -math.inf, math.inf
        low, high = max(low, slope - STRAIGHT_K / length), min(high, slope + STRAIGHT_K / length)
    if kept[-1] != len(at) - 1:
        kept.append(len(at) - 1)
    return Track([at[i] for i in kept], [t_c[i] for i in kept])


@dataclass(frozen=True, slots=True)
class Outcome:
    """Where a march came to: since when the stack has come to the room, or when it will; and how it goes on."""

    warm_at: int | None
    course: Course


def outcome(way: Way, constants: Constants, tolerance_k: float) -> Outcome:
    """March a stack through its zone's readings with one set of constants."""
    track = way.track
    march = _March(way, constants, tolerance_k)
    for i, at in enumerate(track.at):
        if i:
            before, before_c = track.at[i - 1], track.t_c[i - 1]
            march.go(before, at, (track.t_c[i] - before_c) / (at - before), before_c)
        if i and at in way.phases:
            march.lie(way.phases[at], at)
        if at == way.probe_at:
            march.overrule(way.probe_c - track.t_c[i], at)
    end, room_c = track.at[-1], track.t_c[-1]
    return Outcome(warm_at=march.warm_from(end), course=march.course(end, room_c))


@dataclass(slots=True)
class _March:
    """A stack on its way with one set of constants.

    Args:
        since: the instant since which it has come to the room, None if it has not.
        whole_at: when its profile was last made anew; from then on modes die.
        cold_until: so long its core surely stays further from the room than the tolerance.
    """

    way: Way
    constants: Constants
    tolerance_k: float
    slab: Slab = field(init=False)
    heat: March = field(init=False)
    since: float | None = field(init=False, default=None)
    whole_at: int = field(init=False)
    cold_until: float = field(init=False)
    coldest_c: float = field(init=False)
    warmest_c: float = field(init=False)
    steepest: float = field(init=False)

    def __post_init__(self) -> None:
        track = self.way.track
        self.coldest_c, self.warmest_c, self.steepest = min(track.t_c), max(track.t_c), track.steepest
        begin = self.way.track.at[0]
        self.slab = self._slab(self.way.phases[begin])
        self._renew(March.uniform(self.slab, _MODES, self.way.start_c - self.way.track.t_c[0]), begin)
        if self.heat.is_within(self.tolerance_k):
            self.since = begin

    def go(self, from_at: int, to_at: int, slope: float, room_c: float) -> None:
        """Go along a straight piece of the room, from `room_c`; note when the stack comes to it or is left behind."""
        if self.since is None and to_at > self.cold_until:
            self._look_ahead(from_at, room_c)
        if self.since is None and to_at > self.cold_until:
            after = self.heat.first_within(self.tolerance_k, to_at - from_at, slope)
            self.since = None if after is None else from_at + after
        self.heat.move(to_at - from_at, slope)
        if self.since is not None and self._farthest() > LOST_BEYOND * self.tolerance_k:
            self.since = None
        self._let_die(to_at)

    def lie(self, phase: Phase, at: int) -> None:
        """Lie another way from here on."""
        before, self.slab = self.slab, self._slab(phase)
        if before.depth_m == self.slab.depth_m:
            self._renew(March.shaped(self.slab, _MODES, self.heat.profile()), at)
        else:
            slowest = max(self.heat.core_k, self.heat.face_k, key=abs)
            self._renew(March.uniform(self.slab, _MODES, slowest), at)

    def overrule(self, probed_k: float, at: int) -> None:
        """Take what a probe says of the middle, its excess over the room, for what the model said."""
        core_k = self.heat.core_k
        if core_k * probed_k <= 0:
            heat = March.uniform(self.slab, _MODES, probed_k)
        elif abs(probed_k) >= abs(core_k):
            shape = [one + probed_k - core_k for one in self.heat.profile()]
            heat = March.shaped(self.slab, _MODES, shape)
        else:
            nearest = max if probed_k < 0 else min
            heat = March.shaped(self.slab, _MODES, [nearest(one, probed_k) for one in self.heat.profile()])
        self._renew(heat, at)
        if not heat.is_within(self.tolerance_k):
            self.since = None
        elif self.since is None:
            self.since = at

    def warm_from(self, at: int) -> int | None:
        """Return since when the stack has come to the room, or when it will if the room stays; whole seconds."""
        since = self.since
        if since is None:
            after = self.heat.first_within(self.tolerance_k, LOOKS_AHEAD.total_seconds(), 0)
            since = None if after is None else at + after
        return None if since is None else math.ceil(since)

    def course(self, at: int, room_c: float) -> Course:
        """Return how it goes on from here."""
        modes = self.heat.modes
        return Course(at, room_c, modes.rates, modes.core, modes.face, tuple(self.heat.parts))

    def _slab(self, phase: Phase) -> Slab:
        way = self.way
        return slab_of(self.constants, sheets=way.sheets, thickness_nm=way.thickness_nm, phase=phase)

    def _renew(self, heat: March, at: int) -> None:
        self.heat, self.whole_at = heat, at
        self.cold_until = at

    def _look_ahead(self, at: int, room_c: float) -> None:
        """Set `cold_until`: mostly a core is so far from any temperature of the room that hours need no look."""
        core_c = room_c + self.heat.core_k
        off_k = max(self.coldest_c - core_c, core_c - self.warmest_c) - self.tolerance_k
        if off_k > 0:
            swing_k = self.warmest_c - self.coldest_c
            self.cold_until = at + self.heat.core_stays_off(off_k, swing_k=swing_k, steepest=self.steepest)

    def _farthest(self) -> float:
        return max(abs(self.heat.core_k), abs(self.heat.face_k))

    def _let_die(self, at: int) -> None:
        while self.heat.count > _FEWEST_MODES:
            half = self.heat.count // 2
            if (at - self.whole_at) * (math.pi * half) ** 2 < _DIED * self.slab.unit_s:
                return
            self.heat.keep(half)


def series_time(slab: Slab, excess_k: float, tolerance_k: float) -> timedelta | None:
    """Return how long a uniform slab takes in a room that stays as it is; None: not within `LOOKS_AHEAD`.

    There the core is the slowest point all the way, and only comes nearer.
    """
    modes = modes_of(slab, _MODES)

    def is_within(second: int) -> bool:
        return abs(excess_k) * excess(modes.core, moved(modes.rates, unit, second, 0)) <= tolerance_k + HAIR_K

    unit = [1.0] * (_MODES + 1)
    end = LOOKS_AHEAD // SECOND
    found = bisect_left(range(end + 1), True, key=is_within)
    return None if found > end else timedelta(seconds=found)


def last_first(instants: Iterable[int | None]) -> tuple[int | None, int | None]:
    """Return the earliest of some instants and the latest; None stands for later than all."""
    every = list(instants)
    known = [at for at in every if at is not None]
    return min(known, default=None), None if len(known) < len(every) else max(known)
