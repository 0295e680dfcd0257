"""When something is expected: a fixed instant, or so long after whatever the present is."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta


@dataclass(frozen=True, slots=True)
class Forecast:
    """Exactly one of `at` (fixed) and `after` (counts from the present).  Unknown is written `None`, not this."""

    at: datetime | None = None
    after: timedelta | None = None

    def __post_init__(self) -> None:
        if (self.at is None) == (self.after is None):
            raise ValueError("a forecast is either fixed or sliding")

    @classmethod
    def fixed(cls, at: datetime) -> Forecast:
        """Return a forecast that does not move with the clock."""
        return cls(at=at)

    @classmethod
    def sliding(cls, after: timedelta) -> Forecast:
        """Return a forecast that stays `after` ahead of the present."""
        return cls(after=after)

    def instant(self, *, now: datetime) -> datetime:
        """Return the instant this forecast means at `now`."""
        if self.at is not None:
            return self.at
        assert self.after is not None
        return now + self.after
