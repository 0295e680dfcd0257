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
    """A logger that has been silent since `since` in a zone, and what hangs on its air, the most urgent first.

    `others` still report there: as long as they do, it costs nothing.
    """

    logger: str
    zone: int
    zone_name: str
    since: datetime
    stakes: tuple[Stake, ...]
    others: tuple[str, ...] = ()

    @property
    def read_by(self) -> datetime | None:
        """The first instant by which somebody must have read the air; None: nothing hangs on one."""
        return None if self.others else self.stakes[0].read_by

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
    watching = [one for one in heard if one.zone in here]
    reporting = [one for one in watching if now < one.silent_at]
    found = []
    for one in watching:
        if now < one.silent_at:
            continue
        mine = sorted((stake for stake in stakes if stake.zone == one.zone), key=_urgency)
        others = tuple(sorted(other.logger for other in reporting if other.zone == one.zone))
        found.append(Silence(one.logger, one.zone, one.zone_name, one.last_at, tuple(mine), others))
    found.sort(key=lambda one: (bool(one.others), _urgency(one), one.since, one.key))
    return tuple(found), min((one.silent_at for one in reporting), default=None)


def _urgency(one: Stake | Silence) -> tuple[bool, float]:
    return one.read_by is None, one.read_by.timestamp() if one.read_by else 0.0
