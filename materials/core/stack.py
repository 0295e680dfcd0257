"""When the middle of a stack has come to the room: a range, since its constants are known to a factor of two.

A stack is one slab (`slab`) of `sheets` × thickness, its edges left out, which errs late.  Three sets of
constants, fast, central and slow, are each driven by the zone's own readings; after the last one its value is
held.  Everything here is advice, unless a job's rule makes it binding.  Sheets lie flat, never on edge.

What happens to the sheets on the way, always on the late side:
- a wrap that comes off or on leaves the temperatures inside as they are;
- sheets that come to lie another way are from then on as warm everywhere as the point that was furthest from
  the room: the middle of the stack;
- a probe in the middle overrules the model.  Where it is further from the room than the model says, the whole
  profile is moved by as much; where it is nearer, no point is further from the room than the probe; where it
  is on the other side of the room, the stack is as warm everywhere as the probe.

Once a stack has come to the room it stays so until it is left behind by twice the tolerance.

Source: trade-facts, section 4.  Nobody has measured a skid for it.
"""

from __future__ import annotations

import operator
from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from enum import StrEnum
from itertools import islice
from math import floor

from jobs.core.words import Say, say, say_n
from materials.core.air import instant, seconds
from materials.core.stack_model import (
    CENTRAL,
    FAST,
    LOOKS_AHEAD,
    LOT_OF,
    SETS,
    SLOW,
    Constants,
    Course,
    Lies,
    Outcome,
    Phase,
    Stack,
    Temperature,
    Way,
    last_first,
    outcome,
    series_time,
    slab_of,
    way_of,
)

__all__ = [
    "LOOKS_AHEAD",
    "LOT_OF",
    "TOLERANCE_K",
    "Counts",
    "Input",
    "Lies",
    "LotsPlan",
    "Phase",
    "Range",
    "Stack",
    "Temperature",
    "Took",
    "Warming",
    "Warmth",
    "When",
    "laid_out",
    "most_sheets_warmed",
    "ruled_words",
    "time_to_warm",
    "took_words",
    "warming",
]

#: How near the room the slowest point must come, in kelvin.
TOLERANCE_K = 2.0
#: No stack is higher.
MOST_SHEETS = 1000

_MINUTE, _HOUR, _DAY = timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)
_NO_TIME = timedelta(0)
#: From so many days on a range is told to five days: more would be pretended.
_COARSE_DAYS, _COARSE_STEP = 10, 5


class Warmth(StrEnum):
    """Whether the middle has come to the room: by every set of constants, by some of them, by none."""

    WARM = "warm"
    PERHAPS = "perhaps"
    COLD = "cold"


class Input(StrEnum):
    """What the answer is reckoned from, besides the sheets and the room."""

    FILM = "film"
    HEAT = "heat"
    CONDUCTION = "conduction"
    AIR = "air"


@dataclass(frozen=True, slots=True)
class Range:
    """A figure by the three sets of constants: the least, the central set's, the most."""

    low: float
    central: float
    high: float


@dataclass(frozen=True, slots=True)
class When:
    """An instant: the earliest by any constants, the central ones', the latest; None: not within `LOOKS_AHEAD`."""

    earliest: datetime | None
    central: datetime | None
    latest: datetime | None


@dataclass(frozen=True, slots=True)
class Took:
    """A length of time by the fast, the central and the slow constants; None: not within `LOOKS_AHEAD`."""

    shortest: timedelta | None
    central: timedelta | None
    longest: timedelta | None


@dataclass(frozen=True, slots=True)
class Counts:
    """Numbers of sheets by the slow, the central and the fast constants."""

    low: int
    central: int
    high: int


@dataclass(frozen=True, slots=True)
class Warming:
    """How far the middle of a stack has come to its room, at `as_of`.

    Args:
        room_c: the zone's temperature at `as_of`: its last reading, held.
        core_c, face_c: of the slowest place inside and of the top face, in steps of half a kelvin.
        warm_at: when the slowest point comes, or came, within the tolerance of the room of that moment.
        ruled_by: the constant that makes the range as wide as it is.
        probe: the temperature measured in the middle that this rests on; None: on the model alone.
        phase: how it lies.
        good_until: the first later instant at which state, temperatures or an instant differ if no fact
            comes; None: never.
        courses: how it goes on by the fast, the central and the slow constants.
    """

    as_of: datetime
    state: Warmth
    tolerance_k: float
    room_c: float
    core_c: Range
    face_c: Range
    warm_at: When
    ruled_by: Input
    probe: Temperature | None
    phase: Phase
    good_until: datetime | None
    courses: tuple[Course, Course, Course] = field(repr=False)


@dataclass(frozen=True, slots=True)
class LotsPlan:
    """What laying a stack out in flat lots takes and saves.

    Args:
        floor_mm2: floor that the lots cover, aisles left out.
        takes: from laying out until the middle of each lot has come to the room.
        saves: how much sooner than left as it lies, by the central constants; None: as it lies it would not
            come within `LOOKS_AHEAD`.
    """

    lot_of: int
    lots: int
    floor_mm2: int
    takes: Took
    saves: timedelta | None

    @property
    def floor_m2(self) -> float:
        """The floor in m²."""
        return self.floor_mm2 / 1_000_000


def warming(
    stack: Stack, *, at: Sequence[int], t_c: Sequence[float], tolerance_k: float = TOLERANCE_K, now: datetime
) -> Warming | None:
    """Return how far a stack has come to its room; None: nobody has read the room, or the stack is yet to come.

    Args:
        at, t_c: the standing readings of the zone, parallel: epoch seconds, rising, and °C.  Those later than
            `now` are no facts yet; before the first its value is taken, between two a straight line.

    Raises:
        ValueError: the readings do not rise, or the tolerance is not positive.
    """
    if tolerance_k <= 0:
        raise ValueError("a tolerance is more than nothing")
    if not all(map(operator.lt, at, islice(at, 1, None))):
        raise ValueError("the readings of a room rise")
    way = way_of(stack, at, t_c, now=now)
    if way is None:
        return None
    outcomes = [outcome(way, constants, tolerance_k) for constants in SETS]
    fast, central, slow = (one.course for one in outcomes)
    present = seconds(now)
    phase = stack.phase_at(now)
    return Warming(
        as_of=now,
        state=_state(outcomes, present),
        tolerance_k=tolerance_k,
        room_c=central.room_c,
        core_c=told_range([course.t_c(course.core, present) for course in (fast, central, slow)]),
        face_c=told_range([course.t_c(course.face, present) for course in (fast, central, slow)]),
        warm_at=when(*(one.warm_at for one in outcomes)),
        ruled_by=_ruled_by(way, phase, tolerance_k),
        probe=_probe(stack, now=now),
        phase=phase,
        good_until=_earliest_after(present, _turns(stack, at, outcomes, present)),
        courses=(fast, central, slow),
    )


def laid_out(stack: Stack, warming: Warming, *, lot_of: int = LOT_OF) -> LotsPlan:
    """Return what laying the stack out at the present of `warming` would take and save, the room as it is.

    Each lot is taken to be as warm everywhere as the middle of the stack is now.

    Raises:
        ValueError: a lot of no sheets.
    """
    phase = Phase(warming.as_of, Lies.LOTS, lot_of=lot_of)
    lots = -(-stack.sheets // lot_of)
    present = seconds(warming.as_of)
    takes = Took(
        *(
            series_time(
                slab_of(constants, sheets=stack.sheets, thickness_nm=stack.thickness_nm, phase=phase),
                course.t_c(course.core, present) - course.room_c,
                warming.tolerance_k,
            )
            for constants, course in zip(SETS, warming.courses, strict=True)
        )
    )
    saves = None
    if warming.warm_at.central is not None and takes.central is not None:
        as_it_lies = max(warming.warm_at.central - warming.as_of, _NO_TIME)
        saves = max(as_it_lies - takes.central, _NO_TIME)
    floor_nm2 = lots * stack.width_nm * stack.height_nm
    return LotsPlan(lot_of, lots, (floor_nm2 + 5 * 10**11) // 10**12, takes, saves)


def time_to_warm(
    *,
    sheets: int,
    thickness_nm: int,
    lies: Lies = Lies.SKID,
    wrapped: bool = False,
    lot_of: int = LOT_OF,
    start_c: float,
    room_c: float,
    tolerance_k: float = TOLERANCE_K,
) -> Took:
    """Return how long sheets, all as warm as `start_c`, take in a room that stays as it is.

    It is the exact series, trade-facts 4.1; 80 sheets of 2.3 mm on a skid, 2 °C in 21 °C: 64, 160, 372 h.
    """
    phase = Phase(instant(0), lies, wrapped, lot_of)
    return Took(
        *(
            series_time(
                slab_of(constants, sheets=sheets, thickness_nm=thickness_nm, phase=phase),
                start_c - room_c,
                tolerance_k,
            )
            for constants in SETS
        )
    )


def most_sheets_warmed(
    rest: timedelta,
    *,
    thickness_nm: int,
    lies: Lies = Lies.SKID,
    wrapped: bool = False,
    start_c: float,
    room_c: float,
    tolerance_k: float = TOLERANCE_K,
) -> Counts:
    """Return the most sheets in one stack whose middle comes to the room within a rest, at most `MOST_SHEETS`.

    A rest of 24 h, 2.3 mm, bare on a skid, from 2 °C to within 2 K of 21 °C: 25 sheets (16 to 43).
    """
    phase = Phase(instant(0), lies, wrapped)

    def most(constants: Constants) -> int:
        def is_late(sheets: int) -> bool:
            slab = slab_of(constants, sheets=sheets, thickness_nm=thickness_nm, phase=phase)
            took = series_time(slab, start_c - room_c, tolerance_k)
            return took is None or took > rest

        counts = range(1, MOST_SHEETS + 1)
        return bisect_right(counts, False, key=is_late)

    return Counts(low=most(SLOW), central=most(CENTRAL), high=most(FAST))


def took_words(shortest: timedelta | None, longest: timedelta | None) -> Say:
    """Return a range of lengths as it may be told: `7 to 17 min`, `8 to 33 h`, `3 to 15 days`.

    Under two hours in minutes, under two days in hours, else in days, to the nearest whole one and from ten
    days on to the nearest five: the constants are known to a factor of two.  None is beyond `LOOKS_AHEAD`.
    """
    if shortest is None:
        return say_n("more than {n} day", "more than {n} days", n=LOOKS_AHEAD // _DAY)
    if longest is None:
        n = max(_days(shortest), 1)
        return say_n("{n} day or more", "{n} days or more", n=n)
    if longest < 2 * _HOUR:
        low, high = _nearest(shortest, _MINUTE), _nearest(longest, _MINUTE)
        both = say("{low} to {high} min", low=low, high=high)
        return _span(low, high, say("about {n} min", n=high), say("up to {high} min", high=high), both)
    if longest < 2 * _DAY:
        low, high = _nearest(shortest, _HOUR), _nearest(longest, _HOUR)
        both = say("{low} to {high} h", low=low, high=high)
        return _span(low, high, say("about {n} h", n=high), say("up to {high} h", high=high), both)
    low, high = _days(shortest), _days(longest)
    both = say("{low} to {high} days", low=low, high=high)
    return _span(low, high, say("about {n} days", n=high), say("up to {high} days", high=high), both)


def ruled_words(ruled_by: Input) -> Say:
    """Return what makes the range as wide as it is, in words."""
    match ruled_by:
        case Input.FILM:
            return say("the film of air between the sheets, which nobody has measured")
        case Input.HEAT:
            return say("how much heat the sheets hold")
        case Input.CONDUCTION:
            return say("how well the sheets conduct heat")
        case Input.AIR:
            return say("how the air brings heat to the faces")


def told(t_c: float) -> float:
    """Return a temperature in steps of half a kelvin, half a step up."""
    return floor(2 * t_c + 0.5) / 2


def told_range(by_set: Sequence[float]) -> Range:
    """Return the range of a temperature by the fast, the central and the slow constants, in half kelvins."""
    return Range(told(min(by_set)), told(by_set[1]), told(max(by_set)))


def when(fast: int | None, central: int | None, slow: int | None) -> When:
    """Return an instant by the three sets of constants; a room that changes may let any of them come last."""
    earliest, latest = last_first((fast, central, slow))
    return When(_instant(earliest), _instant(central), _instant(latest))


def _state(outcomes: Iterable[Outcome], present: int) -> Warmth:
    warm = [one.warm_at is not None and one.warm_at <= present for one in outcomes]
    return Warmth.WARM if all(warm) else Warmth.PERHAPS if any(warm) else Warmth.COLD


def _turns(
    stack: Stack, at: Sequence[int], outcomes: Sequence[Outcome], present: int
) -> Iterable[int | None]:
    """Yield when something told differs: by the clock, or as what is given already becomes a fact."""
    for one in outcomes:
        yield one.warm_at
    yield _told_otherwise([(one.course, one.course.core) for one in outcomes], present)
    yield _told_otherwise([(one.course, one.course.face) for one in outcomes], present)
    yield from at[bisect_right(at, present) :][:1]
    yield from (seconds(fact.from_at) for fact in stack.phases)
    yield from (seconds(fact.at) for fact in stack.probes)


def _told_otherwise(by_set: Sequence[tuple[Course, Sequence[float]]], present: int) -> int | None:
    """Return the first second after the present at which a range is told otherwise; None: not in sight.

    A set that is neither the central one nor an end of the range may move without its being seen.
    """

    def told_at(second: int) -> Range:
        return told_range([course.t_c(place, second) for course, place in by_set])

    def moves_after(second: int) -> Iterator[int]:
        for course, place in by_set:
            middle = told(course.t_c(place, second))
            at = course.first_outside(place, middle - 0.25, middle + 0.25, after=second)
            if at is not None:
                yield at

    now, at = told_at(present), present
    while (following := min(moves_after(at), default=None)) is not None:
        if told_at(following) != now:
            return following
        at = following
    return None


def _probe(stack: Stack, *, now: datetime) -> Temperature | None:
    probes = [one for one in stack.probes if stack.start.at <= one.at <= now]
    return max(probes, key=lambda one: one.at, default=None)


def _ruled_by(way: Way, phase: Phase, tolerance_k: float) -> Input:
    """Return the constant that alone, the others central, spreads the time the most.

    It is asked of the stack as it lies now, from its start on in the room as it is now: which constant rules
    depends on how thick the stack is and how it lies, and hardly on how warm.
    """
    excess_k = max(abs(way.start_c - way.track.t_c[-1]), 2 * tolerance_k)

    def spread(slow: Constants, fast: Constants) -> float:
        times = [
            series_time(
                slab_of(constants, sheets=way.sheets, thickness_nm=way.thickness_nm, phase=phase),
                excess_k,
                tolerance_k,
            )
            or LOOKS_AHEAD
            for constants in (slow, fast)
        ]
        return times[0] / times[1]

    spreads = {
        Input.FILM: spread(replace(CENTRAL, film=SLOW.film), replace(CENTRAL, film=FAST.film)),
        Input.HEAT: spread(replace(CENTRAL, heat=SLOW.heat), replace(CENTRAL, heat=FAST.heat)),
        Input.CONDUCTION: spread(
            replace(CENTRAL, conduction=SLOW.conduction), replace(CENTRAL, conduction=FAST.conduction)
        ),
        Input.AIR: spread(
            replace(CENTRAL, face=SLOW.face, wrapped=SLOW.wrapped, lot=SLOW.lot),
            replace(CENTRAL, face=FAST.face, wrapped=FAST.wrapped, lot=FAST.lot),
        ),
    }
    return max(spreads, key=lambda one: spreads[one])


def _earliest_after(present: int, turns: Iterable[int | None]) -> datetime | None:
    return _instant(min((at for at in turns if at is not None and at > present), default=None))


def _instant(at: int | None) -> datetime | None:
    return None if at is None else instant(at)


def _nearest(length: timedelta, unit: timedelta) -> int:
    return floor(length / unit + 0.5)


def _days(length: timedelta) -> int:
    days = _nearest(length, _DAY)
    return days if days < _COARSE_DAYS else _nearest(length, _COARSE_STEP * _DAY) * _COARSE_STEP


def _span(low: int, high: int, alike: Say, up_to: Say, both: Say) -> Say:
    if low == high:
        return alike
    return up_to if low == 0 else both
