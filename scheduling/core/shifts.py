"""From a day and so many hours to the shifts a crew works in a room, or the reason why it cannot."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from jobs.core.words import Say, say
from jobs.core.worktime import Calendar, Span, common, days_span, hours_on, length_of

ONE_DAY = timedelta(days=1)
#: How many days ahead a room's shifts may run, days without work included.
LONGEST_RUN = timedelta(days=120)


class CannotBeGiven(ValueError):
    """A day that cannot be given out, and why in words."""

    def __init__(self, why: Say) -> None:
        super().__init__(why.text)
        self.why = why


@dataclass(frozen=True, slots=True)
class DaysOff:
    """Days on which a crew does not work, or a site lets nobody in; both ends included."""

    first: date
    last: date
    reason: str


@dataclass(frozen=True, slots=True)
class Busy:
    """Shifts that the crew was given in another room."""

    room: str
    shifts: tuple[Span, ...]


@dataclass(frozen=True, slots=True)
class CrewTime:
    """When a crew works: its week, days off in its home zone, and what it was given already."""

    name: str
    week: dict[str, list[list[str]]]
    home: ZoneInfo
    off: tuple[DaysOff, ...] = ()
    busy: tuple[Busy, ...] = ()


@dataclass(frozen=True, slots=True)
class SiteTime:
    """When a site lets people in, and its zone, on whose clock every shift is read."""

    name: str
    zone: ZoneInfo
    week: dict[str, list[list[str]]]
    closed: tuple[DaysOff, ...] = ()


def shifts_from(
    first: date, *, hours: timedelta, crew: CrewTime, site: SiteTime, from_at: datetime | None = None
) -> tuple[Span, ...]:
    """Return the shifts in which a crew does `hours` of work at a site, from `first` on: one span a day.

    It works through consecutive working days; each day's span runs from the first minute of its shift to the
    last, breaks included, and the last day's ends when the hours are done.

    Args:
        from_at: no minute before this instant counts, so that a second room can follow on the same day.

    Raises:
        CannotBeGiven: on the first day the crew is off or does not work, or the site is closed; the crew has
            another room at that time; a shift would begin or end in an hour that the clock skips or repeats;
            or the hours do not fit into 120 days.
    """
    shifts: list[Span] = []
    left = hours
    day = first
    while left > timedelta(0):
        if day - first > LONGEST_RUN:
            raise CannotBeGiven(
                say(
                    "{crew} does not find the hours at {site} within 120 days.",
                    crew=crew.name,
                    site=site.name,
                )
            )
        spans = _hours(day, crew=crew, site=site, from_at=from_at)
        if not spans and day == first:
            raise CannotBeGiven(_why_not(day, crew=crew, site=site))
        if spans:
            used = _up_to(spans, left)
            left -= length_of(used)
            shifts.append((used[0][0], used[-1][1]))
        day += ONE_DAY
    _refuse_double_booking(shifts, crew)
    for start, end in shifts:
        _refuse_odd_clock(start, site.zone)
        _refuse_odd_clock(end, site.zone)
    return tuple(shifts)


def _hours(day: date, *, crew: CrewTime, site: SiteTime, from_at: datetime | None) -> tuple[Span, ...]:
    closed = [days_span(off.first, off.last, site.zone) for off in site.closed]
    off = [days_span(one.first, one.last, crew.home) for one in crew.off]
    spans = hours_on(
        day,
        crew=Calendar.of_week(site.zone, crew.week),
        site=Calendar.of_week(site.zone, site.week),
        off=[*closed, *off],
    )
    if from_at is None:
        return spans
    return tuple((max(start, from_at), end) for start, end in spans if end > from_at)


def _up_to(spans: Iterable[Span], left: timedelta) -> list[Span]:
    """Return the first spans that hold `left` of work, the last one cut to it."""
    used: list[Span] = []
    for start, end in spans:
        if left <= timedelta(0):
            break
        used.append((start, min(end, start + left)))
        left -= end - start
    return used


def _why_not(day: date, *, crew: CrewTime, site: SiteTime) -> Say:
    """Return why no work is possible on a day."""
    for closed in site.closed:
        if closed.first <= day <= closed.last:
            return say("{site} is closed on {day}: {reason}.", site=site.name, day=day, reason=closed.reason)
    for off in crew.off:
        if off.first <= day <= off.last:
            return say("{crew} is off on {day}: {reason}.", crew=crew.name, day=day, reason=off.reason or "–")
    calendar = Calendar.of_week(site.zone, crew.week)
    if not calendar.on(day):
        return say("{crew} has no shift on {day}.", crew=crew.name, day=day)
    if not Calendar.of_week(site.zone, site.week).on(day):
        return say("{site} lets nobody in on {day}.", site=site.name, day=day)
    return say(
        "{crew}'s shift and {site}'s hours do not meet on {day}.", crew=crew.name, site=site.name, day=day
    )


def _refuse_double_booking(shifts: Iterable[Span], crew: CrewTime) -> None:
    for busy in crew.busy:
        overlap = common(shifts, busy.shifts)
        if overlap:
            raise CannotBeGiven(
                say(
                    "{crew} is in {room} then, until {end}.",
                    crew=crew.name,
                    room=busy.room,
                    end=max(end for _start, end in busy.shifts),
                )
            )


def _refuse_odd_clock(at: datetime, zone: ZoneInfo) -> None:
    """Refuse a wall time that the clock shows twice; one it skips cannot come from an instant."""
    wall = at.astimezone(zone)
    if wall.replace(fold=0).utcoffset() != wall.replace(fold=1).utcoffset():
        raise CannotBeGiven(
            say("The clocks change then: {at} comes twice that night. Choose other hours.", at=at)
        )
