"""Whether a reading looks right beside its neighbours: in range, no jump out and back, no sensor that is stuck.

A judgement is a mark beside the reading, no more: it counts until a person takes it back.  All thresholds are
common practice, no source: wide enough that an opened window and a heater that is switched on pass.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, NamedTuple

Doubt = Literal["range", "jump", "stuck"]

#: What the air of a room can be, limits inside: °C, and percent with what a good sensor is off by (3 %).
AIR_C = (-30.0, 55.0)
AIR_PCT = (2.0, 103.0)

#: How far a reading may lie from a neighbour: so much at once, and so much more for each hour between them.
JUMP_K, JUMP_K_AN_HOUR = 4.0, 12.0
JUMP_PCT, JUMP_PCT_AN_HOUR = 15.0, 40.0
#: A neighbour further off than this says nothing of a reading.
NEIGHBOUR_S = 3_600

#: A sensor that reads the very same pair for so long does not see the air; a longer gap begins anew.
STUCK_S = 12 * 3_600
STUCK_GAP_S = 3_600
#: How far before a reading, and behind it, what was read there has a say in its judgement.
REACH_S = STUCK_S + STUCK_GAP_S


class Seen(NamedTuple):
    """A reading of one logger in one zone: whole seconds since 1970 UTC, °C, percent."""

    at_s: int
    t_c: float
    rh_pct: float


def doubts(seen: Sequence[Seen]) -> dict[int, frozenset[Doubt]]:
    """Return what is doubtful about which of these readings of one logger, by index; the others are not named.

    A jump lies too far from each neighbour that is near enough, on the same side of both.  The first and the
    last reading have one neighbour: the next one to come clears it, or does not.

    Args:
        seen: rising instants, each once.
    """
    found: dict[int, set[Doubt]] = {}
    for index in _outside(seen):
        found.setdefault(index, set()).add("range")
    for index in _stuck(seen):
        found.setdefault(index, set()).add("stuck")
    for index in _jumps(seen):
        found.setdefault(index, set()).add("jump")
    return {index: frozenset(all_of) for index, all_of in found.items()}


def _outside(seen: Sequence[Seen]) -> list[int]:
    (coldest, hottest), (driest, wettest) = AIR_C, AIR_PCT
    return [
        index
        for index, (_at_s, t_c, rh_pct) in enumerate(seen)
        if not (coldest <= t_c <= hottest and driest <= rh_pct <= wettest)
    ]


def _stuck(seen: Sequence[Seen]) -> list[int]:
    """Return the readings at which the very same pair has been read for too long without a long gap."""
    found: list[int] = []
    since = before_s = 0
    before: tuple[float, float] | None = None
    for index, (at_s, t_c, rh_pct) in enumerate(seen):
        if (t_c, rh_pct) != before or at_s - before_s > STUCK_GAP_S:
            since = at_s
        elif at_s - since >= STUCK_S:
            found.append(index)
        before, before_s = (t_c, rh_pct), at_s
    return found


def _jumps(seen: Sequence[Seen]) -> list[int]:
    steps = {index: step for index, step in enumerate(map(_step, seen, seen[1:]), start=1) if step}
    found = []
    for index in sorted({*steps, *(after - 1 for after in steps)}):
        before, after = steps.get(index, _near(seen, index)), steps.get(index + 1, _near(seen, index + 1))
        away = [] if before is None else [before]
        away += [] if after is None else [(-after[0], -after[1])]
        if any(all(step[kind] == away[0][kind] != 0 for step in away) for kind in (0, 1)):
            found.append(index)
    return found


def _near(seen: Sequence[Seen], index: int) -> tuple[int, int] | None:
    """Return that a reading does not jump from the one before it; None: that one is none of its neighbours."""
    if 0 < index < len(seen) and seen[index].at_s - seen[index - 1].at_s <= NEIGHBOUR_S:
        return (0, 0)
    return None


def _step(one: Seen, other: Seen) -> tuple[int, int] | None:
    """Return whether `other` lies too far above (1) or below (-1) `one`: temperature, humidity; None: neither."""
    after_s = other[0] - one[0]
    if after_s > NEIGHBOUR_S:
        return None
    hours = after_s / 3_600
    warmer, wetter = other[1] - one[1], other[2] - one[2]
    most_k, most_pct = JUMP_K + JUMP_K_AN_HOUR * hours, JUMP_PCT + JUMP_PCT_AN_HOUR * hours
    if -most_k <= warmer <= most_k and -most_pct <= wetter <= most_pct:
        return None
    return _sign(warmer, most_k), _sign(wetter, most_pct)


def _sign(difference: float, most: float) -> int:
    return 0 if abs(difference) <= most else 1 if difference > 0 else -1
