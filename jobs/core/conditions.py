"""Air: the band it should be in, its dew point, and whether a cold surface sweats in it."""

from __future__ import annotations

import math
from dataclasses import dataclass

# Magnus form over water: e = 6.112 hPa · exp(17.62·t / (243.12 + t)).  WMO-No. 8, Annex 4.B.
_E0_HPA = 6.112
_B = 17.62
_C = 243.12

AIR_C = (-20.0, 60.0)


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


def saturation_hpa(t_c: float) -> float:
    """Return the vapour pressure of saturated air over liquid water, in hPa, also below 0 °C.

    e = 6.112·exp(17.62·t / (243.12 + t)), stated for -45 to 60 °C; within 0.35 % of the IAPWS-95 line.

    Source: WMO-No. 8, Annex 4.B; checked against `fixtures/checks/saturation_vapour_pressure.csv`.
    """
    return _E0_HPA * math.exp(_B * t_c / (_C + t_c))


def dew_point(t_c: float, rh_pct: float) -> float:
    """Return the temperature at which a surface in this air begins to sweat, in °C.

    g = ln(rh/100) + b·t / (c + t);  dew point = c·g / (b - g), the Magnus form solved for it.  It is the
    dew point over liquid water at all temperatures, as humidity sensors are calibrated; below 0 °C a
    surface may frost first, and this is not asked.  Within 0.05 K of the IAPWS-95 line from 5 to 35 °C,
    which is far finer than any hand-held meter: ±0.5 K and ±3 % of its own make ±1 K.

    Args:
        t_c: air temperature in °C, -20 to 60.
        rh_pct: relative humidity over liquid water in percent, above 0 and at most 100.

    Raises:
        ValueError: either is outside its range; air without any water has no dew point.

    Source: WMO-No. 8, Annex 4.B; checked against `fixtures/checks/dew_point.csv`.
    """
    if not AIR_C[0] <= t_c <= AIR_C[1]:
        raise ValueError(f"air of {t_c} °C is outside {AIR_C[0]} to {AIR_C[1]} °C")
    if not 0 < rh_pct <= 100:
        raise ValueError(f"a humidity of {rh_pct} % is not above 0 and at most 100 %")
    if rh_pct == 100:
        return t_c
    g = math.log(rh_pct) - math.log(100) + _B * t_c / (_C + t_c)
    return _C * g / (_B - g)


def dew_point_error(t_c: float, rh_pct: float, *, t_error_k: float = 0.5, rh_error_pct: float = 3.0) -> float:
    """Return how far a dew point may be off, in kelvin, if temperature and humidity are read that well.

    The root of the sum of squares of slope × error, the errors being independent.

    Raises:
        ValueError: air that has no dew point here, as `dew_point`.
    """
    by_t, by_rh = dew_point_slopes(t_c, rh_pct)
    return math.hypot(by_t * t_error_k, by_rh * rh_error_pct)


def dew_point_slopes(t_c: float, rh_pct: float) -> tuple[float, float]:
    """Return how much a dew point moves with the temperature, K/K, and with the humidity, K/%.

    The dew point keeps e(Td) = rh/100·e(T), so its slopes are those of ln e: by T as e'/e(T) is to e'/e(Td),
    and by rh as 1/rh is to e'/e(Td).

    Raises:
        ValueError: air that has no dew point here, as `dew_point`.
    """
    at_dew = _steepness(dew_point(t_c, rh_pct))
    return _steepness(t_c) / at_dew, 1 / rh_pct / at_dew


def lowest_sweating_humidity(surface_c: float, t_c: float) -> float:
    """Return the relative humidity from which on a surface sweats in air of `t_c` °C, in percent.

    100·e(surface)/e(air); above 100 where the surface is the warmer: it never does.
    """
    return 100 * saturation_hpa(surface_c) / saturation_hpa(t_c)


def sweats(surface_c: float, dew_c: float, *, clearance_k: float = 0.0) -> bool:
    """Return whether a surface is less than `clearance_k` above the dew point; exactly as much is enough.

    Differences below a billionth of a kelvin are arithmetic, not air, and are left out.
    """
    return round(surface_c - dew_c, 9) < clearance_k


def _steepness(t_c: float) -> float:
    """Return d ln e/dT of the Magnus form over water, 1/K."""
    return _B * _C / (_C + t_c) ** 2
