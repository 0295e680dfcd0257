"""After the setting: the air that is watched until the adhesive has cured, and what must wait until then.

The label of the adhesive gives the hours and the setting band.  Nothing here holds or proves anything: the
sheets are on the wall.  What was out of band is told, with its span and its extremes.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from materials.core.air import SECOND, Air, Columns, Kind, RestRule, Seen, air_of, instant, seconds
from materials.core.evidence import Memory
from materials.core.spans import FOREVER


@dataclass(frozen=True, slots=True)
class CureRule:
    """What the labels ask of a wall after its sheets were set.

    Args:
        air: the setting band, and how far apart two readings may be that speak for the time between them
            (`max_gap`); `required` is the cure.
        no_washing: not washed down before so long after the last sheet; None: the labels say nothing.
        no_cooling: a cold store not cooled before; None: the labels say nothing.
    """

    air: RestRule
    no_washing: timedelta | None = None
    no_cooling: timedelta | None = None


class CureState(StrEnum):
    """Where the cure is."""

    CURING = "curing"
    CURED = "cured"


@dataclass(frozen=True, slots=True)
class Spell:
    """A stretch of the cure in which the air was out of band, or nobody read it.

    Args:
        to_at: None: it goes on.
        seen: the extremes of its readings; None: there was none.
    """

    from_at: datetime
    to_at: datetime | None
    seen: Seen | None


@dataclass(frozen=True, slots=True)
class Cure:
    """The cure of a room's walls at `as_of`.

    Args:
        from_at: when the first sheet was set.
        last_set_at: when the last one was, as far as is known: the hours count from here.
        until_at: when the air need no longer be held.
        upset: spells out of the setting band, in order.
        unread: spells for which no reading speaks.
        washing_from, cooling_from: the instants before which not; None: the labels say nothing.
        good_until: the first later instant at which any of this differs if no fact comes; None: never.
    """

    as_of: datetime
    state: CureState
    from_at: datetime
    last_set_at: datetime
    until_at: datetime
    upset: tuple[Spell, ...]
    unread: tuple[Spell, ...]
    washing_from: datetime | None
    cooling_from: datetime | None
    good_until: datetime | None

    @property
    def is_upset(self) -> bool:
        """Whether the air is out of band now."""
        return bool(self.upset) and self.upset[-1].to_at is None


def cure_of(
    rule: CureRule,
    columns: Columns,
    memories: Sequence[Memory] = (),
    *,
    from_at: datetime,
    last_set_at: datetime,
    now: datetime,
) -> Cure:
    """Return how the air of a room was while its adhesive cured, or has been so far.

    Args:
        columns, memories: of the room's zone, from `rule.air.max_gap` before `from_at` on.
        last_set_at: not before `from_at`.

    Raises:
        ValueError: the last sheet was set before the first.
    """
    if last_set_at < from_at:
        raise ValueError("the last sheet was set before the first")
    until_at = last_set_at + rule.air.required
    washing_from, cooling_from = (
        None if wait is None else last_set_at + wait for wait in (rule.no_washing, rule.no_cooling)
    )
    air = air_of(rule.air, columns, memories, now=now)
    turn = air.steps.next_after(seconds(now))
    turns = [] if turn is None or now >= until_at else [turn[0]]
    facts = [] if air.next_fact_at == FOREVER else [air.next_fact_at]
    ends = [until_at, washing_from, cooling_from, *map(instant, [*turns, *facts])]
    return Cure(
        as_of=now,
        state=CureState.CURED if now >= until_at else CureState.CURING,
        from_at=from_at,
        last_set_at=last_set_at,
        until_at=until_at,
        upset=tuple(_spells(air, columns, Kind.OUT_OF_BAND, from_at, until_at, now=now)),
        unread=tuple(_spells(air, columns, Kind.GAP, from_at, until_at, now=now)),
        washing_from=washing_from,
        cooling_from=cooling_from,
        good_until=min((at for at in ends if at is not None and at > now), default=None),
    )


def _spells(
    air: Air, columns: Columns, kind: Kind, from_at: datetime, until_at: datetime, *, now: datetime
) -> Iterator[Spell]:
    # The present second is part of it, so that what begins now is told now.
    end = min(now + SECOND, until_at)
    for start, to, kind_of_step in air.steps.within(seconds(from_at), seconds(end)):
        if kind_of_step is kind:
            at, to_at = instant(start), instant(to)
            yield Spell(at, None if now < to_at and now < until_at else to_at, columns.seen(at, to_at))
