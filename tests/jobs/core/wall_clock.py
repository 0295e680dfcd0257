"""Wall time to instant and working time a second way: by looking at the clock, minute by minute.

Used to check `worktime`, which relies on `fold=0` instead.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta

MINUTE = timedelta(minutes=1)
REACH = timedelta(hours=50)


def offset(at, zone):
    return at.astimezone(zone).utcoffset()


def instant_of(day, minute, zone):
    """RFC 5545, 3.3.5: the first of two; one that never happens is read with the offset before the change."""
    wall = datetime.combine(day, time(0)) + minute * MINUTE
    around = wall.replace(tzinfo=UTC)
    seen = {offset(around + timedelta(hours=h), zone) for h in range(-50, 51)}
    happens = [around - o for o in seen if offset(around - o, zone) == o]
    if happens:
        return min(happens)
    low, high = around - REACH, around + REACH
    # The clock jumps over `wall` once in here: find the last minute before the jump.
    while high - low > MINUTE:
        middle = low + (high - low) // 2 // MINUTE * MINUTE
        if middle.astimezone(zone).replace(tzinfo=None) < wall:
            low = middle
        else:
            high = middle
    return around - offset(low, zone)


def working_minutes(calendar, first, last):
    """The instants from `first` to before `last` at which a minute begins that is worked."""
    worked = set()
    day = date.fromordinal(first.toordinal() - 3)
    while day.toordinal() <= last.toordinal() + 3:
        for start, end in calendar.windows_of(day):
            at, stop = instant_of(day, start, calendar.zone), instant_of(day, end, calendar.zone)
            while at < stop:
                worked.add(at)
                at += MINUTE
        day += timedelta(days=1)
    return {at for at in worked if first <= at < last}


def latest_work(calendar, limit, minutes, reach):
    """The contract's sentence read off minute by minute, or None if `reach` back does not hold it."""
    worked = working_minutes(calendar, limit - reach - MINUTE, limit + MINUTE)
    at = limit
    if minutes == 0:
        while at not in worked and at - MINUTE not in worked:
            at -= MINUTE
            if at < limit - reach:
                return None
        return at, at
    count, finish = 0, None
    while count < minutes:
        at -= MINUTE
        if at < limit - reach:
            return None
        if at in worked:
            count += 1
            finish = finish or at + MINUTE
    return at, finish
