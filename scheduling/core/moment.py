"""An instant to judge at, which remembers when its comparisons would turn out otherwise.

A judgement that asks every question of time through one `Moment` stays the same until `turns_at`: up to there
each of those questions has the same answer.  So `lasting` can say how long an answer is good without knowing
how it was found.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import UTC, date, datetime, time, timedelta
from typing import TypeVar
from zoneinfo import ZoneInfo

from jobs.core.forecast import Forecast

T = TypeVar("T")

SECOND = timedelta(seconds=1)
AT_ONCE = Forecast.sliding(timedelta(0))


class Moment:
    """`now`, when the first answer given turns, and where knowledge that was used ends (None: never)."""

    __slots__ = ("known_until", "now", "turns_at")

    def __init__(self, now: datetime) -> None:
        self.now = now
        self.turns_at: datetime | None = None
        self.known_until: datetime | None = None

    def has_come(self, at: datetime | None) -> bool:
        """Return whether `at` is now or earlier; None is not yet."""
        if at is None:
            return False
        if at <= self.now:
            return True
        self._turn(at)
        return False

    def is_before(self, end: datetime | None) -> bool:
        """Return whether now is before `end`; None has no end."""
        if end is None:
            return True
        if end <= self.now:
            return False
        self._turn(end)
        return True

    def expectation(self, at: datetime | None) -> datetime | None:
        """Return `at` unless it is past: an expectation for now still counts, one before is worth nothing."""
        if at is None or at < self.now:
            return None
        self._turn(at + SECOND)
        return at

    def is_day_over(self, day: date, time_zone: ZoneInfo) -> bool:
        """Return whether it is a later day than `day` there.

        Where a clock change leads back over midnight, the turn is a second ahead until it has done so.
        """
        is_over = self.now.astimezone(time_zone).date() > day
        for fold in (0, 1):
            midnight = datetime.combine(day + timedelta(days=1), time(0, fold=fold), time_zone).astimezone(
                UTC
            )
            if midnight > self.now:
                self._turn(self.now + SECOND if is_over else midnight)
        return is_over

    def uses(self, good_until: datetime | None) -> None:
        """Note that something used here is known only before `good_until`; None is known for good."""
        if good_until is not None and (self.known_until is None or good_until < self.known_until):
            self.known_until = good_until

    @property
    def is_blind(self) -> bool:
        """Whether something used here is no longer known."""
        return self.known_until is not None and self.known_until <= self.now

    def in_order(self, forecasts: Iterable[Forecast]) -> list[tuple[datetime, Forecast]]:
        """Return the forecasts by instant, none earlier than now; at one instant the sliding ones come last."""
        fixed: set[datetime] = set()
        sliding: set[datetime] = set()
        for forecast in forecasts:
            (fixed if forecast.after is None else sliding).add(forecast.instant(now=self.now))
        # A fixed one that is past counts as now: it is overtaken by now as well.
        for slid in sliding | {self.now}:
            for at in fixed:
                self._overtake(at, slid)
        pairs = [(max(at, self.now), 0, Forecast.fixed(at) if at >= self.now else AT_ONCE) for at in fixed]
        pairs += [(at, 1, Forecast.sliding(at - self.now)) for at in sliding]
        return [(at, forecast) for at, _, forecast in sorted(pairs, key=lambda pair: pair[:2])]

    def _overtake(self, fixed: datetime, slid: datetime) -> None:
        """Note when an instant that slides with the clock, now at `slid`, reaches `fixed`, or leaves it behind."""
        if fixed >= slid:
            self._turn(self.now + max(fixed - slid, SECOND))

    def _turn(self, at: datetime) -> None:
        if self.turns_at is None or at < self.turns_at:
            self.turns_at = at


def lasting(judge: Callable[[Moment], T], *, now: datetime) -> tuple[T, datetime | None]:
    """Return what `judge` finds now, and the first later instant at which that changes or cannot be known.

    None is never.

    Raises:
        ValueError: something that `judge` uses was known only until now, so that there is no answer.
    """
    moment = Moment(now)
    found = judge(moment)
    if moment.is_blind:
        raise ValueError("what is judged here was known only until an instant that is past")
    while (turn := moment.turns_at) is not None:
        if moment.known_until is not None and moment.known_until <= turn:
            return found, moment.known_until
        moment = Moment(turn)
        if judge(moment) != found or moment.is_blind:
            return found, turn
    return found, moment.known_until
