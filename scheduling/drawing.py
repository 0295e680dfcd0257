"""Geometry of the drawings: values in, numbers for SVG attributes out.  No words, no Django, no clock.

Time runs in percent of the drawing's width, so a drawing flows with the page; other lengths are CSS pixels.
Numbers leave as text with a decimal point, because a template would print 7.2 as 7,2 in some languages.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import groupby, pairwise
from typing import Protocol
from zoneinfo import ZoneInfo

from jobs.core.conditions import Band
from jobs.core.worktime import instant_at

HOUR = timedelta(hours=1)
QUARTER = timedelta(minutes=15)


def number(value: float) -> str:
    """Return the number with at most two decimals, for an attribute."""
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def percent(value: float) -> str:
    """Return `7.22%`."""
    return number(value) + "%"


@dataclass(frozen=True, slots=True)
class Span:
    """What a drawing shows of time, `[start, end)`, in UTC."""

    start: datetime
    end: datetime

    def __post_init__(self) -> None:
        if self.start >= self.end:
            raise ValueError("a drawing needs some time to show")

    def share(self, at: datetime) -> float:
        """Return where the instant lies, in percent; outside the span it is below 0 or above 100."""
        return (at - self.start) / (self.end - self.start) * 100

    def clipped(self, at: datetime) -> float:
        """Return where the instant lies, in percent, kept inside the drawing."""
        return min(100.0, max(0.0, self.share(at)))

    def holds(self, at: datetime) -> bool:
        """Return whether the instant is drawn at its place."""
        return self.start <= at <= self.end


@dataclass(frozen=True, slots=True)
class Tick:
    """One graduation: where it stands and how long it is."""

    x: str
    length: str


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure written at a place of a scale."""

    x: str
    text: str


@dataclass(frozen=True, slots=True)
class Stripe:
    """A stretch from `x` on, both in percent."""

    x: str
    width: str


# ---- tape of a day ----


@dataclass(frozen=True, slots=True)
class Tape:
    """A true scale of hours: a tick a quarter, a figure an hour, and the present if it lies on it."""

    ticks: tuple[Tick, ...]
    figures: tuple[Figure, ...]
    now_x: str | None
    height: str


def site_hours(on: date, *, zone: ZoneInfo, first: int = 6, last: int = 18) -> Span:
    """Return a local day from hour `first` to hour `last`; a clock change makes it longer or shorter."""
    return Span(instant_at(on, first * 60, zone), instant_at(on, last * 60, zone))


def rest_of_day(*, zone: ZoneInfo, now: datetime) -> Span:
    """Return the span against which today's acts are measured: the site's day, always 12 h of it or more.

    From 06:00, or from the present hour if that is earlier; after 16:00 from the present hour on.
    """
    local = now.astimezone(zone)
    full_hour = now - timedelta(minutes=local.minute, seconds=local.second)
    opening = instant_at(local.date(), 6 * 60, zone)
    start = full_hour if local.hour >= 16 else min(opening, full_hour)
    return Span(start, max(instant_at(local.date(), 18 * 60, zone), start + 12 * HOUR))


def tape(span: Span, *, zone: ZoneInfo, now: datetime, height: int = 30) -> Tape:
    """Draw the span's hours; where the clocks change an hour's figure stands twice or is missing."""
    quarters = [at for at in _quarters(span) if at.astimezone(zone).minute % 15 == 0]
    ticks = tuple(Tick(percent(span.share(at)), number(_tick_length(at, zone) * height)) for at in quarters)
    hours = [at for at in quarters if at.astimezone(zone).minute == 0 and at < span.end]
    every = 1 if len(hours) <= 14 else 2
    figures = tuple(
        Figure(percent(span.share(at)), f"{at.astimezone(zone).hour:02d}")
        for at in hours
        if at.astimezone(zone).hour % every == 0
    )
    return Tape(ticks, figures, percent(span.share(now)) if span.holds(now) else None, str(height))


def _quarters(span: Span) -> Iterable[datetime]:
    at = span.start
    while at <= span.end:
        yield at
        at += QUARTER


def _tick_length(at: datetime, zone: ZoneInfo) -> float:
    return {0: 1.0, 30: 0.5}.get(at.astimezone(zone).minute, 0.28)


# ---- slack: from now to latest-by ----


@dataclass(frozen=True, slots=True)
class Slack:
    """The time left for an act, as a dimension under the tape; where it leaves the tape it has no end tick.

    `words_at`: `middle` over the line at `mid_x`, `after` its end at `to_x`, `before` its start at `from_x`.
    """

    now_x: str | None
    from_x: str
    to_x: str
    mid_x: str
    from_tick: bool
    to_tick: bool
    risk: bool
    late: bool
    words_at: str


def slack(span: Span, *, by: datetime, limit: timedelta, now: datetime) -> Slack:
    """Draw the time from `now` to `by`; less than `limit` of it, or none, is a risk."""
    late = by < now
    first, last = (by, now) if late else (now, by)
    from_x, to_x = span.clipped(first), span.clipped(last)
    return Slack(
        now_x=percent(span.share(now)) if span.holds(now) else None,
        from_x=percent(from_x),
        to_x=percent(to_x),
        mid_x=percent((from_x + to_x) / 2),
        from_tick=span.holds(first),
        to_tick=span.holds(last),
        risk=by - now < limit,
        late=late,
        words_at=_words_at(from_x, to_x),
    )


def _words_at(from_x: float, to_x: float) -> str:
    """Choose where the figure has room: a fifth of the width holds `12 h 40` on the narrowest drawing."""
    if to_x - from_x >= 20:
        return "middle"
    return "after" if to_x <= 75 else "before"


# ---- rest clock: a pulled tape ----

#: Where the crow's foot stands; what is right of it keeps the figure under it on the drawing.
FULL_AT = 94.0


@dataclass(frozen=True, slots=True)
class Clock:
    """The blade: proven time as metal, provisional hatched, what is still to go as a dimension."""

    proven_x: str
    ahead_x: str
    ahead_width: str
    full_x: str
    ticks: tuple[Tick, ...]
    figures: tuple[Figure, ...]
    to_go: bool


def clock(*, needed: timedelta, proven: timedelta, provisional: timedelta) -> Clock:
    """Draw a rest to the scale of the hours it needs; more than needed is drawn as full.

    Raises:
        ValueError: nothing is needed, so there is no scale.
    """
    if needed <= timedelta(0):
        raise ValueError("a rest that needs no time has no clock")
    scale = FULL_AT / (needed / HOUR)
    proven_x = min(FULL_AT, proven / HOUR * scale)
    ahead_x = min(FULL_AT, (proven + provisional) / HOUR * scale)
    minor, major = _graduation(needed)
    ticks = tuple(
        Tick(percent(h * scale), "38" if h % major == 0 else "29") for h in _marks(minor, proven_x / scale)
    )
    figures = tuple(Figure(percent(h * scale), str(h)) for h in _marks(major, proven_x / scale))
    return Clock(
        proven_x=percent(proven_x),
        ahead_x=percent(ahead_x),
        ahead_width=percent(ahead_x - proven_x),
        full_x=percent(FULL_AT),
        ticks=ticks,
        figures=figures,
        to_go=ahead_x < FULL_AT,
    )


def _graduation(needed: timedelta) -> tuple[int, int]:
    """Return the hours between ticks, of which there are at most 30 or so, and between figures."""
    hours = needed / HOUR
    for minor, major in ((1, 6), (2, 12), (6, 24), (12, 48)):
        if hours <= 30 * minor:
            return minor, major
    days = int(hours // 720) + 1
    return 24 * days, 120 * days


def _marks(step: int, end: float) -> Iterable[int]:
    # A figure stands left of its tick, so the first needs no room at zero; the hook itself is no tick.
    return range(step, int(end) + 1, step)


# ---- vial: one reading against its band ----


@dataclass(frozen=True, slots=True)
class Vial:
    """The bubble between two lines, in a tube of 132 by 28."""

    low_x: str
    high_x: str
    bubble_x: str
    inside: bool


def vial(value: float, *, low: float, high: float) -> Vial:
    """Draw a reading against a band, its limits inside; far outside, the bubble rests at the tube's end."""
    left, right = 42.0, 90.0
    width = high - low
    at = (left + right) / 2 if width == 0 else left + (value - low) / width * (right - left)
    if width == 0 and value != low:
        at = 14.0 if value < low else 118.0
    return Vial(number(left), number(right), number(min(118.0, max(14.0, at))), low <= value <= high)


# ---- rodlet: the holds on one line ----


@dataclass(frozen=True, slots=True)
class RodMark:
    """One hold on the small rod: its mark, and where the mark and the blank behind it stand."""

    mark: str
    blank_x: str
    mark_x: str


@dataclass(frozen=True, slots=True)
class Rodlet:
    """All holds of a room on one line, in the order it clears them."""

    width: str
    marks: tuple[RodMark, ...]


def rodlet(marks: Sequence[str]) -> Rodlet:
    """Draw one mark a hold, 21.5 apart."""
    placed = tuple(RodMark(mark, number(1 + 21.5 * i), number(2 + 21.5 * i)) for i, mark in enumerate(marks))
    return Rodlet(number(21.5 * len(marks) - 2.5), placed)


# ---- rest strip: how the rest was earned ----


class ReadingLike(Protocol):
    """What a trace is drawn from."""

    @property
    def at(self) -> datetime: ...
    @property
    def t_c(self) -> float: ...
    @property
    def rh_pct(self) -> float: ...


class MemoryLike(Protocol):
    """The extremes that a meter remembers over `[from_at, to_at)`."""

    @property
    def from_at(self) -> datetime: ...
    @property
    def to_at(self) -> datetime: ...
    @property
    def t_min(self) -> float: ...
    @property
    def t_max(self) -> float: ...
    @property
    def rh_min(self) -> float: ...
    @property
    def rh_max(self) -> float: ...


class StretchLike(Protocol):
    """One stretch of the rest; `kind` is the core's, or `lost` where it was counted and then lost."""

    @property
    def from_at(self) -> datetime: ...
    @property
    def to_at(self) -> datetime: ...
    @property
    def kind(self) -> str: ...
    @property
    def restart(self) -> bool: ...


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle: sideways in percent, downwards in pixels."""

    x: str
    width: str
    y: str
    height: str


@dataclass(frozen=True, slots=True)
class Chart:
    """One quantity over its band.  Paths run in a box 1000 wide; everything else in pixels of the drawing."""

    top: str
    height: str
    high_y: str
    low_y: str
    band_height: str
    high_words_y: str
    low_words_y: str
    trace: str
    outside: str
    memories: tuple[Box, ...]


@dataclass(frozen=True, slots=True)
class Piece:
    """One stretch under the traces, drawn by its kind."""

    kind: str
    x: str
    width: str


@dataclass(frozen=True, slots=True)
class AxisMark:
    """A local hour on the axis; `anchor` keeps its words on the drawing."""

    at: datetime
    x: str
    anchor: str
    with_day: bool


@dataclass(frozen=True, slots=True)
class ClockChange:
    """Where the site's clocks jump: forwards by `shift`, or back if it is negative."""

    at: datetime
    x: str
    shift: timedelta


@dataclass(frozen=True, slots=True)
class Strip:
    """Air and humidity over their bands, the stretches below, and the site's own hours as the axis."""

    air: Chart
    humidity: Chart
    pieces: tuple[Piece, ...]
    saws: tuple[str, ...]
    nights: tuple[Stripe, ...]
    axis: tuple[AxisMark, ...]
    changes: tuple[ClockChange, ...]
    now_x: str | None


@dataclass(frozen=True, slots=True)
class Lane:
    """The stretches of one placement on an axis that others share."""

    pieces: tuple[Piece, ...]
    saws: tuple[str, ...]


CHART_HEIGHT = 86.0
AIR_TOP, HUMIDITY_TOP = 6.0, 112.0
#: Room over and under a band for the words on its limits.
OVER, UNDER = 20.0, 18.0
#: How many columns of a trace are told apart; a column keeps its first, least, most and last value.
COLUMNS = 320
#: A trace of more points is told in whole pixels: finer than it is drawn.
FINE_POINTS = 400


def strip_span(start: datetime, end: datetime, *, zone: ZoneInfo) -> Span:
    """Return what a strip shows: from the full local hour before `start` to a little past `end`."""
    local = start.astimezone(zone)
    first = start - timedelta(minutes=local.minute, seconds=local.second)
    return Span(first, end + max(timedelta(minutes=10), (end - first) * 0.04))


def strip(
    span: Span,
    *,
    band: Band,
    readings: Sequence[ReadingLike],
    stretches: Sequence[StretchLike],
    memories: Sequence[MemoryLike] = (),
    break_after: timedelta | None = None,
    zone: ZoneInfo,
    now: datetime,
) -> Strip:
    """Draw a rest.  A trace is broken where two readings lie further apart than `break_after`."""
    seen = [r for r in sorted(readings, key=lambda r: r.at) if span.holds(r.at)]
    runs = _runs(seen, break_after)
    spells = [m for m in memories if m.from_at < span.end and m.to_at > span.start]
    return Strip(
        air=_chart(
            span,
            [[(r.at, r.t_c) for r in run] for run in runs],
            [(m.from_at, m.to_at, m.t_min, m.t_max) for m in spells],
            (band.t_min, band.t_max),
            AIR_TOP,
        ),
        humidity=_chart(
            span,
            [[(r.at, r.rh_pct) for r in run] for run in runs],
            [(m.from_at, m.to_at, m.rh_min, m.rh_max) for m in spells],
            (band.rh_min, band.rh_max),
            HUMIDITY_TOP,
        ),
        pieces=(laid := lane(span, stretches)).pieces,
        saws=laid.saws,
        nights=tuple(_nights(span, zone)),
        axis=tuple(_axis(span, zone)),
        changes=tuple(_changes(span, zone)),
        now_x=percent(span.share(now)) if span.holds(now) else None,
    )


def lane(span: Span, stretches: Sequence[StretchLike]) -> Lane:
    """Draw the stretches of a rest along a span."""
    return Lane(
        pieces=tuple(_piece(span, s) for s in stretches if s.to_at > span.start and s.from_at < span.end),
        saws=tuple(percent(span.share(s.from_at)) for s in stretches if s.restart and span.holds(s.from_at)),
    )


def _piece(span: Span, stretch: StretchLike) -> Piece:
    x = span.clipped(stretch.from_at)
    return Piece(stretch.kind, percent(x), percent(span.clipped(stretch.to_at) - x))


def _runs(readings: Sequence[ReadingLike], break_after: timedelta | None) -> list[list[ReadingLike]]:
    runs: list[list[ReadingLike]] = []
    for reading in readings:
        if runs and (break_after is None or reading.at - runs[-1][-1].at <= break_after):
            runs[-1].append(reading)
        else:
            runs.append([reading])
    return runs


Sample = tuple[datetime, float]
Point = tuple[float, float]


def _chart(
    span: Span,
    runs: Sequence[Sequence[Sample]],
    spells: Sequence[tuple[datetime, datetime, float, float]],
    limits: tuple[float, float],
    top: float,
) -> Chart:
    low, high = limits
    values = [value for run in runs for _, value in run] + [v for spell in spells for v in spell[2:]]
    scale, over = _scale(limits, values)

    def down(value: float) -> float:
        return min(CHART_HEIGHT, max(0.0, over + (high - value) * scale))

    paths = [_thinned([(span.share(at) * 10, value) for at, value in run]) for run in runs]
    outside = [line for path in paths for line in _outside(path, low, high)]
    high_y, low_y = top + down(high), top + down(low)
    return Chart(
        top=number(top),
        height=number(CHART_HEIGHT),
        high_y=number(high_y),
        low_y=number(low_y),
        band_height=number(low_y - high_y),
        high_words_y=number(high_y - 5),
        low_words_y=number(low_y + 15),
        trace=_path(paths, down),
        outside=_path(outside, down),
        memories=tuple(_spell_box(span, spell, down, top) for spell in spells),
    )


def _scale(limits: tuple[float, float], values: Sequence[float]) -> tuple[float, float]:
    """Return pixels per unit and the pixels over the band's upper limit.

    The band is drawn as large as the words on its limits and the values outside leave room for; a value more
    than two bands away runs off the chart rather than flattening everything else.
    """
    low, high = limits
    height = max(high - low, 1.0)
    above = min(2 * height, max([0.0, *(value - high for value in values)]))
    below = min(2 * height, max([0.0, *(low - value for value in values)]))
    scale = min(
        (CHART_HEIGHT - OVER - UNDER) / height,
        (CHART_HEIGHT - UNDER) / (height + above),
        (CHART_HEIGHT - OVER) / (height + below),
        CHART_HEIGHT / (height + above + below),
    )
    over = max(OVER, above * scale)
    return scale, over + max(0.0, (height - (high - low)) / 2 * scale)


def _spell_box(span: Span, spell: tuple[datetime, datetime, float, float], down: Down, top: float) -> Box:
    from_at, to_at, least, most = spell
    x = span.clipped(from_at)
    y = down(most)
    return Box(
        percent(x), percent(span.clipped(to_at) - x), number(top + y), number(max(2.0, down(least) - y))
    )


def _thinned(points: Sequence[Point]) -> list[Point]:
    """Keep of each pixel column its first, least, most and last point, in their order; of few points all."""
    if len(points) <= 2 * COLUMNS:
        return list(points)
    kept: list[Point] = []
    for _, column in groupby(points, key=lambda point: int(point[0] * COLUMNS / 1000)):
        members = list(column)
        chosen = {0, len(members) - 1}
        chosen.add(min(range(len(members)), key=lambda i: members[i][1]))
        chosen.add(max(range(len(members)), key=lambda i: members[i][1]))
        kept.extend(members[i] for i in sorted(chosen))
    return kept


def _outside(path: Sequence[Point], low: float, high: float) -> list[list[Point]]:
    """Return the parts of a trace outside the band, cut where it crosses a limit."""
    lines: list[list[Point]] = []
    if len(path) == 1 and not low <= path[0][1] <= high:
        return [list(path)]
    for first, second in pairwise(path):
        for limit, sign in ((high, 1), (low, -1)):
            part = _beyond(first, second, limit, sign)
            if not part:
                continue
            if lines and lines[-1][-1] == part[0]:
                lines[-1].append(part[1])
            else:
                lines.append(part)
    return lines


def _beyond(first: Point, second: Point, limit: float, sign: int) -> list[Point]:
    """Return the part of one line beyond a limit: above it for sign 1, below it for -1; empty if none is."""
    over_first, over_second = sign * (first[1] - limit), sign * (second[1] - limit)
    if over_first <= 0 and over_second <= 0:
        return []
    if over_first >= 0 and over_second >= 0:
        return [first, second]
    share = over_first / (over_first - over_second)
    crossing = (first[0] + share * (second[0] - first[0]), limit)
    return [first, crossing] if over_first > 0 else [crossing, second]


class Down(Protocol):
    """From a value to pixels below the chart's top."""

    def __call__(self, value: float, /) -> float: ...


def _path(lines: Sequence[Sequence[Point]], down: Down) -> str:
    """Return path data, each point told from the one before: a trace of weeks is a few thousand bytes.

    A single point becomes a line of no length, which a round cap shows as a dot.  A long trace is told in whole
    pixels, a short one in tenths; no error adds up.
    """
    fine = 1 if sum(map(len, lines)) > FINE_POINTS else 10
    return "".join(
        _line([(round(x * fine), round(down(value) * fine)) for x, value in line], fine) for line in lines
    )


def _line(points: Sequence[tuple[int, int]], fine: int) -> str:
    (x, y), *rest = points
    steps: list[tuple[int, int]] = []
    at = (x, y)
    for point in rest:
        step = (point[0] - at[0], point[1] - at[1])
        if steps and step[1] == 0 == steps[-1][1] and step[0] >= 0:
            steps[-1] = (steps[-1][0] + step[0], 0)
        elif step != (0, 0):
            steps.append(step)
        at = point
    told = "".join(_told(dx, fine) + _told(dy, fine) for dx, dy in steps).removeprefix(" ")
    return f"M{number(x / fine)} {number(y / fine)}" + (f"l{told}" if told else "h0")


def _told(value: int, fine: int) -> str:
    """Return a number of a list: a minus sign parts it from the one before as well as a blank does."""
    text = str(value) if fine == 1 else number(value / fine)
    return text if text.startswith("-") else f" {text}"


# ---- axis of local hours ----


def _axis(span: Span, zone: ZoneInfo) -> Iterable[AxisMark]:
    """Mark as many local hours as a phone has room for; a day is named where it begins, and first."""
    step = _axis_step(span)
    first = True
    for at in _local_midnights(span, zone) if step >= 24 else _local_hours(span, zone):
        local = at.astimezone(zone)
        # Whole days count from the span's own first day, so that long strips keep an even step.
        days = (local.date() - span.start.astimezone(zone).date()).days
        if (days * 24 + local.hour) % step:
            continue
        share = span.share(at)
        anchor = "start" if share < 5 else "end" if share > 95 else "middle"
        yield AxisMark(at, percent(share), anchor, first or local.hour == 0)
        first = False


def _axis_step(span: Span) -> int:
    hours = (span.end - span.start) / HOUR
    for step in (1, 2, 3, 6, 12, 24, 48, 96, 168):
        if hours <= 6 * step:
            return step
    return 24 * (int(hours // 132) + 1)


def _local_midnights(span: Span, zone: ZoneInfo) -> Iterable[datetime]:
    """Return the instants at which a local day begins; one that begins later than at midnight is left out."""
    day = span.start.astimezone(zone).date()
    while (at := instant_at(day, 0, zone)) <= span.end:
        if at >= span.start and at.astimezone(zone).hour == 0:
            yield at
        day += timedelta(days=1)


def _local_hours(span: Span, zone: ZoneInfo) -> Iterable[datetime]:
    """Return the instants at which a local clock shows a full hour for the first time."""
    shown: set[tuple[date, int]] = set()
    for at in _quarters(Span(_floor_quarter(span.start), span.end)):
        local = at.astimezone(zone)
        key = (local.date(), local.hour)
        if local.minute == 0 and key not in shown and at >= span.start:
            shown.add(key)
            yield at


def _floor_quarter(at: datetime) -> datetime:
    return at - timedelta(minutes=at.minute % 15, seconds=at.second)


def _nights(span: Span, zone: ZoneInfo) -> Iterable[Stripe]:
    """Return the hours from 20 to 06 local time, when a site is not heated; none on a strip of many days."""
    if span.end - span.start > timedelta(days=10):
        return
    day = span.start.astimezone(zone).date() - timedelta(days=1)
    while (falls := instant_at(day, 20 * 60, zone)) < span.end:
        ends = instant_at(day, 30 * 60, zone)
        if ends > span.start:
            x = span.clipped(falls)
            yield Stripe(percent(x), percent(span.clipped(ends) - x))
        day += timedelta(days=1)


def _changes(span: Span, zone: ZoneInfo) -> Iterable[ClockChange]:
    """Return where the offset from UTC changes, to the minute."""
    marks = [span.start, *_hours_after(span), span.end]
    for before, after in pairwise(marks):
        old, new = _offset(before, zone), _offset(after, zone)
        if old != new:
            at = _first_minute(before, after, zone)
            yield ClockChange(at, percent(span.share(at)), new - old)


def _hours_after(span: Span) -> Iterable[datetime]:
    at = span.start + HOUR
    while at < span.end:
        yield at
        at += HOUR


def _first_minute(before: datetime, after: datetime, zone: ZoneInfo) -> datetime:
    at = before - timedelta(seconds=before.second)
    while _offset(at, zone) == _offset(before, zone) and at < after:
        at += timedelta(minutes=1)
    return at


def _offset(at: datetime, zone: ZoneInfo) -> timedelta:
    offset = at.astimezone(zone).utcoffset()
    assert offset is not None
    return offset
