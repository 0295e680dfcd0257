"""How a site's clock changes, as RFC 5545 VTIMEZONE components made from the zone database alone.

The recipe gives what the most readers understand: two yearly rules anchored in 1970 where a zone has them,
one fixed observance where it has none, and each change by itself where the law follows no yearly rule.
"""

from __future__ import annotations

import calendar
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import cache, lru_cache
from importlib.metadata import version
from zoneinfo import ZoneInfo

from icalendar import Timezone, TimezoneDaylight, TimezoneStandard, vDatetime, vRecur, vText, vUTCOffset

#: Rules are anchored here: one reader is an hour off in the first months if they begin in a later year.
ANCHOR_YEAR = 1970
WEEK = timedelta(weeks=1)
WEEKDAYS = ("MO", "TU", "WE", "TH", "FR", "SA", "SU")


@dataclass(frozen=True, slots=True)
class ZoneClock:
    """A written VTIMEZONE; `listed` where no yearly rule fits, which some readers cannot follow: log it."""

    zone: str
    body: bytes
    listed: bool


@dataclass(frozen=True, slots=True)
class Change:
    """One change of a clock: its instant (UTC), both offsets, and the abbreviation that begins with it."""

    at: datetime
    old: timedelta
    new: timedelta
    name: str

    @property
    def onset(self) -> datetime:
        """Return the wall time of the change on the clock before it (RFC 5545 section 3.6.5)."""
        return (self.at + self.old).replace(tzinfo=None)


@lru_cache(maxsize=1)
@cache
def tzdata_version() -> str:
    """Return the edition of the zone database, such as `2026.6`: a new law changes bytes and so the tag.

    It is the package's edition, true only while `zoneinfo` reads no other: the process must run with
    `PYTHONTZPATH=""` or after `zoneinfo.reset_tzpath(to=[])`.
    """
    return version("tzdata")


def zone_clock(zone: str, first_year: int, last_year: int) -> ZoneClock:
    """Return the VTIMEZONE of `zone`, right for every date from `first_year` to `last_year`, both included.

    Raises:
        zoneinfo.ZoneInfoNotFoundError: the zone database has no such name.
        ValueError: `last_year` is before `first_year`.
    """
    if last_year < first_year:
        raise ValueError("last_year is before first_year")
    return _zone_clock(zone, first_year - 1, last_year + 1, tzdata_version())


@lru_cache(maxsize=1024)
def _zone_clock(zone: str, first_year: int, last_year: int, edition: str) -> ZoneClock:
    """Write the component; `edition` is only part of the cache's key."""
    clock = ZoneInfo(zone)
    start = datetime(first_year, 1, 1, tzinfo=clock).astimezone(UTC)
    found = _changes(clock, start, datetime(last_year + 1, 1, 1, tzinfo=clock).astimezone(UTC))
    rules = _yearly_rules(found, range(first_year, last_year + 1))
    component = Timezone()
    component["TZID"] = vText(zone)
    offset, name = _state(clock, start)
    if not found:
        still = Change(datetime(ANCHOR_YEAR, 1, 1, tzinfo=UTC) - offset, offset, offset, name)
        component.add_component(_observance(still, still.onset))
    elif rules:
        for change, ordinal in rules:
            component.add_component(_yearly(change, ordinal))
    else:
        for change in (Change(start, offset, offset, name), *found):
            component.add_component(_observance(change, change.onset))
    return ZoneClock(zone, component.to_ical(sorted=False), listed=bool(found) and not rules)


def _state(clock: ZoneInfo, at: datetime) -> tuple[timedelta, str]:
    """Return offset and abbreviation of the clock at an instant."""
    local = at.astimezone(clock)
    offset, name = local.utcoffset(), local.tzname()
    assert offset is not None  # every zone of the database has both
    assert name is not None
    return offset, name


def _changes(clock: ZoneInfo, start: datetime, end: datetime) -> list[Change]:
    """Return every change in `(start, end]`: step a week, then halve down to the second."""
    found: list[Change] = []
    at, state = start, _state(clock, start)
    while at < end:
        later = min(at + WEEK, end)
        if _state(clock, later) == state:
            at = later
            continue
        low, high = at, later
        while high - low > timedelta(seconds=1):
            middle = low + timedelta(seconds=(high - low) // timedelta(seconds=2))
            low, high = (middle, high) if _state(clock, middle) == state else (low, middle)
        new = _state(clock, high)
        found.append(Change(high, state[0], new[0], new[1]))
        # Go on from the change, not from the week's end: the same week may hold a second one.
        at, state = high, new
    return found


def _yearly_rules(found: Iterable[Change], years: range) -> list[tuple[Change, int]]:
    """Return the two yearly changes with their ordinals in the month, the one forward first; else nothing.

    They must be exactly two, each in every year, each on one ordinal (first to fourth, or last) of a weekday.
    """
    groups: dict[object, list[Change]] = defaultdict(list)
    for change in found:
        on = change.onset
        groups[on.month, on.weekday(), on.time(), change.old, change.new, change.name].append(change)
    rules = []
    for group in groups.values():
        ordinals = set.intersection(*(_ordinals(change.onset) for change in group))
        if [change.onset.year for change in group] != list(years) or not ordinals:
            return []
        # The least is -1, the last, wherever that fits: it is the law's own word more often than the fourth.
        rules.append((group[0], min(ordinals)))
    if len(rules) != 2:
        return []
    return sorted(rules, key=lambda rule: rule[0].new <= rule[0].old)


def _ordinals(on: date) -> set[int]:
    """Return which weekday of its month a day is: 1 to 4 from the front, -1 if it is the last."""
    from_front = (on.day + 6) // 7
    is_last = on.day + 7 > calendar.monthrange(on.year, on.month)[1]
    return ({from_front} if from_front <= 4 else set()) | ({-1} if is_last else set())


def _yearly(change: Change, ordinal: int) -> TimezoneStandard | TimezoneDaylight:
    """Write a change that comes every year, from its onset in the anchor year on."""
    on = change.onset
    days = calendar.Calendar().itermonthdates(ANCHOR_YEAR, on.month)
    fitting = [day for day in days if day.month == on.month and day.weekday() == on.weekday()]
    first = fitting[ordinal if ordinal < 0 else ordinal - 1]
    part = _observance(change, datetime.combine(first, on.time()))
    by_day = f"{ordinal}{WEEKDAYS[on.weekday()]}"
    part["RRULE"] = vRecur({"FREQ": "YEARLY", "BYMONTH": on.month, "BYDAY": by_day})
    return part


def _observance(change: Change, onset: datetime) -> TimezoneStandard | TimezoneDaylight:
    """Write one observance.

    DAYLIGHT is the one that moves the clock forward, whatever the zone database calls it (Dublin): clients
    take the label as "plus".
    """
    part = TimezoneDaylight() if change.new > change.old else TimezoneStandard()
    part["DTSTART"] = vDatetime(onset)
    part["TZOFFSETFROM"] = vUTCOffset(change.old)
    part["TZOFFSETTO"] = vUTCOffset(change.new)
    part["TZNAME"] = vText(change.name)
    return part
