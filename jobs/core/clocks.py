"""A logger's clock: from which instant on how much is added to what it says, and what it then means."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from datetime import datetime, timedelta

RIGHT = timedelta(0)


class Clock:
    """What people said of one logger's clock in one zone: it is right until the first of them begins.

    An offset holds for every instant that the logger itself gives from `from_at` on, until another begins; of
    two that begin at one instant, the one said last.
    """

    def __init__(self, said: Iterable[tuple[datetime, timedelta]] = ()) -> None:
        """Take pairs of `from_at`, on the logger's own clock, and what is added; in the order they were said."""
        pairs = dict(said)
        self._from = sorted(pairs)
        self._offsets = [pairs[at] for at in self._from]

    def __bool__(self) -> bool:
        """Whether anything is said of it."""
        return bool(self._from)

    @property
    def farthest(self) -> timedelta:
        """How far from what it says an instant may lie."""
        return max(map(abs, self._offsets), default=RIGHT)

    def offset(self, at: datetime) -> timedelta:
        """Return what is added to an instant that the logger gives."""
        index = bisect_right(self._from, at)
        return self._offsets[index - 1] if index else RIGHT

    def put_right(self, at: datetime) -> datetime:
        """Return the instant that the logger means by `at`."""
        return at + self.offset(at)
