"""Wood on the back of a panel: the moisture it settles at in an air, and how slowly it gets there.

In a stack only the edges breathe, so hours prove nothing of a backed panel: a pin meter on its back does.
Source: trade-facts, section 2.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from jobs.core.words import Say, say

#: Air that the formula speaks of: °C, and percent of relative humidity.
AIR_C = (0.0, 60.0)
AIR_RH_PCT = (0.0, 98.0)
#: How far it may be from what a board truly settles at, in points of moisture: FPL-GTR-229, abstract.  Glued
#: and pressed boards settle 1 to 3 points below (Wood Handbook ch. 4 and 12, from memory).
ERROR_POINTS = 1.0

#: How fast moisture spreads through a board, m²/s: plywood by the dry cup, strand board by the dry and by the
#: wet cup (vapour resistances of ISO 10456 style, from memory).
SPREADS = (2.5e-11, 9.2e-11, 1.5e-10)

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_SECOND = timedelta(seconds=1)
#: Below this Fo the first terms of the short form are all there is to six digits.
_EARLY = 0.06
_TERMS = 12


@dataclass(frozen=True, slots=True)
class SettledMoisture:
    """The moisture that wood would settle at in the air of a span, percent of dry mass.

    Args:
        mean_pct: by time; `low_pct`, `high_pct`: of the readings that speak for any of it.
        covered: how much of the span readings speak for; gaps are left out.
        outside: readings of the span in air that the formula does not speak of, left out like gaps.
    """

    mean_pct: float
    low_pct: float
    high_pct: float
    covered: timedelta
    outside: int


@dataclass(frozen=True, slots=True)
class Share:
    """Of a change to come, how much has happened, 0 to 1: by the slowest board, a usual one, the quickest."""

    low: float
    usual: float
    high: float


def settled_moisture(t_c: float, rh_pct: float) -> float:
    """Return the equilibrium moisture of wood in an air, percent of dry mass.

    M = 1800/W·[K·h/(1 - K·h) + (K1·K·h + 2·K1·K2·K²·h²)/(1 + K1·K·h + K1·K2·K²·h²)], h = rh/100, with W, K,
    K1 and K2 of the second degree in t.

    Args:
        t_c: 0 to 60 °C.
        rh_pct: 0 to 98 %; wood in saturated air settles at nothing.

    Raises:
        ValueError: air outside these ranges.

    Source: Hailwood and Horrobin 1946 with the constants of Simpson 1998, FPL-RN-0268; checked against
    `fixtures/checks/wood_emc.csv`.  Solid wood; ±1 point.
    """
    if not _is_spoken_of(t_c, rh_pct):
        raise ValueError(f"air of {t_c} °C and {rh_pct} % is outside 0 to 60 °C and 0 to 98 %")
    w = 349 + 1.29 * t_c + 0.0135 * t_c**2
    k = 0.805 + 0.000736 * t_c - 0.00000273 * t_c**2
    k1 = 6.27 - 0.00938 * t_c - 0.000303 * t_c**2
    k2 = 1.91 + 0.0407 * t_c - 0.000293 * t_c**2
    kh = k * rh_pct / 100
    once, twice = k1 * kh, k1 * k2 * kh**2
    return 1800 / w * (kh / (1 - kh) + (once + 2 * twice) / (1 + once + twice))


def settled_moisture_over(
    at: Sequence[int],
    t_c: Sequence[float],
    rh_pct: Sequence[float],
    *,
    from_at: datetime,
    to_at: datetime,
    max_gap: timedelta,
) -> SettledMoisture | None:
    """Return the equilibrium moisture of wood over [`from_at`, `to_at`]; None: no readings speak for any of it.

    Two readings no further apart than `max_gap` speak for the time between them, in a straight line; also one
    before the span with one inside it.

    Args:
        at, t_c, rh_pct: standing readings of one zone, parallel, sorted: epoch seconds, °C, percent.
    """
    begin, end = (from_at - _EPOCH) // _SECOND, (to_at - _EPOCH) // _SECOND
    first, last = max(bisect_right(at, begin) - 1, 0), min(bisect_left(at, end) + 1, len(at))
    settled = [
        settled_moisture(*air) if _is_spoken_of(*air) else None
        for air in zip(t_c[first:last], rh_pct[first:last], strict=True)
    ]
    ats = at[first:last]
    pieces = list(_pieces(ats, settled, begin, end, max_gap // _SECOND))
    covered = sum(length for length, _, _ in pieces)
    if not covered:
        return None
    ends = [one for _, *pair in pieces for one in pair]
    return SettledMoisture(
        mean_pct=sum(length * (one + other) / 2 for length, one, other in pieces) / covered,
        low_pct=min(ends),
        high_pct=max(ends),
        covered=timedelta(seconds=covered),
        outside=sum(one is None and begin <= moment <= end for one, moment in zip(settled, ats, strict=True)),
    )


def uptake(fourier: float) -> float:
    """Return the share of a change that a board has made at Fo = D·t/L², 0 to 1.

    U = 1 - Σ 8/((2n+1)²π²)·exp(-((2n+1)π/2)²·Fo); early, where that takes many terms, U = 2·√(Fo/π).

    Source: Crank, Mathematics of Diffusion, from memory; U = 0.90 at Fo = 0.84809.
    """
    if fourier < _EARLY:
        return 2 * math.sqrt(max(fourier, 0.0) / math.pi)
    odd = range(1, 2 * _TERMS, 2)
    return 1 - sum(8 / (n * math.pi) ** 2 * math.exp(-((n * math.pi / 2) ** 2) * fourier) for n in odd)


def change_after(length: timedelta, *, board_nm: int, is_faced: bool) -> Share:
    """Return how much of a change of moisture a board standing free has made after a time.

    Args:
        board_nm: the wood's thickness in nanometres.
        is_faced: a sheet is glued on one side, so that it breathes on the other only.

    Raises:
        ValueError: a board of no thickness, or a time below zero.
    """
    if board_nm < 1 or length < timedelta(0):
        raise ValueError("a board has a thickness, and a time is not negative")
    way_m = board_nm * 1e-9 * (1 if is_faced else 0.5)
    low, usual, high = (uptake(spread * length.total_seconds() / way_m**2) for spread in SPREADS)
    return Share(low, usual, high)


def hours_words(length: timedelta, *, board_nm: int) -> Say:
    """Return why a rest does not prove the moisture of a backed panel, in words for a person."""
    share = change_after(length, board_nm=board_nm, is_faced=True)
    return say(
        "Hours do not prove the wood: in {rest} a panel standing free makes {low} to {high} % of its change "
        "in moisture, and in a stack hardly any. A pin meter on the back does.",
        rest=length,
        low=round(100 * share.low),
        high=round(100 * share.high),
    )


def _is_spoken_of(t_c: float, rh_pct: float) -> bool:
    return AIR_C[0] <= t_c <= AIR_C[1] and AIR_RH_PCT[0] <= rh_pct <= AIR_RH_PCT[1]


def _pieces(
    at: Sequence[int], settled: Sequence[float | None], begin: int, end: int, max_gap: int
) -> Iterator[tuple[int, float, float]]:
    """Yield the seconds of the span between each two readings that speak for it, and the moisture at their ends."""
    for i in range(len(at) - 1):
        one, other = settled[i], settled[i + 1]
        length = at[i + 1] - at[i]
        low, high = max(at[i], begin), min(at[i + 1], end)
        if one is None or other is None or length > max_gap or low >= high:
            continue
        rise = (other - one) / length
        yield high - low, one + rise * (low - at[i]), one + rise * (high - at[i])
