"""When no point of a stack is further from its room than a tolerance: the worked cases, kind `warmup`.

The contract's defaults serve cases only; what the product tells is in `stack`, as a range.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from materials.core.slab import HAIR_K, March, Slab

HOUR_S = 3600.0

#: Modes kept; a slab so early that it would need more is made shallower, see `_seen_slab`.
_COUNT = 60
#: Heat that set out at the face has not come further than so many times √(α·t): erfc(4) is 1.5e-8.
_REACH = 8.0
#: A stretch of time that is worked out with one slab ends at so many times its beginning.
_STRETCH = 4.0
#: From here on stretches begin: sooner, nothing can be told apart.
_SOONEST_S = 0.5
#: A sheet thinner than this follows the room at once, and its square would be no number.
_THINNEST_M = 1e-12


class Arrangement(StrEnum):
    """How sheets stand."""

    STACKED = "stacked"
    APART = "apart"


@dataclass(frozen=True, slots=True)
class Material:
    """Conductivity W/(m·K), density kg/m³, specific heat J/(kg·K) of a sheet.

    The defaults are glass-fibre polyester laminate; from memory, the middle of wide ranges.
    """

    k: float = 0.25
    rho: float = 1600.0
    c: float = 1200.0


@dataclass(frozen=True, slots=True)
class Knot:
    """The room at an instant, in seconds from the start; between knots it goes in straight lines."""

    at_s: float
    t_c: float


@dataclass(frozen=True, slots=True)
class WarmUp:
    """Sheets that are all as warm as `start_c`, and the room they stand in from then on.

    Args:
        insulated_side: no heat goes through the lower face; of a stack only.
        room: from 0 s on; the last temperature stays.
        contact_r: between neighbouring sheets of a stack, m²·K/W.
        h: at a face, W/(m²·K); the default is ISO 6946's 0.13 m²·K/W, from memory.
        wrap_r: added to it at each face by a wrap, m²·K/W; an estimate, no source.
    """

    sheets: int
    thickness_m: float
    arrangement: Arrangement
    start_c: float
    room: tuple[Knot, ...]
    tolerance_k: float
    insulated_side: bool = False
    wrapped: bool = False
    material: Material = Material()
    contact_r: float = 0.0
    h: float = 7.7
    wrap_r: float = 0.06

    def slab(self) -> Slab:
        """Return the slab: H, or half of it if both faces exchange; k' = d/(d/k + contact_r·(n-1)/n)."""
        n = self.sheets if self.arrangement is Arrangement.STACKED else 1
        d = max(self.thickness_m, _THINNEST_M)
        return Slab(
            depth_m=n * d if self.insulated_side else n * d / 2,
            conductivity=d / (d / self.material.k + self.contact_r * (n - 1) / n),
            heat_capacity=self.material.rho * self.material.c,
            transfer=1 / (1 / self.h + (self.wrap_r if self.wrapped else 0)),
        )


def hours(case: WarmUp, *, limit_h: float) -> float | None:
    """Return the first time at which no point is further than the tolerance from the room of that moment.

    In hours; 0: so at the start.  None: not within `limit_h`.
    """
    if abs(case.start_c - case.room[0].t_c) <= case.tolerance_k + HAIR_K:
        return 0.0
    slab = case.slab()
    limit_s = limit_h * HOUR_S
    for begin_s, end_s in _stretches(slab, limit_s):
        found = _first_in(case, _seen_slab(slab, end_s), begin_s, end_s)
        if found is not None:
            return found / HOUR_S
    return None


def core_temperatures(case: WarmUp, ask_s: Sequence[int]) -> list[float]:
    """Return the temperature in the middle, or at the insulated face, at each of these seconds, in °C."""
    slab = case.slab()
    found: dict[int, float] = {}
    march = March.uniform(slab, _COUNT, case.start_c - case.room[0].t_c)
    done = 0.0
    for asked in sorted(set(ask_s)):
        if _seen_slab(slab, asked) != slab:
            found[asked] = case.start_c
            continue
        for piece in _pieces(case.room, done, asked):
            march.move(piece.seconds, piece.slope)
        done = asked
        found[asked] = _room_at(case.room, asked) + march.core_k
    return [found[asked] for asked in ask_s]


@dataclass(frozen=True, slots=True)
class _Piece:
    """A straight piece of the room."""

    begin_s: float
    seconds: float
    slope: float


def _seen_slab(slab: Slab, until_s: float) -> Slab:
    """Return the slab as deep as heat can have come until then: further in it is as it was at the start."""
    reach_m = max(_REACH * math.sqrt(slab.diffusivity * until_s), _THINNEST_M)
    return slab if reach_m >= slab.depth_m else replace(slab, depth_m=reach_m)


def _stretches(slab: Slab, limit_s: float) -> Iterator[tuple[float, float]]:
    """Yield the stretches that tile [0, limit_s]; from the last one's beginning on heat reaches the core."""
    reached_s = slab.unit_s / _REACH**2
    ends = [limit_s]
    end_s = min(reached_s, limit_s / _STRETCH)
    while end_s > _SOONEST_S:
        ends.append(end_s)
        end_s /= _STRETCH
    begin_s = 0.0
    for end in reversed(ends):
        yield begin_s, end
        begin_s = end


def _first_in(case: WarmUp, slab: Slab, begin_s: float, end_s: float) -> float | None:
    march = March.uniform(slab, _COUNT, case.start_c - case.room[0].t_c)
    for piece in _pieces(case.room, 0.0, begin_s):
        march.move(piece.seconds, piece.slope)
    for piece in _pieces(case.room, begin_s, end_s):
        after = march.first_within(case.tolerance_k, piece.seconds, piece.slope)
        if after is not None:
            return piece.begin_s + after
        march.move(piece.seconds, piece.slope)
    return None


def _pieces(room: Sequence[Knot], begin_s: float, end_s: float) -> Iterator[_Piece]:
    """Yield the straight pieces of the room that tile [begin_s, end_s]."""
    for knot, following in _neighbours(room):
        low, high = max(knot.at_s, begin_s), min(following.at_s, end_s)
        if low < high:
            change = following.t_c - knot.t_c
            yield _Piece(low, high - low, change / (following.at_s - knot.at_s) if change else 0.0)


def _neighbours(room: Sequence[Knot]) -> Iterable[tuple[Knot, Knot]]:
    last = room[-1]
    return zip(room, [*room[1:], Knot(math.inf, last.t_c)], strict=True)


def _room_at(room: Sequence[Knot], at_s: float) -> float:
    for knot, following in _neighbours(room):
        if at_s < following.at_s:
            if math.isinf(following.at_s):
                return knot.t_c
            share = (at_s - knot.at_s) / (following.at_s - knot.at_s)
            return knot.t_c + share * (following.t_c - knot.t_c)
    return room[-1].t_c
