"""Instants, durations, figures and sentences as people read them: once for pages, once for mails and feeds.

Needs Django's translations, and no request: zone and present are arguments.  On pages a date, a duration and
a figure with its unit carry no-break spaces, so none breaks over a line; in plain text they are spaces.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime, timedelta, tzinfo
from functools import lru_cache
from string import Formatter
from typing import Literal
from zoneinfo import ZoneInfo

from django.utils import dateformat, formats
from django.utils.html import conditional_escape, format_html
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import get_language, ngettext, pgettext
from django.utils.translation import gettext as _

from jobs.core.words import Say, Value

NBSP = "\N{NO-BREAK SPACE}"

#: `full` Thu 14 May 07:00; `day` Thu 14 May; `clock` 07:00; `today` the clock alone on the present's own day,
#: else full; `near` as today, and Thu 07:00 within the next six days; `long` Wednesday 13 May 2026, 06:52.
Style = Literal["full", "day", "clock", "today", "near", "long"]

#: From this distance a date carries its year, even on a page that names the year once.
YEAR_AFTER = timedelta(days=180)
#: From here on a duration is counted in days: a cure of 28 days, not of 672 h.
DAYS_AFTER = timedelta(hours=96)


def place(zone: tzinfo | str) -> tzinfo:
    """Return the zone itself, also where only its IANA name is at hand."""
    return ZoneInfo(zone) if isinstance(zone, str) else zone


# ---- instants and days ----


def when_words(
    at: datetime | None, *, zone: tzinfo | str, now: datetime | None = None, style: Style = "full"
) -> str:
    """Return the instant in words of the zone, with no-break spaces; an unknown one is "not known".

    Without `now` nothing in the answer depends on the present: no short forms and no year by distance.
    """
    if at is None:
        return _("not known")
    today = None if now is None else now.astimezone(place(zone)).date()
    return _when_words(at.astimezone(UTC), place(zone), today, style, get_language())


# A page names the same instants again and again, and the next page too: shifts, deliveries, tonight.
@lru_cache(maxsize=8192)
def _when_words(at: datetime, zone: tzinfo, today: date | None, style: Style, language: str | None) -> str:
    """Return the words of an instant given in UTC; `language` only tells one reader's words from another's."""
    local = at.astimezone(zone)
    pattern = _pattern(local.date(), today, style)
    return _unbroken(dateformat.format(local, pattern) + _which_time(local, style))


def day_words(on: date | None, *, today: date | None = None) -> str:
    """Return the day as `Thu 14 May`, with its year where it is far from `today`."""
    if on is None:
        return _("no date given")
    return _unbroken(dateformat.format(on, _pattern(on, today, "day")))


def axis_words(at: datetime, *, zone: tzinfo | str, with_day: bool) -> str:
    """Return the label of an hour on a drawn axis: `06`, or `Wed 00` where the day begins."""
    pattern = pgettext("date format", "D H") if with_day else pgettext("date format", "H")
    return _unbroken(dateformat.format(at.astimezone(place(zone)), pattern))


def column_words(
    at: datetime | date | None, *, zone: tzinfo | str, now: datetime, with_day: bool = False
) -> tuple[str, ...]:
    """Return the instant for a narrow column, in lines that do not break: `07:40`, or `Tue` over `07:40`.

    `with_day` always gives the whole day over the time.  A day alone is `Wed 13`, or `3 Aug` if it is far.
    """
    if at is None:
        return (_("no day"),)
    today = now.astimezone(place(zone)).date()
    if not isinstance(at, datetime):
        near = abs((at - today).days) < 21
        pattern = pgettext("date format", "D j") if near else pgettext("date format", "j M")
        return (_unbroken(dateformat.format(at, pattern)),)
    local = at.astimezone(place(zone))
    clock = when_words(at, zone=zone, now=now, style="clock")
    if with_day:
        return (day_words(local.date(), today=today), clock)
    if local.date() == today:
        return (clock,)
    near = abs((local.date() - today).days) <= 6
    pattern = pgettext("date format", "D") if near else pgettext("date format", "j M")
    return (_unbroken(dateformat.format(local, pattern)), clock)


def _pattern(on: date, today: date | None, style: Style) -> str:
    if style == "long":
        return pgettext("date format", "l j F Y, H:i")
    ahead = None if today is None else (on - today).days
    if style == "clock" or (style in ("today", "near") and ahead == 0):
        return pgettext("date format", "H:i")
    if style == "near" and ahead is not None and 0 < ahead <= 6:
        return pgettext("date format", "D H:i")
    far = ahead is not None and abs(ahead) > YEAR_AFTER.days
    if style == "day":
        return pgettext("date format", "D j M Y") if far else pgettext("date format", "D j M")
    return pgettext("date format", "D j M Y H:i") if far else pgettext("date format", "D j M H:i")


def _which_time(local: datetime, style: Style) -> str:
    """Say which of two equal clock times is meant, in the hour that a clock change repeats."""
    if style == "day" or local.replace(fold=0).utcoffset() == local.replace(fold=1).utcoffset():
        return ""
    return " " + (_("(first)") if local.fold == 0 else _("(second)"))


# ---- durations and figures ----


def duration_words(length: timedelta | None, *, up: bool = False) -> str:
    """Return `12 h 40`, `24 h`, `48 min`, or `28 days` from four days on, in minutes cut off or rounded `up`.

    Cut off is right for what is proven, rounded up for what is still to go.
    """
    if length is None:
        return _("not known")
    if length < timedelta(0):
        return "\N{MINUS SIGN}" + duration_words(-length, up=up)
    minutes = -(-length // timedelta(minutes=1)) if up else length // timedelta(minutes=1)
    if minutes >= DAYS_AFTER // timedelta(minutes=1):
        return _days_words(minutes // 1440, minutes % 1440 // 60)
    if minutes < 60:
        return f"{minutes}{NBSP}min"
    hours, rest = divmod(minutes, 60)
    return f"{hours}{NBSP}h{NBSP}{rest:02d}" if rest else f"{hours}{NBSP}h"


def _days_words(days: int, hours: int) -> str:
    text = ngettext("{n} day", "{n} days", days).format(n=days)
    return _unbroken(f"{text} {hours} h" if hours else text)


def left_words(left: timedelta) -> str:
    """Return the time left for an act in words: `48 min left`, or `48 min late`."""
    if left < timedelta(0):
        return _("{length} late").format(length=duration_words(-left, up=True))
    return _("{length} left").format(length=duration_words(left))


def number_words(value: float) -> str:
    """Return the number with at most two decimals and no trailing zeros, in the reader's decimal sign."""
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    text = text.replace("-", "\N{MINUS SIGN}")
    return text.replace(".", str(formats.get_format("DECIMAL_SEPARATOR")))


def temperature_words(t_c: float | None) -> str:
    """Return `19.9 °C`: a reading, always with its tenth."""
    if t_c is None:
        return _("not known")
    sign = str(formats.get_format("DECIMAL_SEPARATOR"))
    return f"{t_c:.1f}{NBSP}°C".replace(".", sign).replace("-", "\N{MINUS SIGN}")


def percent_words(rh_pct: float | None) -> str:
    """Return `46 %`, with a tenth only where there is one."""
    if rh_pct is None:
        return _("not known")
    return f"{number_words(round(float(rh_pct), 1))}{NBSP}%"


def range_words(low: float, high: float, unit: str) -> str:
    """Return `18–24 °C`: both limits are inside."""
    return f"{number_words(low)}–{number_words(high)}{NBSP}{unit}"


def join_words(parts: Sequence[str]) -> str:
    """Return `a, b and c`; nothing to name is "none"."""
    *first, last = parts or [_("none")]
    if not first:
        return last
    return _("{first} and {last}").format(first=", ".join(first), last=last)


# ---- sentences ----


def plain(
    value: Value | None, *, zone: tzinfo | str, now: datetime | None = None, style: Style = "full"
) -> str:
    """Return the value as plain text for a mail or a feed, with ordinary spaces.

    A feed passes no `now`: then the text of the same facts stays the same for ever.
    """
    return _text(value, zone=zone, now=now, style=style).replace(NBSP, " ")


def html(
    value: Value | None, *, zone: tzinfo | str, now: datetime | None = None, style: Style = "today"
) -> SafeString:
    """Return the value as escaped HTML; each instant stands in a `time` element that carries it in UTC."""

    def show(part: Value | None) -> str:
        match part:
            case Say():
                return _filled(part, show, conditional_escape)
            case tuple():
                return join_words([show(one) for one in part])
            case datetime():
                return when_html(part, zone=zone, now=now, style=style)
            case date():
                words = _text(part, zone=zone, now=now, style=style)
                return format_html('<time datetime="{}">{}</time>', part.isoformat(), words)
        return conditional_escape(_text(part, zone=zone, now=now, style=style))

    return mark_safe(show(value))


def when_html(
    at: datetime | None, *, zone: tzinfo | str, now: datetime | None = None, style: Style = "full"
) -> SafeString:
    """Return the instant as a `time` element; an unknown one as the bare words."""
    words = when_words(at, zone=zone, now=now, style=style)
    if at is None:
        return conditional_escape(words)
    return format_html('<time datetime="{}">{}</time>', stamp_utc(at), words)


def stamp_utc(at: datetime) -> str:
    """Return the instant as machines read it: `2026-05-14T06:00:00Z`."""
    return f"{at.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}"


def _text(value: Value | None, *, zone: tzinfo | str, now: datetime | None, style: Style) -> str:
    def show(part: Value) -> str:
        return _text(part, zone=zone, now=now, style=style)

    match value:
        case None:
            return _("not known")
        case str():
            return value
        case Say():
            return _filled(value, show, str)
        case tuple():
            return join_words([show(part) for part in value])
        case datetime():
            return when_words(value, zone=zone, now=now, style=style)
        case date():
            return day_words(value, today=None if now is None else now.astimezone(place(zone)).date())
        case timedelta():
            return duration_words(value)
    return number_words(value)


def _filled(said: Say, show: Callable[[Value], str], literal: Callable[[str], str]) -> str:
    """Translate the template and fill its places; one that has no value is an error, not a gap."""
    if said.many is None:
        text = _(said.text) if said.text else ""
    else:
        count = said.values["n"]
        if not isinstance(count, int):
            raise TypeError(f"n chooses the wording and must be a whole number, not {count!r}")
        text = ngettext(said.text, said.many, count)
    made = []
    for words, name in _pieces(text):
        made.append(literal(words))
        if name is not None:
            made.append(show(said.values[name]))
    return "".join(made)


@lru_cache(maxsize=2048)
def _pieces(text: str) -> tuple[tuple[str, str | None], ...]:
    """Return the words of a template, each with the name of the place that follows it."""
    return tuple((words, name) for words, name, _spec, _conversion in Formatter().parse(text))


def _unbroken(text: str) -> str:
    return text.replace(" ", NBSP)
