"""Days and hours of the demo: words counted from the instant at which it is loaded, on one site's clock."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from jobs.core.worktime import Calendar, Span, hours_on, instant_at, minute_of

DAY = timedelta(days=1)
#: The cold night of the demo: its first cold minute on the site's clock, and how long it lasts.
NIGHT_FROM = "01:30"
NIGHT_LASTS = timedelta(hours=3, minutes=10)
#: Today is a day to plan for while so much of its shift is ahead: what must be done before tomorrow is due today.
AHEAD_TODAY = timedelta(hours=4)
#: A night counts once the loggers have been read in since.
NIGHT_READ_IN = timedelta(minutes=90)

_AGO = re.compile(r"(?:(?P<h>\d+) h)?\s*(?:(?P<min>\d+) min)? ago")
_CALENDAR = re.compile(r"(?:in (?P<ahead>\d+)|(?P<ago>\d+)) calendar days?(?: ago)?")
_WORKING = re.compile(r"(?:in (?P<ahead>\d+) days?|(?P<ago>\d+) days? ago)")
_AT_TIME = re.compile(r"(?P<day>.+?) (?P<time>\d\d:\d\d)")


class Unreadable(ValueError):
    """Words that name no day and no time."""


@dataclass(frozen=True, slots=True)
class Days:
    """The clock and the working days of a site: those on which its crews' shifts meet its hours."""

    zone: ZoneInfo
    crew: Calendar
    site: Calendar
    now: datetime

    def at(self, words: str) -> datetime:
        """Return an instant: `25 min ago`, `5 h ago`, or a day and a time on the site's clock.

        Raises:
            Unreadable: it is none of these.
        """
        ago = _AGO.fullmatch(words)
        if ago and ago.group(0) != " ago":
            back = timedelta(hours=int(ago["h"] or 0), minutes=int(ago["min"] or 0))
            # People write minutes.
            return (self.now - back).replace(second=0)
        match = _AT_TIME.fullmatch(words)
        if match is None:
            raise Unreadable(words)
        return instant_at(self.on(match["day"]), minute_of(match["time"]), self.zone)

    def on(self, words: str) -> date:
        """Return a day: `3 days ago` and `in 2 days` count working days, `yesterday` and `calendar days` do not.

        `in 0 days` is today while half of its shift is ahead, else the next working day.

        Raises:
            Unreadable: it is none of these.
        """
        if words == "yesterday":
            return self._today - DAY
        if words == "the day before the cold night":
            return self.night()[0].astimezone(self.zone).date() - DAY
        if match := _CALENDAR.fullmatch(words):
            if match["ahead"]:
                return self._today + int(match["ahead"]) * DAY
            return self._today - int(match["ago"]) * DAY
        if match := _WORKING.fullmatch(words):
            return self._ahead(int(match["ahead"])) if match["ahead"] else self._back(int(match["ago"]))
        raise Unreadable(words)

    def night(self) -> Span:
        """Return the last cold night that was over, and read in, when the demo was loaded."""
        start = instant_at(self._today, minute_of(NIGHT_FROM), self.zone)
        if start + NIGHT_LASTS > self.now - NIGHT_READ_IN:
            start = instant_at(self._today - DAY, minute_of(NIGHT_FROM), self.zone)
        return start, start + NIGHT_LASTS

    @property
    def _today(self) -> date:
        return self.now.astimezone(self.zone).date()

    def _works(self, day: date) -> tuple[Span, ...]:
        return hours_on(day, crew=self.crew, site=self.site)

    def _back(self, count: int) -> date:
        day = self._today
        while count > 0:
            day -= DAY
            count -= bool(self._works(day))
        return day

    def _ahead(self, count: int) -> date:
        shift = self._works(self._today)
        day = self._today
        if not shift or shift[-1][1] < self.now + AHEAD_TODAY:
            count += 1
        while count > 0:
            day += DAY
            count -= bool(self._works(day))
        return day
