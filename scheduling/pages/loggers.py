"""Loggers that report by themselves: the manager's list, one logger, and what a zone's page shows of its own."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from uuid import UUID

from django.db.models import Count, Max, Min, QuerySet
from django.urls import reverse

from jobs.clocks import Clocks, clocks_in, meant
from jobs.core.clocks import Clock
from jobs.core.plausible import STUCK_S
from jobs.core.words import Say, say, say_n
from jobs.ids import reading_id
from jobs.models import (
    Logger,
    LoggerClock,
    LoggerHeard,
    Reading,
    ReadingConflict,
    ReadingFlag,
    TemperatureUnit,
    Zone,
)
from scheduling import parts
from scheduling.acts.base import Allowed

#: Of what looks wrong or contradicts, a page shows the latest.
AT_ONCE = 8

_FLAGS = {
    ReadingFlag.Kind.RANGE: say("outside what a room's air can be"),
    ReadingFlag.Kind.JUMP: say("jumps away from its neighbours"),
    ReadingFlag.Kind.STUCK: say(
        "the very same for more than {hours} hours; is the sensor stuck?", hours=STUCK_S // 3600
    ),
}


@dataclass(frozen=True, slots=True)
class HeardIn:
    """What was last heard of a logger in one zone."""

    zone: int
    zone_name: str
    job: str
    #: None: it has not reported here yet.
    last_at: datetime | None
    #: What the logger itself said, where its clock is off; None: its clock is right.
    said_at: datetime | None
    #: The air of that reading as it stands; None: it was taken back, or there is none.
    air: Say | None
    is_silent: bool


@dataclass(frozen=True, slots=True)
class LoggerView:
    """One logger as the manager sees it."""

    logger: Logger
    silent_after: timedelta
    zones: tuple[HeardIn, ...]

    @property
    def state(self) -> Say:
        """How it stands, in one word or two."""
        if self.logger.ended_at is not None:
            return say("ended")
        if not any(one.last_at for one in self.zones):
            return say("not heard yet")
        silent = [one for one in self.zones if one.is_silent]
        return say("silent") if silent else say("reports")

    @property
    def is_silent(self) -> bool:
        """Whether it reported for some zone of its own and no longer does."""
        return self.logger.ended_at is None and any(one.is_silent for one in self.zones)


@dataclass(frozen=True, slots=True)
class LoggersPage:
    """Every logger: those that may report, and those that are ended."""

    live: tuple[LoggerView, ...]
    ended: tuple[LoggerView, ...]

    @property
    def silent(self) -> int:
        """How many are silent."""
        return sum(one.is_silent for one in self.live)


def loggers_page(*, now: datetime) -> LoggersPage:
    """Return every logger, by name."""
    views = _views(Logger.objects.order_by("name", "pk"), now=now)
    return LoggersPage(
        tuple(one for one in views if one.logger.ended_at is None),
        tuple(one for one in views if one.logger.ended_at is not None),
    )


def logger_view(logger: Logger, *, now: datetime) -> LoggerView:
    """Return one logger with what was last heard of it in each of its zones."""
    (view,) = _views(Logger.objects.filter(pk=logger.pk), now=now)
    return view


@dataclass(frozen=True, slots=True)
class ZoneLoggers:
    """What a zone's page shows of its loggers.

    Counts say how many lines are left out of each list.
    """

    zone: int
    #: Each logger that may report here, and how it stands.
    loggers: parts.Ledger | None
    clocks: tuple[parts.LogRow, ...]
    flagged: tuple[parts.LogRow, ...]
    flagged_left_out: int
    conflicts: tuple[parts.LogRow, ...]
    conflicts_left_out: int
    #: Where a clock is stated; None: this reader may not.
    clock_url: str | None
    #: Where a logger's file is read in; None: this reader may not.
    file_url: str | None


def zone_loggers(zone: Zone, *, rights: Collection[Allowed], now: datetime) -> ZoneLoggers:
    """Return the loggers of a zone, their clocks, and what of their readings looks wrong or contradicts.

    Args:
        zone: with its job and site.
        rights: which acts are the reader's, as `pages.room.rights_of` tells.
    """
    may_record = Allowed.SITE in rights
    clocks = clocks_in([zone.pk])
    views = _views(Logger.objects.filter(zones=zone, ended_at__isnull=True).order_by("name", "pk"), now=now)
    here = [(view.logger, one) for view in views for one in view.zones if one.zone == zone.pk]
    flagged, flagged_left_out = _flagged(zone, clocks, may_record=may_record)
    conflicts, conflicts_left_out = _conflicts(zone, clocks)
    return ZoneLoggers(
        zone=zone.pk,
        loggers=_ledger(here) if here else None,
        clocks=_clock_lines(zone, may_record=may_record),
        flagged=flagged,
        flagged_left_out=flagged_left_out,
        conflicts=conflicts,
        conflicts_left_out=conflicts_left_out,
        clock_url=reverse("scheduling:act", args=["zones", zone.pk, "logger-clock"]) if may_record else None,
        file_url=reverse("scheduling:logger_file", args=[zone.pk]) if may_record else None,
    )


# ---- loggers ----


def _views(loggers: QuerySet[Logger], *, now: datetime) -> tuple[LoggerView, ...]:
    rows = list(loggers.prefetch_related("zones__job"))
    heard = {
        (logger, zone): at
        for logger, zone, at in LoggerHeard.objects.filter(logger__in=rows).values_list(
            "logger", "zone", "last_at"
        )
    }
    clocks = clocks_in({zone for _logger, zone in heard})
    air = _air(rows, heard)
    views = []
    for logger in rows:
        silent_after = timedelta(seconds=logger.silent_after_s)
        zones = []
        for zone in sorted(logger.zones.all(), key=lambda zone: (zone.job.name, zone.name, zone.pk)):
            said_at = heard.get((logger.pk, zone.pk))
            last_at = clocks.get((logger.name, zone.pk), Clock()).put_right(said_at) if said_at else None
            zones.append(
                HeardIn(
                    zone=zone.pk,
                    zone_name=zone.name,
                    job=zone.job.name,
                    last_at=last_at,
                    said_at=said_at if said_at != last_at else None,
                    air=air.get(reading_id(zone=zone.pk, logger=logger.name, at=said_at))
                    if said_at
                    else None,
                    is_silent=last_at is not None and now >= last_at + silent_after,
                )
            )
        views.append(LoggerView(logger, silent_after, tuple(zones)))
    return tuple(views)


def _air(loggers: Sequence[Logger], heard: dict[tuple[int, int], datetime]) -> dict[UUID, Say]:
    names = {logger.pk: logger.name for logger in loggers}
    origins = [reading_id(zone=zone, logger=names[logger], at=at) for (logger, zone), at in heard.items()]
    rows = Reading.objects.standing().filter(origin__in=origins)
    return {
        origin: _air_words(temperature, unit, humidity)
        for origin, temperature, unit, humidity in rows.values_list(
            "origin", "temperature", "unit", "humidity_pct"
        )
    }


def _ledger(here: Iterable[tuple[Logger, HeardIn]]) -> parts.Ledger:
    rows = []
    for logger, one in here:
        state = say("silent since {at}", at=one.last_at) if one.is_silent and one.last_at else say("reports")
        if one.last_at is None:
            state = say("not heard yet")
        rows.append(
            parts.LedgerRow(
                (
                    parts.Entry(logger.name),
                    parts.Entry(one.air or say("–")),
                    parts.Entry(_at_words(one.last_at, one.said_at)),
                    parts.Entry(state),
                ),
                key=f"logger-{logger.pk}",
            )
        )
    heads = (say("Logger"), say("Air"), say("Last heard"), say("How it stands"))
    return parts.Ledger(say("Loggers that report by themselves"), tuple(map(parts.Head, heads)), tuple(rows))


def _at_words(at: datetime | None, said_at: datetime | None) -> Say:
    if at is None:
        return say("not yet")
    if said_at is None:
        return say("{at}", at=at)
    return say("{at}, the logger said {said}", at=at, said=said_at)


# ---- clocks ----


def _clock_lines(zone: Zone, *, may_record: bool) -> tuple[parts.LogRow, ...]:
    stands = LoggerClock.objects.standing().filter(zone=zone).select_related("recorded_by")
    return tuple(
        parts.LogRow(
            at=one.from_at,
            fact=_clock_words(one),
            detail=say("{by}", by=one.said_by or one.recorded_by.name),
            key=f"clock-{one.pk}",
            acts=_changes(one.pk) if may_record else (),
        )
        for one in stands.order_by("-from_at", "-recorded_at", "-pk")
    )


def _clock_words(one: LoggerClock) -> Say:
    off = timedelta(seconds=abs(one.offset_s))
    if one.offset_s > 0:
        return say("Logger {logger}: its clock is {off} slow from then on.", logger=one.logger, off=off)
    if one.offset_s < 0:
        return say("Logger {logger}: its clock is {off} ahead from then on.", logger=one.logger, off=off)
    return say("Logger {logger}: its clock is right from then on.", logger=one.logger)


# ---- what looks wrong, and what contradicts ----


def _flagged(zone: Zone, clocks: Clocks, *, may_record: bool) -> tuple[tuple[parts.LogRow, ...], int]:
    """Return what looks wrong, latest first, and how many lines are left out; a sensor that sticks is one line."""
    flags = ReadingFlag.objects.filter(
        zone=zone, reading__superseded_by__isnull=True, reading__withdraws=False
    )
    single = flags.exclude(kind=ReadingFlag.Kind.STUCK)
    kinds: dict[UUID, list[Say]] = {}
    readings: dict[UUID, Reading] = {}
    # One reading may be flagged twice.
    rows = single.select_related("reading__recorded_by").order_by("-happened_at", "-pk")[: 2 * AT_ONCE]
    for flag in rows:
        kinds.setdefault(flag.reading_id, []).append(_FLAGS[ReadingFlag.Kind(flag.kind)])
        readings[flag.reading_id] = flag.reading
    lines = [
        _flag_line(one, tuple(kinds[pk]), clocks, may_record=may_record)
        for pk, one in list(readings.items())[:AT_ONCE]
    ]
    left_out = single.values("reading").distinct().count() - len(lines) if len(lines) == AT_ONCE else 0
    return (*_stuck_lines(flags, clocks), *lines), left_out


def _flag_line(one: Reading, doubts: tuple[Say, ...], clocks: Clocks, *, may_record: bool) -> parts.LogRow:
    at, said_at = meant(one, clocks)
    air = _air_words(one.temperature, one.unit, one.humidity_pct)
    return parts.LogRow(
        at=at,
        fact=say("{air}: {doubts}.", air=air, doubts=doubts),
        detail=by_words(one, said_at),
        key=f"flag-{one.pk}",
        acts=_changes(one.pk) if may_record else (),
    )


def _stuck_lines(flags: QuerySet[ReadingFlag], clocks: Clocks) -> list[parts.LogRow]:
    """Return a line for each value at which a sensor sticks, since when and how often."""
    air = ("reading__logger", "reading__temperature", "reading__unit", "reading__humidity_pct")
    stuck = flags.filter(kind=ReadingFlag.Kind.STUCK).order_by().values_list("zone", *air)
    runs = stuck.annotate(first=Min("happened_at"), last=Max("happened_at"), count=Count("pk"))
    lines: list[parts.LogRow] = []
    for zone, logger, temperature, unit, humidity, first, last, count in runs.order_by("-last")[:AT_ONCE]:
        clock = clocks.get((logger, zone), Clock())
        fact = say_n(
            "{air}: {doubt} {n} reading to {last}.",
            "{air}: {doubt} {n} readings to {last}.",
            n=count,
            air=_air_words(temperature, unit, humidity),
            doubt=_FLAGS[ReadingFlag.Kind.STUCK],
            last=clock.put_right(last),
        )
        key = f"stuck-{len(lines)}"
        lines.append(
            parts.LogRow(at=clock.put_right(first), fact=fact, detail=say("{by}", by=logger), key=key)
        )
    return lines


def _conflicts(zone: Zone, clocks: Clocks) -> tuple[tuple[parts.LogRow, ...], int]:
    found = ReadingConflict.objects.filter(reading__zone=zone).exclude(reading__superseded_by__withdraws=True)
    found = found.select_related("reading__recorded_by")
    rows = list(found.order_by("-said_at", "-reading__happened_at", "-pk")[: AT_ONCE + 1])
    lines = []
    for one in rows[:AT_ONCE]:
        at, said_at = meant(one.reading, clocks)
        stands = one.reading
        lines.append(
            parts.LogRow(
                at=at,
                fact=say(
                    "{stands} stands; {said} was said of the same instant.",
                    stands=_air_words(stands.temperature, stands.unit, stands.humidity_pct),
                    said=_air_words(one.temperature, one.unit, one.humidity_pct),
                ),
                detail=by_words(stands, said_at),
                key=f"conflict-{one.pk}",
                state="disagrees",
            )
        )
    return tuple(lines), found.count() - len(lines) if len(rows) > AT_ONCE else 0


# ---- readings, wherever they are listed ----


def by_words(reading: Reading, said_at: datetime | None) -> Say:
    """Return who or what read it, and what the logger's clock showed where it was off."""
    by = reading.logger or reading.said_by or reading.recorded_by.name
    return say("{by}", by=by) if said_at is None else say("{by}; the logger said {said}", by=by, said=said_at)


def _air_words(temperature: float, unit: str, humidity_pct: float) -> Say:
    return say(
        "{air} {unit}, {humidity} %",
        air=temperature,
        unit=str(TemperatureUnit(unit).label),
        humidity=humidity_pct,
    )


def _changes(fact: UUID) -> tuple[parts.LogLink, ...]:
    return (
        parts.LogLink(say("correct"), reverse("scheduling:correct", args=[fact])),
        parts.LogLink(say("take back"), reverse("scheduling:withdraw", args=[fact])),
    )
