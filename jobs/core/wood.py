"""Wood on the back of a panel: the moisture it settles at in an air, and how slowly it gets there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

#: Air that the formula speaks of: °C, and percent of relative humidity.
AIR_C = (0.0, 60.0)
AIR_RH_PCT = (0.0, 98.0)
#: How far it may be from what a board truly settles at, in points of moisture.
ERROR_POINTS = 1.0


@dataclass(frozen=True, slots=True)
class SettledMoisture:
    """The moisture that wood would settle at in the air of a span, percent of dry mass.

    Args:
        mean_pct: by time; `low_pct`, `high_pct`: of the readings.
        covered: how much of the span readings speak for; gaps are left out.
        outside: readings of air that the formula does not speak of, left out like gaps.
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

    Raises:
        ValueError: air outside 0 to 60 °C or 0 to 98 %.
    """
    raise NotImplementedError


def settled_moisture_over(
    at: Sequence[int],
    t_c: Sequence[float],
    rh_pct: Sequence[float],
    *,
    from_at: datetime,
    to_at: datetime,
    max_gap: timedelta,
) -> SettledMoisture | None:
    """Return the equilibrium moisture of wood over a span; None: no two readings in it speak for any of it."""
    raise NotImplementedError


def change_after(length: timedelta, *, board_nm: int, is_faced: bool) -> Share:
    """Return how much of a change of moisture a board standing free has made after a time."""
    raise NotImplementedError
