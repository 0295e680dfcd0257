"""Shifts, days off and access windows: local wall time to instants, working time in elapsed seconds.

Wall time becomes an instant by the rule of RFC 5545, 3.3.5: a time that happens twice is the first one, a
time that does not happen is read with the offset before the change.  A window is a stretch of wall time in
one day, in minutes from midnight; a span is a stretch between two instants in UTC, half-open.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from zoneinfo import ZoneInfo

from jobs.core.units import Unreadable
from jobs.core.words import say

Window = tuple[int, int]
Span = tuple[datetime, datetime]

DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
MINUTES_A_DAY = 24 * 60
ONE_DAY = timedelta(days=1)
#: How far back working time is sought before a limit.
FARTHEST = timedelta(days=800)

_NO_SITE = re.compile(r"Etc/.*|localtime|Factory")


# ---- zones and instants ----


def time_zone(name: str) -> ZoneInfo:
    """Return the time zone of an IANA name, links and `Etc/…` included.

    Raises:
        Unreadable: the zone database has no such name.
    """
    if name not in _zone_names():
        raise Unreadable(say('"{name}" is no time zone. Write one such as Europe/Paris.', name=name))
    return ZoneInfo(name)


def site_zone(name: str) -> ZoneInfo:
    """Return the time zone of a place on earth by its IANA name; old names are kept as they are.

    Raises:
        Unreadable: no such name, or one that is no place: `Etc/…`, `localtime`, `Factory`.
    """
    if _NO_SITE.fullmatch(name):
        raise Unreadable(say('"{name}" is no place. Write one such as Europe/Paris.', name=name))
    return time_zone(name)


@cache
def _zone_names() -> frozenset[str]:
    """Return the names of the zone database that is pinned with the service, not of this machine's."""
    return frozenset(files("tzdata").joinpath("zones").read_text("utf-8").split())


def instant_at(day: date, minute: int, zone: ZoneInfo) -> datetime:
    """Return the instant of a wall time, in minutes from midnight; 1440 is the next day's midnight."""
    days, rest = divmod(minute, MINUTES_A_DAY)
    wall = datetime.combine(day + timedelta(days=days), time(rest // 60, rest % 60), zone)
    # fold=0 is the rule: the first of two, and the offset before a gap (PEP 495).
    return wall.astimezone(UTC)


def days_span(first: date, last: date, zone: ZoneInfo) -> Span:
    """Return the instants from the first day's midnight to the midnight after the last."""
    return instant_at(first, 0, zone), instant_at(last, MINUTES_A_DAY, zone)


# ---- spans ----


def joined(spans: Iterable[Span]) -> tuple[Span, ...]:
    """Return the spans in order, those that touch or overlap as one; empty and reversed ones vanish."""
    result: list[Span] = []
    for start, end in sorted(spans):
        if end <= start:
            continue
        if result and start <= result[-1][1]:
            result[-1] = (result[-1][0], max(end, result[-1][1]))
        else:
            result.append((start, end))
    return tuple(result)


def common(these: Iterable[Span], those: Iterable[Span]) -> tuple[Span, ...]:
    """Return the spans that lie in both."""
    mine, others = joined(these), joined(those)
    return joined((max(a, c), min(b, d)) for a, b in mine for c, d in others)


def without(these: Iterable[Span], off: Iterable[Span]) -> tuple[Span, ...]:
    """Return what is left of the spans outside `off`."""
    left = list(joined(these))
    for start, end in joined(off):
        left = [part for a, b in left for part in ((a, min(b, start)), (max(a, end), b)) if part[0] < part[1]]
    return tuple(left)


def length_of(spans: Iterable[Span]) -> timedelta:
    """Return the time in the spans, what overlaps counted once."""
    return sum((end - start for start, end in joined(spans)), timedelta(0))


# ---- calendars ----


@dataclass(frozen=True, slots=True)
class Calendar:
    """Windows of wall time in a zone: those of the week, and for some dates others in their place.

    `week` holds the seven days from Monday on.  The windows of a day are in order, touch at most, and each
    ends later than it starts.

    Raises:
        ValueError: they do not.
    """

    zone: ZoneInfo
    week: tuple[tuple[Window, ...], ...]
    days: Mapping[date, tuple[Window, ...]] = field(default_factory=lambda: MappingProxyType({}))
    #: Spans of the days asked for so far: a memory of what `on` computes, no part of the value.
    _known: dict[date, tuple[Span, ...]] = field(default_factory=dict, init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        if len(self.week) != len(DAYS):
            raise ValueError(f"a week has seven days, not {len(self.week)}")
        for windows in (*self.week, *self.days.values()):
            if first_fault(windows) is not None:
                raise ValueError(f"windows out of order: {windows}")

    @classmethod
    def of_week(cls, zone: ZoneInfo, week: Mapping[str, Sequence[Sequence[str]]]) -> Calendar:
        """Return the calendar of a week as `parse_week` returns it."""
        return cls(
            zone,
            tuple(
                tuple((minute_of(start), minute_of(end, ends=True)) for start, end in week.get(day, ()))
                for day in DAYS
            ),
        )

    def windows_of(self, day: date) -> tuple[Window, ...]:
        """Return the windows of a date."""
        return self.days.get(day, self.week[day.weekday()])

    def on(self, day: date) -> tuple[Span, ...]:
        """Return the windows of a date as instants, in order and joined."""
        if day not in self._known:
            self._known[day] = joined(
                (instant_at(day, start, self.zone), instant_at(day, end, self.zone))
                for start, end in self.windows_of(day)
            )
        return self._known[day]

    def meeting(self, start: datetime, end: datetime) -> tuple[Span, ...]:
        """Return the joined spans of all dates that meet [start, end], both ends included; not cut to it.

        A span is whole at least from two days before `start` to two days after `end`.
        """
        # The windows of a date may reach into the next, and where a whole day is skipped into the one after.
        first = start.astimezone(self.zone).date() - 2 * ONE_DAY
        last = end.astimezone(self.zone).date() + 2 * ONE_DAY
        dates = (first + timedelta(days=i) for i in range((last - first).days + 1))
        spans = joined(span for day in dates for span in self.on(day))
        return tuple(span for span in spans if span[0] <= end and span[1] >= start)

    def between(self, start: datetime, end: datetime) -> tuple[Span, ...]:
        """Return the working time in [start, end)."""
        return joined((max(a, start), min(b, end)) for a, b in self.meeting(start, end))


def hours_on(day: date, *, crew: Calendar, site: Calendar, off: Iterable[Span] = ()) -> tuple[Span, ...]:
    """Return when a crew works at a site on a date: its shift, cut to the site's access, less its time off.

    `crew` holds the shift hours in the *site's* zone, as they are read there.
    """
    shift = crew.on(day)
    if not shift:
        return ()
    return without(common(shift, site.between(shift[0][0], shift[-1][1])), off)


def latest_work(calendar: Calendar | None, limit: datetime, duration: timedelta) -> Span | None:
    """Return the latest start, and its end, of so much working time before a limit.

    The start is the latest instant with exactly `duration` of working time up to the limit; the end is the
    limit if working time runs up to it, else the end of the last window before.  No duration: a moment, the
    latest instant not after the limit that lies in a window, both ends included.  Without calendar all time
    counts.

    Returns:
        None if the 800 days before the limit do not hold it.
    """
    if calendar is None:
        return limit - duration, limit
    for reach in (timedelta(days=5), timedelta(days=30), timedelta(days=180), FARTHEST):
        found = _latest_within(calendar, limit, duration, reach)
        if found:
            return found
    return None


def _latest_within(calendar: Calendar, limit: datetime, duration: timedelta, reach: timedelta) -> Span | None:
    """Return the answer of `latest_work` if it lies within `reach` before the limit."""
    spans = calendar.meeting(limit - reach, limit)
    if not duration:
        return (min(spans[-1][1], limit),) * 2 if spans else None
    finish = None
    for start, end in reversed(spans):
        start, end = max(start, limit - reach), min(end, limit)
        if start >= end:
            continue
        finish = finish or end
        if end - start >= duration:
            return end - duration, finish
        duration -= end - start
    return None


# ---- windows as people and files write them ----


def minute_of(text: str, *, ends: bool = False) -> int:
    """Return the minute of the day of a time written `06:30`; `24:00` only where a window ends.

    Raises:
        Unreadable: it is no such time.
    """
    found = re.fullmatch(r"([0-9]{2}):([0-5][0-9])", text)
    minute = int(found[1]) * 60 + int(found[2]) if found else MINUTES_A_DAY + 1
    if minute > MINUTES_A_DAY or (minute == MINUTES_A_DAY and not ends):
        raise Unreadable(say('"{typed}" is no time of day. Write one such as 06:30.', typed=text))
    return minute


def time_text(minute: int) -> str:
    """Return a minute of the day as `06:30`."""
    return f"{minute // 60:02d}:{minute % 60:02d}"


def first_fault(windows: Sequence[Window]) -> int | None:
    """Return which window ends before it has begun or begins before the one before has ended, or None."""
    ended = 0
    for i, (start, end) in enumerate(windows):
        if start < ended or end <= start or end > MINUTES_A_DAY:
            return i
        ended = end
    return None


def parse_week(text: str) -> dict[str, list[list[str]]]:
    """Return the windows of each day of a week that a person wrote: `Mon-Fri 06:30-18:00; Sat 08:00-12:00`.

    Groups stand apart by `;` or a new line; days and times by a comma or a blank.  An empty text is a week
    without windows.

    Returns:
        `{"mon": [["06:30", "18:00"]], …}`: the days that have windows, from Monday on, each in order.

    Raises:
        Unreadable: a word is no day or time, a window ends before it begins, or two overlap.
    """
    found: dict[str, list[Window]] = {day: [] for day in DAYS}
    for group in re.split(r"[;\n]", text.replace("\N{EN DASH}", "-")):
        days, windows = _read_group(re.sub(r"\s*-\s*", "-", group))
        for day in days:
            found[day] = sorted(found[day] + windows)
    for day, windows in found.items():
        if first_fault(windows) is not None:
            raise Unreadable(say("The hours of {day} overlap.", day=day.capitalize()))
    return {
        day: [[time_text(start), time_text(end)] for start, end in windows]
        for day, windows in found.items()
        if windows
    }


def print_week(week: Mapping[str, Sequence[Sequence[str]]]) -> str:
    """Return a week as a person writes it, days of the same hours together; `parse_week` reads it."""
    groups: list[tuple[list[str], list[list[str]]]] = []
    for day in DAYS:
        windows = [list(window) for window in week.get(day, ())]
        if groups and groups[-1][1] == windows:
            groups[-1][0].append(day)
        else:
            groups.append(([day], windows))
    return "; ".join(
        f"{_days_text(days)} {', '.join('-'.join(window) for window in windows)}"
        for days, windows in groups
        if windows
    )


def _read_group(group: str) -> tuple[list[str], list[Window]]:
    days: list[str] = []
    windows: list[Window] = []
    for word in group.replace(",", " ").split():
        if word[0].isdigit():
            windows.append(_window(word))
        elif windows:
            raise Unreadable(say('"{typed}": put a ; before the next days.', typed=group.strip()))
        else:
            days += _days(word)
    if bool(days) != bool(windows):
        raise Unreadable(
            say('"{typed}" needs days and hours, such as Mon-Fri 06:30-18:00.', typed=group.strip())
        )
    return days, windows


def _window(word: str) -> Window:
    start, dash, end = word.partition("-")
    if not dash:
        raise Unreadable(say('"{typed}" needs a beginning and an end, such as 06:30-18:00.', typed=word))
    window = minute_of(start.zfill(5)), minute_of(end.zfill(5), ends=True)
    if window[1] <= window[0]:
        raise Unreadable(
            say(
                '"{typed}" ends before it begins. Write a night as two: 22:00-24:00, 00:00-06:00.', typed=word
            )
        )
    return window


def _days(word: str) -> list[str]:
    """Return the days of `Mon`, `Monday` or `Fri-Mon`, which goes round the week."""
    first, dash, last = word.partition("-")
    i, j = _day_number(first), _day_number(last if dash else first)
    return [DAYS[k % 7] for k in range(i, j + 1 if j >= i else j + 8)]


def _day_number(word: str) -> int:
    small = word.lower()
    for i, day in enumerate(("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")):
        if len(small) >= 3 and day.startswith(small):
            return i
    raise Unreadable(say('"{typed}" is no day. Write Mon, Tue, Wed, Thu, Fri, Sat or Sun.', typed=word))


def _days_text(days: Sequence[str]) -> str:
    first, last = days[0].capitalize(), days[-1].capitalize()
    return first if first == last else f"{first}-{last}"
