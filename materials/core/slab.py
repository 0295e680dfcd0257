"""Heat in a slab that exchanges it with a room: exact in time while the room moves along straight lines.

The slab reaches from an insulated face, or from its middle if both faces are in the air, to the face in the
air.  What is marched on is its excess over the room,

    T(x, t) - T_room(t) = Σ Cₙ · bₙ(t) · cos(ζₙ·x/L),    ζₙ·tan ζₙ = Bi,    bₙ' = -ζₙ²·α/L²·bₙ - T_room',

so that a uniform slab has all bₙ equal to its excess, and on a straight piece of the room each bₙ is known in
closed form.  The modes beyond the last one kept act together as one more, which has all their weight and, at
the face, their steady lag behind a room that warms: nothing is lost at a jump, and little right after it.

Source: Incropera and DeWitt, chapter 5; Carslaw and Jaeger (both from memory; trade-facts 4.1 to 4.3).
Instants are seconds, temperatures °C, lengths metres.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import pairwise
from operator import mul

#: Kelvins that are arithmetic, not heat.
HAIR_K = 1e-9
#: Where the profile is looked at: closer together towards the face, where it bends.
_GRID = 96
#: A search moves on by at least this share of the tolerance, which no point can cross in one move.
_LEAST_MOVE = 0.05
#: How often the move in which a crossing lies is halved to find it.
_HALVINGS = 24

Parts = Sequence[float]


@dataclass(frozen=True, slots=True)
class Slab:
    """A slab of one material.

    Args:
        depth_m: from the insulated face, or the middle, to the face in the air.
        conductivity: through it, W/(m·K).
        heat_capacity: ρ·c, J/(m³·K).
        transfer: between face and room, W/(m²·K).
    """

    depth_m: float
    conductivity: float
    heat_capacity: float
    transfer: float

    @property
    def biot(self) -> float:
        """Bi = h·L/k."""
        return self.transfer * self.depth_m / self.conductivity

    @property
    def diffusivity(self) -> float:
        """α = k/(ρ·c), m²/s."""
        return self.conductivity / self.heat_capacity

    @property
    def unit_s(self) -> float:
        """L²/α, the seconds in which Fo grows by one."""
        return self.depth_m**2 / self.diffusivity


@dataclass(frozen=True, slots=True)
class Modes:
    """The modes of a slab, the last of them all that are left out.

    Args:
        rates: ζₙ²·α/L², 1/s.
        core, face: what each adds to the excess at the insulated face (or the middle), and in the air.
    """

    rates: tuple[float, ...]
    core: tuple[float, ...]
    face: tuple[float, ...]


def root(biot: float, n: int) -> float:
    """Return ζₙ, n from 0: the root of ζ·tan ζ = Bi in (nπ, nπ + π/2).

    Newton on (nπ + δ)·sin δ - Bi·cos δ, which rises with δ, kept in a bracket.
    """
    low, high = 0.0, math.pi / 2
    at = n * math.pi
    delta = min(math.sqrt(biot), 1.4) if n == 0 else math.atan(biot / at)
    for _ in range(100):
        sine, cosine, zeta = math.sin(delta), math.cos(delta), at + delta
        value = zeta * sine - biot * cosine
        low, high = (low, delta) if value > 0 else (delta, high)
        following = delta - value / ((1 + biot) * sine + zeta * cosine)
        if not low < following < high:
            following = (low + high) / 2
        if abs(following - delta) <= 1e-15 * following:
            break
        delta = following
    return at + delta


def coefficient(zeta: float) -> float:
    """Return Cₙ = 4·sin ζₙ / (2·ζₙ + sin 2ζₙ)."""
    return 4 * math.sin(zeta) / (2 * zeta + math.sin(2 * zeta))


@lru_cache(maxsize=128)
def roots(biot: float, count: int) -> tuple[float, ...]:
    """Return the first `count` roots."""
    return tuple(root(biot, n) for n in range(count))


@lru_cache(maxsize=128)
def modes_of(slab: Slab, count: int) -> Modes:
    """Return the first `count` modes of a slab, and the one for all others."""
    zetas = roots(slab.biot, count + 1)
    unit_s = slab.unit_s
    return Modes(
        rates=(*(zeta**2 / unit_s for zeta in zetas[:-1]), _rest_rate(slab.biot, zetas[-1]) / unit_s),
        core=_weights(_shapes(slab, count), 0.0),
        face=_weights(_shapes(slab, count), 1.0),
    )


def _shapes(slab: Slab, count: int) -> list[tuple[float, float]]:
    """Return ζₙ and Cₙ of the first modes."""
    return [(zeta, coefficient(zeta)) for zeta in roots(slab.biot, count)]


@lru_cache(maxsize=24)
def _profile(slab: Slab, count: int) -> tuple[tuple[float, ...], ...]:
    """Return the weights at the places of the grid, from inside out."""
    shapes = _shapes(slab, count)
    return tuple(_weights(shapes, x) for x in _places())


def _places() -> list[float]:
    return [1 - (1 - i / _GRID) ** 2 for i in range(_GRID + 1)]


def _weights(shapes: Iterable[tuple[float, float]], x: float) -> tuple[float, ...]:
    kept = [c * math.cos(zeta * x) for zeta, c in shapes]
    return (*kept, 1 - sum(kept))


def _rest_rate(biot: float, zeta: float) -> float:
    """Return the rate, in units of α/L², at which the modes from ζ on act together at the face.

    Their weight there is Σ 2·Bi/(ζ² + Bi² + Bi), their steady lag the same over ζ²; both sums as integrals.
    """
    b, y = math.sqrt(biot * biot + biot), zeta - math.pi / 2
    z = b / y
    if z < 1e-3:
        return 3 * y * y
    turn = math.atan(z)
    return b * y * turn / (1 - turn / z)


def excess(weights: Sequence[float], parts: Parts) -> float:
    """Return the excess over the room at a place."""
    total: float = sum(map(mul, weights, parts))
    return total


def moved(rates: Sequence[float], parts: Parts, seconds: float, slope: float) -> list[float]:
    """Return the parts after a straight piece of the room, whose temperature changes by `slope` K/s."""
    if slope == 0:
        return [part * math.exp(-rate * seconds) for rate, part in zip(rates, parts, strict=True)]
    return [
        part * math.exp(-rate * seconds) + slope * math.expm1(-rate * seconds) / rate
        for rate, part in zip(rates, parts, strict=True)
    ]


@dataclass(slots=True)
class March:
    """A slab on its way: its parts, the modes they belong to, and the place found too far from the room last."""

    slab: Slab
    count: int
    parts: list[float]
    modes: Modes = field(init=False)
    far: Sequence[float] = field(init=False)

    def __post_init__(self) -> None:
        self._belong_to(self.count)

    @classmethod
    def uniform(cls, slab: Slab, count: int, excess_k: float) -> March:
        """Return a slab that is as far from the room everywhere."""
        return cls(slab, count, [excess_k] * (count + 1))

    @classmethod
    def shaped(cls, slab: Slab, count: int, values: Sequence[float]) -> March:
        """Return a slab whose excess at the places of `profile` is given, straight lines between.

        bₙ = ∫u·cos(ζₙ·x)dx / ∫cos(ζₙ·x)dx; far up they all come to u(1) + u'(1)/Bi, which the last one takes.
        """
        places = _places()
        parts = [_share(zeta, places, values) for zeta in roots(slab.biot, count)]
        slope = (values[-1] - values[-2]) / (places[-1] - places[-2])
        return cls(slab, count, [*parts, values[-1] + slope / slab.biot])

    @property
    def core_k(self) -> float:
        """The excess at the insulated face, or in the middle."""
        return excess(self.modes.core, self.parts)

    @property
    def face_k(self) -> float:
        """The excess at the face in the air."""
        return excess(self.modes.face, self.parts)

    def profile(self) -> list[float]:
        """Return the excess at places from inside out, closer together towards the face."""
        return [excess(weights, self.parts) for weights in _profile(self.slab, self.count)]

    def move(self, seconds: float, slope: float) -> None:
        """Go on along a straight piece of the room."""
        self.parts = moved(self.modes.rates, self.parts, seconds, slope)

    def keep(self, count: int) -> None:
        """Keep fewer modes; those given up must have died away."""
        weights = self.modes.face
        given_up = excess(weights[count:], self.parts[count:])
        self._belong_to(count)
        self.parts = [*self.parts[:count], given_up / self.modes.face[-1]]

    def is_within(self, tolerance_k: float) -> bool:
        """Return whether no point is further from the room than this."""
        return self._too_far(self.parts, tolerance_k) is None

    def first_within(self, tolerance_k: float, seconds: float, slope: float) -> float | None:
        """Return after how many seconds of a straight piece no point is further from the room; None: not in it.

        Some point that is too far away, by `over`, needs at least `over` ÷ (the most it can move in a second)
        until it is not, and on a straight piece what it can move only falls.  So no instant is left out.
        """
        rates, parts, gone, step = self.modes.rates, self.parts, 0.0, 0.0
        while (over := self._too_far(parts, tolerance_k)) is not None:
            speed = sum(
                abs(weight * (rate * part + slope))
                for weight, rate, part in zip(self.far, rates, parts, strict=True)
            )
            if gone >= seconds or over > speed * (seconds - gone):
                return None
            step = min(max(over, _LEAST_MOVE * tolerance_k) / speed, seconds - gone)
            gone = min(gone + step, seconds)
            parts = moved(rates, self.parts, gone, slope)
        return self._first_between(tolerance_k, gone - step, gone, slope) if gone else 0.0

    def _first_between(self, tolerance_k: float, low: float, high: float, slope: float) -> float:
        """Return when in (low, high] all is within the tolerance for the first time; at `high` it is.

        The place that is too far at `low` is followed until it is not; then another may still be.
        """
        rates, end = self.modes.rates, high
        while True:
            far = self.far
            high = end
            for _ in range(_HALVINGS):
                middle = (low + high) / 2
                if abs(excess(far, moved(rates, self.parts, middle, slope))) - tolerance_k > HAIR_K:
                    low = middle
                else:
                    high = middle
            if high == end or self._too_far(moved(rates, self.parts, high, slope), tolerance_k) is None:
                return high
            low = high

    def core_stays_off(self, distance_k: float, *, swing_k: float, steepest: float) -> float:
        """Return for how many seconds the core surely does not move by a distance, whatever the room does.

        The core's own rate is at most Σ |C|·λ·|b|, where a room that stays within `swing_k` and changes by at
        most `steepest` K/s can add to |b| no more than the swing, nor more than `steepest`/λ.
        """
        rate = sum(
            abs(weight) * (rate * abs(part) + min(rate * swing_k, steepest))
            for weight, rate, part in zip(self.modes.core, self.modes.rates, self.parts, strict=True)
        )
        return distance_k / rate if rate else math.inf

    def _belong_to(self, count: int) -> None:
        self.count, self.modes = count, modes_of(self.slab, count)
        self.far = self.modes.core

    def _too_far(self, parts: Parts, tolerance_k: float) -> float | None:
        """Return by how much a place is too far from the room, and keep it in `far`; None: there is none.

        The place that was too far the last time is asked first, then core and face: mostly one of them is.
        """
        for weights in self._places_asked():
            over = abs(excess(weights, parts)) - tolerance_k
            if over > HAIR_K:
                self.far = weights
                return over
        return None

    def _places_asked(self) -> Iterator[Sequence[float]]:
        yield self.far
        yield self.modes.core
        yield self.modes.face
        yield from _profile(self.slab, self.count)


def _share(zeta: float, places: Sequence[float], values: Sequence[float]) -> float:
    """Return ∫u·cos(ζx)dx / ∫cos(ζx)dx over [0, 1] for u in straight lines; by parts, exact on each."""
    cosines = [math.cos(zeta * x) for x in places]
    total = values[-1] * math.sin(zeta) / zeta
    for i, (x, following) in enumerate(pairwise(places)):
        slope = (values[i + 1] - values[i]) / (following - x)
        total += slope * (cosines[i + 1] - cosines[i]) / zeta**2
    return total / (math.sin(zeta) / zeta)
