"""Whether a cold stack sweats in the air of its room, and from when on it may be opened and lifted apart dry.

The air's last temperature and humidity are held.  A dry top face says nothing of the sheets below, which
sweat as they are lifted off, so both are told.  Whatever is uncertain errs on the wet side.

Source: trade-facts, section 1.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from materials.core.stack import Range, Warming, When

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
        dry_at: when it is the margin above the dew point, at the latest by the slow constants; the present
            where it is already; None: not within the time looked ahead, or never in this air.
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
        good_until: the first later instant at which any of this differs if no fact comes; None: never.
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

    Raises:
        ValueError: air that has no dew point here: outside -20 to 60 °C, or not above 0 and at most 100 %.
    """
    raise NotImplementedError


def dew_point_error(t_c: float, rh_pct: float, *, t_error_k: float = 0.5, rh_error_pct: float = 3.0) -> float:
    """Return how far a dew point may be off, in kelvin, if temperature and humidity are read that well."""
    raise NotImplementedError


def lowest_sweating_humidity(surface_c: float, t_c: float) -> float:
    """Return the relative humidity from which on a surface sweats in air of `t_c`, in percent."""
    raise NotImplementedError
