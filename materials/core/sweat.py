"""Whether a cold stack sweats in the air of its room, and from when on it may be opened and lifted apart dry.

The air's last temperature and humidity are held.  A dry top face says nothing of the sheets below, which
sweat as they are lifted off, so both are told.  Whatever is uncertain errs on the wet side.

Source: trade-facts, section 1.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from jobs.core.conditions import dew_point, dew_point_error, lowest_sweating_humidity
from materials.core.air import instant, seconds
from materials.core.stack import Range, Warming, When, told_range, when
from materials.core.stack_model import Course, last_first

#: So much above the dew point a surface surely stays dry: ISO 8502-4 and coating practice, from memory.
MARGIN_K = 3.0


class Wetness(StrEnum):
    """Whether a surface sweats: at or below the dew point, up to the margin above it, beyond."""

    SWEATS = "sweats"
    MAY_SWEAT = "may_sweat"
    DRY = "dry"


@dataclass(frozen=True, slots=True)
class Surface:
    """A surface of the stack in the air of its room.

    Args:
        t_c: in steps of half a kelvin.
        state: by the coldest of the range.
        dry_at: when it is the margin above the dew point, the latest by the slow constants; not after the
            present where it is so already, as far back as the last fact; None: not within the time looked
            ahead, or never in this air.
    """

    state: Wetness
    t_c: Range
    dry_at: When


@dataclass(frozen=True, slots=True)
class Sweat:
    """What the air does to a stack, at `as_of`.

    Args:
        dew_c: the dew point; `dew_error_k`: what a meter's ±0.5 K and ±3 % make of it.
        lowest_rh_pct: from this humidity on the coldest surface sweats now; above 100 it never does.
        top: the top face: from `dry_at` on the wrap may come off.
        inside: the coldest sheet inside: from `dry_at` on sheets may be lifted apart dry.
        is_air_too_damp: the air itself is less than the margin above its dew point: warming dries nothing.
        good_until: until then nothing of this differs if no fact comes; None: never.
    """

    as_of: datetime
    margin_k: float
    dew_c: float
    dew_error_k: float
    lowest_rh_pct: float
    top: Surface
    inside: Surface
    is_air_too_damp: bool
    good_until: datetime | None

    @property
    def state(self) -> Wetness:
        """Whether the coldest surface sweats."""
        return self.inside.state


def sweat(warming: Warming, *, t_c: float, rh_pct: float, margin_k: float = MARGIN_K) -> Sweat:
    """Return what the room's air does to a stack at the present of `warming`.

    Args:
        t_c, rh_pct: of the room's air as last read; they are held.
        margin_k: so much above the dew point a surface is surely dry, not negative.

    Raises:
        ValueError: air that has no dew point here: outside -20 to 60 °C, or not above 0 and at most 100 %.
    """
    if margin_k < 0:
        raise ValueError("a margin is not negative")
    dew_c = dew_point(t_c, rh_pct)
    level = _Level(dew_c, dew_c + margin_k, seconds(warming.as_of))
    top = [_Face(course, (course.face,)) for course in warming.courses]
    # What is coldest in a stack that warms is its middle, in one that cools its face.
    inside = [_Face(course, (course.core, course.face)) for course in warming.courses]
    turns = [turn for face in (*top, *inside) for turn in face.turns(level)]
    return Sweat(
        as_of=warming.as_of,
        margin_k=margin_k,
        dew_c=dew_c,
        dew_error_k=dew_point_error(t_c, rh_pct),
        lowest_rh_pct=lowest_sweating_humidity(_told(inside, level).low, t_c),
        top=_surface(top, level),
        inside=_surface(inside, level),
        is_air_too_damp=t_c < level.dry_c,
        good_until=min([*turns, *filter(None, [warming.good_until])], default=None),
    )


@dataclass(frozen=True, slots=True)
class _Level:
    """The dew point, what is surely dry, and the present in epoch seconds."""

    dew_c: float
    dry_c: float
    now: int

    def state(self, t_c: float) -> Wetness:
        if t_c <= self.dew_c:
            return Wetness.SWEATS
        return Wetness.MAY_SWEAT if t_c < self.dry_c else Wetness.DRY


@dataclass(frozen=True, slots=True)
class _Face:
    """Places of a stack by one set of constants, of which the coldest counts."""

    course: Course
    places: tuple[Sequence[float], ...]

    def t_c(self, at: int) -> float:
        return min(self.course.t_c(place, at) for place in self.places)

    def dry_at(self, level: _Level) -> int | None:
        """Return since when it is dry, as far back as its last fact, or when it will be."""
        after = self.course.from_at if self.t_c(level.now) >= level.dry_c else level.now
        found = [
            self.course.first_outside(place, -math.inf, level.dry_c, after=after) for place in self.places
        ]
        return last_first(found)[1]

    def turns(self, level: _Level) -> Iterator[datetime]:
        """Yield when any of its places comes to sweat, may sweat or is dry, after the present."""
        limits = (-math.inf, level.dew_c, level.dry_c, math.inf)
        for place in self.places:
            here = bisect_right(limits, self.course.t_c(place, level.now))
            at = self.course.first_outside(place, limits[here - 1], limits[here], after=level.now)
            if at is not None:
                yield instant(at)


def _surface(by_set: Sequence[_Face], level: _Level) -> Surface:
    return Surface(
        state=level.state(min(face.t_c(level.now) for face in by_set)),
        t_c=_told(by_set, level),
        dry_at=when(*(face.dry_at(level) for face in by_set)),
    )


def _told(by_set: Sequence[_Face], level: _Level) -> Range:
    return told_range([face.t_c(level.now) for face in by_set])
