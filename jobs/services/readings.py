"""Storing a logger's file: thousands of readings under the ids that follow from what they say, in short transactions.

The same line twice is the same fact, so a file read in twice adds nothing, and one that was broken off half-way
goes on where it ended.  The same logger at the same instant with another value is a conflict: the first stands.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID, uuid5

from django.core.exceptions import ValidationError
from django.db import connection, transaction
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from jobs.core.logger_values import Reading as ReadOut
from jobs.core.worktime import time_zone
from jobs.facts import CLOCK_TOLERANCE, EARLIEST, Envelope, check_open, raise_versions, record
from jobs.ids import LOGGER_NAMESPACE, reading_id
from jobs.models import Person, Reading, ReadingFile, Room, Zone

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
    """Return what storing these readings would do; writes nothing."""
    new, known, conflicts = _sorted_out(readings, zone, logger)
    return Stored(len(new), known, tuple(conflicts))


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
    rooms = list(Room.objects.filter(zone=zone).values_list("pk", flat=True))
    file: ReadingFile | None = None
    new = known = 0
    conflicts: list[Conflict] = []
    for first in range(0, len(readings), CHUNK):
        with transaction.atomic():
            # Whoever else stores readings of this zone waits here, so that an id is looked up and stored alone.
            Zone.objects.select_for_update(no_key=True).get(pk=zone.pk)
            is_raised = False
            if first == 0:
                file, is_raised = _file_of(readings, zone, source, by=by, now=now)
            added, again, odd = _sorted_out(readings[first : first + CHUNK], zone, source.logger)
            if added and file is not None:
                if not is_raised:
                    raise_versions(rooms, now=now)
                _insert(added, zone, file, by=by, now=now)
        new, known = new + len(added), known + again
        conflicts += odd
    return Stored(new, known, tuple(conflicts))


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


def _sorted_out(
    readings: Sequence[ReadOut], zone: Zone, logger: str
) -> tuple[list[ReadOut], int, list[Conflict]]:
    """Return what is new, how many are known, and what contradicts a reading that is stored."""
    stored = Reading.objects.filter(
        zone=zone,
        logger=logger,
        supersedes__isnull=True,
        happened_at__gte=readings[0].at,
        happened_at__lte=readings[-1].at,
    )
    columns = stored.values_list("happened_at", "temperature", "unit", "humidity_pct")
    known = {at: (temperature, unit, humidity) for at, temperature, unit, humidity in columns.iterator()}
    if not known:
        return list(readings), 0, []
    new: list[ReadOut] = []
    conflicts: list[Conflict] = []
    for one in readings:
        air = known.get(one.at)
        if air is None:
            new.append(one)
        elif air != (one.value, one.unit, one.rh_pct):
            conflicts.append(Conflict(one.at, one.row, Air(*air), Air(one.value, one.unit, one.rh_pct)))
    return new, len(readings) - len(new) - len(conflicts), conflicts


# ---- rows ----


def _insert(readings: Sequence[ReadOut], zone: Zone, file: ReadingFile, *, by: Person, now: datetime) -> None:
    """Insert readings that are not stored yet, past the model's own way, which takes three times as long."""
    common = Reading(
        recorded_at=now, recorded_by=by, zone=zone, logger=file.logger, file=file, said_by="", reason=""
    )
    own = ("id", "origin", "happened_at", "temperature", "unit", "humidity_pct")
    fields = {field.name: field for field in Reading._meta.concrete_fields}
    shared = [name for name in fields if name not in own]
    fixed = tuple(
        fields[name].get_db_prep_save(getattr(common, fields[name].attname), connection) for name in shared
    )
    names = ", ".join(connection.ops.quote_name(str(fields[name].column)) for name in (*own, *shared))
    marks = ", ".join(["%s"] * len(fields))
    table = connection.ops.quote_name(Reading._meta.db_table)
    as_id, as_instant = fields["id"].get_db_prep_save, fields["happened_at"].get_db_prep_save

    def row_of(one: ReadOut) -> tuple[Any, ...]:
        ident = as_id(_id_of(one, zone, file.logger), connection)
        at = as_instant(one.at, connection)
        return (ident, ident, at, one.value, one.unit, one.rh_pct, *fixed)

    with connection.cursor() as cursor:
        cursor.executemany(
            f"INSERT INTO {table} ({names}) VALUES ({marks})", [row_of(one) for one in readings]
        )


def _id_of(one: ReadOut, zone: Zone, logger: str) -> UUID:
    return reading_id(zone=zone.pk, logger=logger, at=one.at)
