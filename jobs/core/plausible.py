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

    A jump lies too far from the neighbour on each side, above both or below both; a door that is opened steps
    and stays.  The first and the last are compared with two on their one side: the next to come may clear them.

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
    # Nearly all readings lie close to the one before: only where one does not is anything else compared.
    leaps = [index for index in range(1, len(seen)) if any(_side(seen[index], seen[index - 1]))]
    return [
        index
        for index in sorted({*leaps, *(leap - 1 for leap in leaps)})
        if _is_alone(seen[index], _neighbours(seen, index))
    ]


def _neighbours(seen: Sequence[Seen], index: int) -> list[Seen]:
    """Return the reading on each side that is near enough; where one side has none, two of the other."""
    before, after = (
        [
            seen[at]
            for at in beside
            if 0 <= at < len(seen) and abs(seen[at].at_s - seen[index].at_s) <= NEIGHBOUR_S
        ]
        for beside in ((index - 1, index - 2), (index + 1, index + 2))
    )
    return [before[0], after[0]] if before and after else [*before, *after]


def _is_alone(one: Seen, neighbours: Sequence[Seen]) -> bool:
    """Return whether a reading lies too far from all of these, on the same side of them."""
    sides = [_side(one, other) for other in neighbours]
    return any({side[kind] for side in sides} in ({-1}, {1}) for kind in (0, 1))


def _side(one: Seen, other: Seen) -> tuple[int, int]:
    """Return whether `one` lies too far above (1) or below (-1) a neighbour, in temperature and in humidity."""
    apart_s = abs(one[0] - other[0])
    if apart_s > NEIGHBOUR_S:
        return 0, 0
    hours = apart_s / 3_600
    return (
        _beyond(one[1] - other[1], JUMP_K + JUMP_K_AN_HOUR * hours),
        _beyond(one[2] - other[2], JUMP_PCT + JUMP_PCT_AN_HOUR * hours),
    )


def _beyond(difference: float, most: float) -> int:
    if -most <= difference <= most:
        return 0
    return 1 if difference > 0 else -1
