"""Geometry of a stack in section, and of how long its middle takes: values in, numbers for SVG attributes out.

The section is drawn to scale in height, its width broken; the line of days runs in percent of the drawing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from jobs.core.worktime import instant_at
from scheduling.drawing import Span, Stripe, number, percent

DAY = timedelta(days=1)
HALF = 50.0
#: A day that begins further right than this, in percent, has no room for its name.
LAST_NAMED = 88.0
#: Pixels a millimetre, so that every stack is to one scale; one that would be higher than this is drawn smaller.
SCALE, TALLEST = 0.6, 112.0
#: More sheets than this are drawn as every second, third, … line.
MOST_LINES = 40
#: Where the floor lies, how high skid and bearers are, and where the break of the width stands.
FLOOR, SKID, BREAK_X = 150.0, 16.0, 132.0
LEFT, LOT_WIDTH, LOT_GAP = 8.0, 36.0, 10.0
MOST_LOTS = 3
FOOT, DECK = 10.0, 4.0
#: The figure beside a thin stack needs so much height; above the stack stands the end of the break.
LOWEST, MARGIN = 12.0, 10.0


@dataclass(frozen=True, slots=True)
class Pile:
    """Sheets that lie on one another: its outline, a line for sheets of it, and the part not proven warm."""

    x: str
    y: str
    width: str
    height: str
    lines: tuple[str, ...]
    right: str
    #: None: all of it is warm.
    cold_y: str | None
    cold_height: str
    #: Where its skid or bearers stand.
    feet: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Section:
    """A stack in section on the floor, its height measured."""

    piles: tuple[Pile, ...]
    has_deck: bool
    deck_y: str
    foot_y: str
    foot_height: str
    #: The zigzag where the width is broken off.
    break_path: str
    floor_y: str
    top_y: str
    middle_y: str
    measure_x: str
    words_x: str
    #: What of the drawing is shown: from where, and how high; a thin stack leaves no blank above it.
    view_y: str
    view_height: str


def section(
    *,
    sheet_mm: float,
    in_pile: int,
    piles: int,
    on_skid: bool,
    cold: tuple[float, float] | None,
) -> Section:
    """Draw so many piles of sheets of that thickness; more than three are broken off.

    Args:
        in_pile: sheets in each.
        on_skid: with boards and dead air below, instead of bearers.
        cold: from and to which part of a pile's height is not proven warm, 0 at its foot; None: all of it is.
    """
    height = min(TALLEST, max(2.0, in_pile * sheet_mm * SCALE))
    base = FLOOR - SKID
    top = base - height
    many = piles > 1
    shown = min(piles, MOST_LOTS)
    drawn = []
    for place in range(shown):
        x = LEFT + place * (LOT_WIDTH + LOT_GAP) if many else LEFT
        width = LOT_WIDTH if many else BREAK_X - LEFT
        drawn.append(_pile(x, top, width, height, in_pile, cold))
    right = float(drawn[-1].right)
    foot = base + DECK if on_skid else base
    return Section(
        piles=tuple(drawn),
        has_deck=on_skid,
        deck_y=number(base),
        foot_y=number(foot),
        foot_height=number(FLOOR - foot),
        break_path="" if many and piles == shown else _break(right, top, base),
        floor_y=number(FLOOR),
        top_y=number(top),
        middle_y=number((top + base) / 2 + 5),
        measure_x=number(right + 22),
        words_x=number(right + 34),
        view_y=number(min(top, base - LOWEST) - MARGIN),
        view_height=number(FLOOR + 2 - min(top, base - LOWEST) + MARGIN),
    )


def _break(x: float, top: float, base: float) -> str:
    """Return the zigzag of a width that goes on, a little over the pile's edge."""
    middle = (top + base) / 2
    return f"M{number(x)} {number(top - 8)}V{number(middle - 6)}l-5 3 10 6-5 3V{number(base + 8)}"


def _pile(
    x: float, top: float, width: float, height: float, sheets: int, cold: tuple[float, float] | None
) -> Pile:
    every = -(-sheets // MOST_LINES)
    lines = tuple(number(top + height * place / sheets) for place in range(every, sheets, every))
    cold_y, cold_height = None, "0"
    if cold is not None:
        low, high = cold
        cold_y = number(top + height * (1 - high))
        cold_height = number(height * (high - low))
    feet = (x, x + width - FOOT) if width < BREAK_X / 2 else (x, x + width / 2 - FOOT / 2, x + width - FOOT)
    return Pile(
        number(x),
        number(top),
        number(width),
        number(height),
        lines,
        number(x + width),
        cold_y,
        cold_height,
        tuple(map(number, feet)),
    )


# ---- the line of days ----


@dataclass(frozen=True, slots=True)
class DayMark:
    """Midnight at the site, and whether its day is written."""

    x: str
    at: datetime
    is_named: bool


@dataclass(frozen=True, slots=True)
class WarmLine:
    """How long the middle takes, to the scale of the hours that the rest asks."""

    rest: Stripe
    range: Stripe
    early_x: str
    late_x: str
    now_x: str | None
    days: tuple[DayMark, ...]
    #: Where the range is said, and from which side.
    words_x: str
    words_anchor: str


def warm_line(
    *,
    from_at: datetime,
    rest: timedelta,
    early_at: datetime,
    late_at: datetime,
    zone: ZoneInfo,
    now: datetime,
) -> WarmLine:
    """Draw the rest from `from_at` on, and the range in which the middle comes to the room, on one line of days."""
    end = max(late_at, from_at + rest, early_at + timedelta(hours=1))
    span = Span(from_at, end + (end - from_at) * 0.06)
    early_x, late_x = span.clipped(early_at), span.clipped(max(late_at, early_at))
    return WarmLine(
        rest=Stripe("0%", percent(span.clipped(from_at + rest))),
        range=Stripe(percent(early_x), percent(late_x - early_x)),
        early_x=percent(early_x),
        late_x=percent(late_x),
        now_x=percent(span.share(now)) if span.holds(now) else None,
        days=_days(span, zone),
        words_x=percent(late_x if late_x > HALF else early_x),
        words_anchor="end" if late_x > HALF else "start",
    )


def _days(span: Span, zone: ZoneInfo) -> tuple[DayMark, ...]:
    """Return the midnights of the span; of many only some are written."""
    first = span.start.astimezone(zone).date() + DAY
    midnights: list[datetime] = []
    day = first
    while (at := instant_at(day, 0, zone)) < span.end:
        midnights.append(at)
        day += DAY
    marks = _thinned(midnights)
    every = max(1, -(-len(marks) // 4))
    return tuple(
        DayMark(percent(span.share(at)), at, place % every == 0 and span.share(at) < LAST_NAMED)
        for place, at in enumerate(marks)
    )


def _thinned(midnights: Sequence[datetime]) -> Sequence[datetime]:
    """Return the midnights, of many weeks only every seventh."""
    return midnights if len(midnights) <= 31 else midnights[::7]
