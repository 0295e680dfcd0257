"""Air: the band it should be in, the dew point, and how long a reading speaks for it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Band:
    """A range of air, limits included: temperatures in °C, relative humidities in percent."""

    t_min: float
    t_max: float
    rh_min: float
    rh_max: float

    def __post_init__(self) -> None:
        if self.t_min > self.t_max:
            raise ValueError("t_min is above t_max")
        if self.rh_min > self.rh_max:
            raise ValueError("rh_min is above rh_max")

    def admits_temperature(self, t_c: float) -> bool:
        """Return whether the temperature alone is inside."""
        return self.t_min <= t_c <= self.t_max

    def admits(self, t_c: float, rh_pct: float) -> bool:
        """Return whether air of this temperature and humidity is inside."""
        return self.t_min <= t_c <= self.t_max and self.rh_min <= rh_pct <= self.rh_max

    def within(self, other: Band) -> Band | None:
        """Return the band inside both, or None where they do not meet."""
        t_min, t_max = max(self.t_min, other.t_min), min(self.t_max, other.t_max)
        rh_min, rh_max = max(self.rh_min, other.rh_min), min(self.rh_max, other.rh_max)
        if t_min > t_max or rh_min > rh_max:
            return None
        return Band(t_min, t_max, rh_min, rh_max)
