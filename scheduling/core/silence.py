"""Loggers that fell silent where something hangs on what they would have read.

A zone with nothing resting or curing bothers nobody, however long its loggers say nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from jobs.core.words import Say


@dataclass(frozen=True, slots=True)
class Heard:
    """A logger that reports for a zone: the last instant it told of, its clock put right."""

    logger: str
    zone: int
    zone_name: str
    last_at: datetime
    silent_after: timedelta

    @property
    def silent_at(self) -> datetime:
        """When it is silent if it tells of nothing later."""
        return self.last_at + self.silent_after


@dataclass(frozen=True, slots=True)
class Stake:
    """What a silence costs in a zone, in one clause; `read_by` is the last instant that still saves it.

    None: nothing hangs on the next reading, or it is too late for that.
    """

    zone: int
    says: Say
    read_by: datetime | None


@dataclass(frozen=True, slots=True)
class Silence:
    """A logger that has been silent since `since` in a zone, and what that costs, the most urgent first."""

    logger: str
    zone: int
    zone_name: str
    since: datetime
    stakes: tuple[Stake, ...]

    @property
    def read_by(self) -> datetime | None:
        """The first instant by which somebody must have read the air; None: nothing hangs on one."""
        return self.stakes[0].read_by

    @property
    def key(self) -> tuple[str, int]:
        """Which silence it is, as long as it lasts."""
        return self.logger, self.zone


def silences(
    heard: Iterable[Heard], stakes: Sequence[Stake], *, now: datetime
) -> tuple[tuple[Silence, ...], datetime | None]:
    """Return the loggers that are silent where something hangs on it, and the first later instant of a further one.

    None: no further one falls silent.  When a stake ends is for those who gave it to say.
    """
    here = {stake.zone for stake in stakes}
    found, turns = [], []
    for one in heard:
        if one.zone not in here:
            continue
        if now < one.silent_at:
            turns.append(one.silent_at)
            continue
        mine = sorted((stake for stake in stakes if stake.zone == one.zone), key=_urgency)
        found.append(Silence(one.logger, one.zone, one.zone_name, one.last_at, tuple(mine)))
    found.sort(key=lambda one: (_urgency(one.stakes[0]), one.since, one.key))
    return tuple(found), min(turns, default=None)


def _urgency(stake: Stake) -> tuple[bool, float]:
    return stake.read_by is None, stake.read_by.timestamp() if stake.read_by else 0.0
