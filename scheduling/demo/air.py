"""The demo's loggers: a line says how the air of a zone went, and this makes the readings of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from math import pi, sin

from jobs.core.logger_values import Reading as ReadOut
from jobs.core.posted import Batch, Posted
from jobs.core.worktime import Span
from jobs.facts import Envelope, record
from jobs.ids import reading_id
from jobs.models import Logger, Person, Reading, ReadingFile, Zone
from jobs.services.ingest import take
from jobs.services.kept import keep_file
from jobs.services.loggers import Sender, add_logger

HUMID_FOR = timedelta(hours=2, minutes=40)
SILENT_AFTER = timedelta(hours=2)
STORIES = ("steady", "cold night", "humid morning")
#: The air of the cold night and of the humid morning, away from what is usual.
COLD_C, DAMP_PCT = 14.2, 68.0


@dataclass(frozen=True, slots=True)
class Air:
    """What is usual in a zone, and its story."""

    zone: Zone
    logger: str
    every: timedelta
    hangs_since: datetime
    air_c: float
    humidity_pct: float
    story: str
    #: When the story strikes: the cold night, or the humid morning up to the present; `steady` has none.
    strikes: Span

    def between(self, start: datetime, end: datetime) -> Iterator[tuple[datetime, float, float]]:
        """Return what the logger read after `start` and up to `end`: instant, °C, percent."""
        step = int(self.every.total_seconds())
        first = (int(start.timestamp()) // step + 1) * step
        for second in range(first, int(end.timestamp()) + 1, step):
            at = datetime.fromtimestamp(second, UTC)
            yield at, *self._read(at)

    def _read(self, at: datetime) -> tuple[float, float]:
        """Return a day's slow wave, a little ripple, and the story where it strikes."""
        hours = at.timestamp() / 3600
        wave, ripple = sin(2 * pi * (hours - 9) / 24), sin(hours * 1.7)
        air, humidity = self.air_c + 0.7 * wave + 0.2 * ripple, self.humidity_pct - 2 * wave + ripple
        start, end = self.strikes
        if start <= at < end and self.story == "cold night":
            air, humidity = COLD_C + 0.3 * ripple, humidity + 4
        if start <= at < end and self.story == "humid morning":
            humidity = DAMP_PCT + ripple
        return round(air, 1), round(humidity, 1)


def read_in(air: Air, envelope: Envelope) -> ReadingFile:
    """Record that a zone's logger was read in: every reading since the last time, stored at once."""
    last = Reading.objects.filter(zone=air.zone, logger=air.logger).order_by("-happened_at").first()
    since = last.happened_at if last else air.hangs_since
    rows = list(air.between(since, envelope.happened_at))
    lines = (f"{at:%Y-%m-%dT%H:%MZ},{air_c},{humidity}" for at, air_c, humidity in rows)
    body = "\n".join(["time,temperature °C,relative humidity %", *lines, ""]).encode()
    name = f"{air.logger}_{envelope.happened_at:%Y-%m-%d}.csv"
    file = ReadingFile(
        zone=air.zone,
        name=name,
        sha256=keep_file(name, body, by=envelope.by, now=envelope.now).sha256,
        logger=air.logger,
        new=len(rows),
        known=0,
        conflicts=0,
    )
    stored = record(file, envelope)
    Reading.objects.bulk_create([_reading(air, stored, *row) for row in rows])
    return stored


def report(air: Air, *, by: Person, now: datetime) -> None:
    """Let a zone's logger post by itself what it read since the last time; the manager adds it where it is new."""
    logger = Logger.objects.filter(name=air.logger).first()
    if logger is None:
        logger, _token = add_logger(
            name=air.logger, zones=[air.zone], silent_after=SILENT_AFTER, by=by, now=air.hangs_since
        )
    last = Reading.objects.filter(zone=air.zone, logger=air.logger).order_by("-happened_at").first()
    since = last.happened_at if last else air.hangs_since
    rows = tuple(
        Posted(air.zone.pk, ReadOut(at, air_c, "c", humidity, number))
        for number, (at, air_c, humidity) in enumerate(air.between(since, now), start=1)
    )
    take(Batch(rows), Sender(logger.pk, logger.name, logger.made_by_id, is_unnoted=True), now=now)
    Logger.objects.filter(pk=logger.pk).update(last_used_at=now)


def _reading(air: Air, file: ReadingFile, at: datetime, air_c: float, humidity_pct: float) -> Reading:
    ident = reading_id(zone=air.zone.pk, logger=air.logger, at=at)
    return Reading(
        id=ident,
        origin=ident,
        happened_at=at,
        recorded_at=file.recorded_at,
        recorded_by=file.recorded_by,
        zone=air.zone,
        temperature=air_c,
        humidity_pct=humidity_pct,
        logger=air.logger,
        file=file,
    )
