"""Bare numbers in place of a time: seconds since 1970, or days as spreadsheets count them."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

from jobs.core.logger_stamps import YEARS, Stamp
from jobs.core.logger_table import is_count
from jobs.core.logger_values import Counts
from jobs.core.words import Say, say

_UNIX_DAY = date(1970, 1, 1).toordinal()
_DAY = 86_400
_FIRST_DAY = date(YEARS.start, 1, 1).toordinal()
_LAST_DAY = date(YEARS.stop, 1, 1).toordinal()
#: Day 0 of a spreadsheet.  From 1 March 1900 on, both of its calendars agree with ours.
_DAY_ZERO: Mapping[Counts, int] = {
    "days": date(1899, 12, 30).toordinal(),
    "days_1904": date(1904, 1, 1).toordinal(),
}
#: What each counts, in words.
WORDS: Mapping[Counts, Say] = {
    "seconds": say("seconds since 1970, UTC"),
    "milliseconds": say("milliseconds since 1970, UTC"),
    "days": say("days, as spreadsheets count them"),
    "days_1904": say("days since 1904, as some spreadsheets count them"),
}
#: A logger's file is of these years; another reading of a number is not offered.
_LIKELY_YEARS = range(2010, 2050)
#: Fewer digits of a day are seconds no longer: 0.00001 days are 0.9 s.
_FEWEST_DIGITS = 5


def counted(text: str, counts: Counts) -> Stamp | None:
    """Return the time that a number counts, or None where no logger could have seen it.

    Fractions of a second are cut off; days are rounded to the second, for a day's digits fall short of it.
    """
    if not is_count(text):
        return None
    if counts in _DAY_ZERO:
        return _of_days(text.strip().replace(",", "."), counts)
    whole = int(re.split("[.,]", text.strip())[0])
    seconds = whole // 1000 if counts == "milliseconds" else whole
    return _stamp(_UNIX_DAY + seconds // _DAY, seconds % _DAY, "UTC")


def _of_days(text: str, counts: Counts) -> Stamp | None:
    days = Decimal(text)
    exact = days * _DAY
    seconds = int(exact.to_integral_value())
    is_fine = len(text.partition(".")[2]) >= _FEWEST_DIGITS or exact == seconds
    if not is_fine:
        return None
    return _stamp(_DAY_ZERO[counts] + seconds // _DAY, seconds % _DAY, None)


def _stamp(day: int, seconds: int, zone: str | None) -> Stamp | None:
    if not _FIRST_DAY <= day < _LAST_DAY:
        return None
    return Stamp(f"{date.fromordinal(day):%Y%m%d}", seconds, zone, "")


def meanings(text: str) -> list[tuple[Counts, Say, str]]:
    """Return what a number may count, in words, each with the time that it would then be."""
    found: list[tuple[Counts, Say, str]] = []
    for counts, words in WORDS.items():
        stamp = counted(text, counts)
        if stamp is not None and int(stamp.date[:4]) in _LIKELY_YEARS:
            day = datetime.strptime(stamp.date, "%Y%m%d").replace(tzinfo=UTC)
            found.append((counts, words, f"{day + timedelta(seconds=stamp.seconds):%Y-%m-%d %H:%M:%S}"))
    return found
