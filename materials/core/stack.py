"""When the middle of a stack has come to the room: a range, since its constants are known to a factor of two.

A stack is one slab (`slab`) of `sheets` × thickness, its edges left out, which errs late.  Three sets of
constants, fast, central and slow, are each driven by the zone's own readings; after the last one its value is
held.  Everything here is advice, unless a job's rule makes it binding.  Sheets lie flat, never on edge.

Source: trade-facts, section 4.  Nobody has measured a skid for it; a probe in the middle overrules it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from jobs.core.words import Say

#: How near the room the slowest point must come, in kelvin.
TOLERANCE_K = 2.0
#: Sheets in a flat lot.
LOT_OF = 10
#: So long after the last reading is looked ahead; what comes later is None.
LOOKS_AHEAD = timedelta(days=60)


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
        phases: in any order; what lies before the first is told by the first.
        probes: in the middle of the stack, in any order; the last one overrules the model from its instant on.
    """

    sheets: int
    thickness_nm: int
    width_nm: int
    height_nm: int
    start: Temperature
    phases: tuple[Phase, ...]
    probes: tuple[Temperature, ...] = ()


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
    """A figure by the three sets of constants, in order of size but for `central`, which is the central set's."""

    low: float
    central: float
    high: float


@dataclass(frozen=True, slots=True)
class When:
    """An instant by the fast, the central and the slow constants; None: not within `LOOKS_AHEAD`."""

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
        warm_at: when the slowest point comes, or came, within the tolerance of the room.
        ruled_by: the constant that makes the range as wide as it is.
        probe: the temperature measured in the middle that this rests on; None: on the model alone.
        good_until: the first later instant at which state, temperatures or an instant differ if no fact
            comes; None: never.
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


@dataclass(frozen=True, slots=True)
class LotsPlan:
    """What laying a stack out in flat lots takes and saves.

    Args:
        floor_mm2: floor that the lots cover, aisles left out.
        takes: from laying out until the middle of each lot has come to the room.
        saves: how much sooner than left as it lies, by the central constants; None: as it lies it would not
            come within `LOOKS_AHEAD`, or not known.
    """

    lot_of: int
    lots: int
    floor_mm2: int
    takes: Took
    saves: timedelta | None

    @property
    def floor_m2(self) -> float:
        """The floor in m², exactly."""
        return self.floor_mm2 / 1_000_000


def warming(
    stack: Stack, *, at: Sequence[int], t_c: Sequence[float], tolerance_k: float = TOLERANCE_K, now: datetime
) -> Warming | None:
    """Return how far a stack has come to its room; None: nobody has read the room, or it is yet to come.

    Args:
        at, t_c: the standing readings of the zone, parallel, sorted: epoch seconds and °C.  Those later than
            `now` are not read; before the first its value is taken.
    """
    raise NotImplementedError


def laid_out(stack: Stack, warming: Warming, *, lot_of: int = LOT_OF) -> LotsPlan:
    """Return what laying the stack out now would take and save, in the room as it is."""
    raise NotImplementedError


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
    """Return how long sheets, all as warm as `start_c`, take in a room that stays as it is."""
    raise NotImplementedError


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
    """Return the most sheets in one stack whose middle comes to the room within a rest."""
    raise NotImplementedError


def took_words(shortest: timedelta | None, longest: timedelta | None) -> Say:
    """Return a range of lengths as it may be told: `7 to 17 min`, `8 to 33 h`, `3 to 15 days`."""
    raise NotImplementedError


def ruled_words(ruled_by: Input) -> Say:
    """Return what makes the range wide, in words."""
    raise NotImplementedError
