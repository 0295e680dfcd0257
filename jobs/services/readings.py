"""Storing a logger's readings: thousands of them under ids that follow from what they say, in short transactions.

The same line twice is the same fact, so a file read in twice adds nothing, and one that was broken off half-way
goes on where it ended.  The same logger at the same instant with another value is a conflict: the first stands,
and what else was said is kept beside it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any
from uuid import UUID, uuid5

from django.core.exceptions import ValidationError
from django.db import connection, transaction
from django.db.models import QuerySet
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from jobs.air import lock_zones, note_readings
from jobs.core.logger_values import Reading as ReadOut
from jobs.core.worktime import time_zone
from jobs.facts import CLOCK_TOLERANCE, EARLIEST, Envelope, check_open, raise_versions, record
from jobs.ids import LOGGER_NAMESPACE, reading_hex
from jobs.models import Person, Reading, ReadingConflict, ReadingFile, Room, Zone
from jobs.services.doubts import REACH, Around, around, judge

#: So many readings are committed at once: others wait a part of a second at most.
CHUNK = 5_000
#: So many rows are named one by one where all of them are refused.
NAMED_ROWS = 3


@dataclass(frozen=True, slots=True)
class Air:
    """What was read: the temperature in its own unit, and percent."""

    temperature: float
    unit: str
    humidity_pct: float


@dataclass(frozen=True, slots=True)
class Conflict:
    """One instant of which a logger said two things: what stands, and what the file says in `row`."""

    at: datetime
    row: int
    stands: Air
    said: Air


@dataclass(frozen=True, slots=True)
class Stored:
    """What a file adds to what is stored: how many readings are new or known, and what contradicts."""

    new: int
    known: int
    conflicts: tuple[Conflict, ...]


@dataclass(frozen=True, slots=True)
class Voice:
    """Whose readings they are: the logger as people name it, who answers for them, and the file they came in."""

    logger: str
    by: int
    file: UUID | None = None


@dataclass(slots=True)
class Found:
    """What became of readings: those that are new, the rows of those that are known, what contradicts."""

    new: list[ReadOut] = field(default_factory=list)
    known: list[int] = field(default_factory=list)
    conflicts: list[Conflict] = field(default_factory=list)
    #: For each conflict, the origin of the reading that stands.
    against: list[UUID] = field(default_factory=list)

    def take(self, other: Found) -> None:
        """Add what became of further readings."""
        self.new += other.new
        self.known += other.known
        self.conflicts += other.conflicts
        self.against += other.against


@dataclass(frozen=True, slots=True)
class Source:
    """Where readings come from: the file, and the logger as people name it."""

    name: str
    sha256: str
    logger: str


def check_readings(readings: Sequence[ReadOut], *, zone: Zone, now: datetime) -> None:
    """Refuse readings that cannot be stored in this zone at all.

    Raises:
        ValidationError: there is none, the job is closed, or a row is still to come or before the year 2000.
    """
    if not readings:
        raise ValidationError(_("There is no reading in it."))
    check_open(zone.job)
    wrong = [one for one in readings if not EARLIEST <= one.at <= now + CLOCK_TOLERANCE]
    if not wrong:
        return
    place = time_zone(zone.job.site.time_zone)
    rows = ", ".join(
        _("row %(row)d (%(at)s)") % {"row": one.row, "at": f"{one.at.astimezone(place):%Y-%m-%d %H:%M}"}
        for one in wrong[:NAMED_ROWS]
    )
    message = ngettext(
        "%(n)d row is still to come on the site's clock, or before the year 2000: %(rows)s. "
        "Look at the logger's clock, and at the time zone and the order of day and month you gave.",
        "%(n)d rows are still to come on the site's clock, or before the year 2000, first %(rows)s. "
        "Look at the logger's clock, and at the time zone and the order of day and month you gave.",
        len(wrong),
    )
    raise ValidationError(message % {"n": len(wrong), "rows": rows})


def compare(readings: Sequence[ReadOut], *, zone: Zone, logger: str) -> Stored:
    """Return what storing these readings would do; writes nothing.

    Args:
        readings: earliest first.
    """
    found = Found()
    for run in _runs(readings):
        found.take(_sorted_out(run, around(run, zone=zone.pk, logger=logger), zone.pk, logger))
    return Stored(len(found.new), len(found.known), tuple(found.conflicts))


def store_readings(
    readings: Sequence[ReadOut], *, zone: Zone, source: Source, by: Person, now: datetime
) -> Stored:
    """Store a file's readings, `CHUNK` at a time, each chunk with the versions of the zone's rooms raised once.

    One fact and one line of history stand for the whole file; where it adds nothing there is neither.

    Args:
        readings: earliest first, each instant once, as `jobs.core.logger_file.read` returns them.

    Raises:
        ValidationError: as `check_readings`, or the logger has no name; nothing is stored.
    """
    check_readings(readings, zone=zone, now=now)
    file: ReadingFile | None = None
    whole = Found()
    for first in range(0, len(readings), CHUNK):
        with transaction.atomic():
            lock_zones([zone.pk])
            is_raised = False
            if first == 0:
                file, is_raised = _file_of(readings, zone, source, by=by, now=now)
            voice = Voice(source.logger, by.pk, file.pk if file else None)
            found = add_readings(readings[first : first + CHUNK], zone=zone.pk, voice=voice, now=now)
            if found.new and not is_raised:
                raise_versions(rooms_of([zone.pk]), now=now)
        whole.take(found)
    return Stored(len(whole.new), len(whole.known), tuple(whole.conflicts))


def rooms_of(zones: Iterable[int]) -> QuerySet[Room, int]:
    """Return the keys of the rooms that the air of these zones speaks for."""
    return Room.objects.filter(zone__in=list(zones)).values_list("pk", flat=True)


def add_readings(readings: Sequence[ReadOut], *, zone: int, voice: Voice, now: datetime) -> Found:
    """Store what is new of these readings, with what is doubtful and what contradicts, and say what became of each.

    In the caller's transaction, with the zone locked; the caller raises the versions of the rooms, not of the air.

    Args:
        readings: earliest first; of two at one instant the first stands.
    """
    whole = Found()
    for run in _runs(readings):
        stored = around(run, zone=zone, logger=voice.logger)
        found = _sorted_out(run, stored, zone, voice.logger)
        if found.new:
            _insert(found.new, zone, voice, now=now)
            judge(found.new, stored, zone=zone, logger=voice.logger)
        whole.take(found)
    if whole.new:
        note_readings(zone, voice.logger, [one.at for one in whole.new])
    _keep(whole, now=now)
    return whole


def _runs(readings: Sequence[ReadOut]) -> Iterator[Sequence[ReadOut]]:
    """Part readings where so much time lies between two that what is stored there need not be read."""
    first = 0
    for index in range(1, len(readings)):
        if readings[index].at - readings[index - 1].at > 2 * REACH:
            yield readings[first:index]
            first = index
    if readings:
        yield readings[first:]


def _file_of(
    readings: Sequence[ReadOut], zone: Zone, source: Source, *, by: Person, now: datetime
) -> tuple[ReadingFile | None, bool]:
    """Return the fact of this file, and whether it was recorded just now, the rooms' versions raised with it.

    The same file has the same fact; one that neither adds nor contradicts anything has none.
    """
    name = f"file/{zone.pk}/{source.logger}/{source.sha256}/{readings[0].at.isoformat()}"
    ident = uuid5(LOGGER_NAMESPACE, name)
    begun: ReadingFile | None = ReadingFile.objects.filter(pk=ident).first()
    if begun is not None:
        return begun, False
    found = compare(readings, zone=zone, logger=source.logger)
    if not found.new and not found.conflicts:
        return None, False
    fact = ReadingFile(
        zone=zone,
        name=source.name,
        sha256=source.sha256,
        logger=source.logger,
        new=found.new,
        known=found.known,
        conflicts=len(found.conflicts),
    )
    return record(fact, Envelope(id=ident, happened_at=now, by=by, now=now)), True


def _sorted_out(readings: Sequence[ReadOut], stored: Around, zone: int, logger: str) -> Found:
    """Return what is new, what is known, and what contradicts a reading that is stored, or an earlier row."""
    found = Found()
    as_id = reading_hex(zone=zone, logger=logger)
    known: dict[int, tuple[float, str, float]] = {}
    origins: dict[int, UUID] = {}
    for row in stored.first_said:
        known[row.at_s] = (row.temperature, row.unit, row.humidity_pct)
        origins[row.at_s] = row.origin
    for one in readings:
        at_s, said = int(one.at.timestamp()), (one.value, one.unit, one.rh_pct)
        stands = known.setdefault(at_s, said)
        if stands is said:
            found.new.append(one)
        elif stands == said:
            found.known.append(one.row)
        else:
            found.conflicts.append(Conflict(one.at, one.row, Air(*stands), Air(*said)))
            found.against.append(origins[at_s] if at_s in origins else UUID(as_id(one.at)))
    return found


# ---- rows ----


def _keep(found: Found, *, now: datetime) -> None:
    """Keep what contradicts beside the reading that stands; said again, it adds nothing."""
    rows = [
        ReadingConflict(
            id=uuid5(LOGGER_NAMESPACE, f"conflict/{reading}/{one.said}"),
            reading_id=reading,
            temperature=one.said.temperature,
            unit=one.said.unit,
            humidity_pct=one.said.humidity_pct,
            said_at=now,
        )
        for one, reading in zip(found.conflicts, found.against, strict=True)
    ]
    ReadingConflict.objects.bulk_create(rows, ignore_conflicts=True)


def _insert(readings: Sequence[ReadOut], zone: int, voice: Voice, *, now: datetime) -> None:
    """Insert readings that are not stored yet, past the model's own way, which takes three times as long."""
    common = Reading(
        recorded_at=now,
        recorded_by_id=voice.by,
        zone_id=zone,
        logger=voice.logger,
        file_id=voice.file,
        said_by="",
        reason="",
    )
    own = ("id", "origin", "happened_at", "temperature", "unit", "humidity_pct")
    fields = {field.name: field for field in Reading._meta.concrete_fields}
    shared = [name for name in fields if name not in own]
    fixed = tuple(
        fields[name].get_db_prep_save(getattr(common, fields[name].attname), connection) for name in shared
    )
    as_id, as_instant = reading_hex(zone=zone, logger=voice.logger), _as_stored()
    rows = [
        ((ident := as_id(one.at)), ident, as_instant(one.at), one.value, one.unit, one.rh_pct, *fixed)
        for one in readings
    ]
    _copy_in([str(fields[name].column) for name in (*own, *shared)], rows)


def _as_stored() -> Callable[[datetime], Any]:
    """Return what gives an instant (UTC, whole seconds) as the database keeps it, for thousands of them."""
    if connection.vendor == "sqlite":
        # As Django writes it, which asks many questions of each.
        return lambda at: at.isoformat(" ")[:19]
    return connection.ops.adapt_datetimefield_value


def _copy_in(columns: Sequence[str], rows: Sequence[tuple[Any, ...]]) -> None:
    """Insert rows of readings by the database's own fastest way."""
    names = ", ".join(map(connection.ops.quote_name, columns))
    table = connection.ops.quote_name(Reading._meta.db_table)
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            with cursor.copy(f"COPY {table} ({names}) FROM STDIN") as copy:
                for row in rows:
                    copy.write_row(row)
            return
        marks = ", ".join(["%s"] * len(columns))
        cursor.executemany(f"INSERT INTO {table} ({names}) VALUES ({marks})", rows)
