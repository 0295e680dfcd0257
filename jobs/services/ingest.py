"""A batch that a logger posted: each row stored, known, in conflict or refused, in short transactions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import groupby
from typing import Final, Literal

from django.db import transaction

from jobs.air import lock_zones
from jobs.clocks import clocks_in
from jobs.core.clocks import Clock
from jobs.core.logger_values import Reading as ReadOut
from jobs.core.posted import Batch, Posted, ZoneKey, number_of
from jobs.core.words import Say, say
from jobs.facts import CLOCK_TOLERANCE, EARLIEST, raise_versions
from jobs.models import LoggerHeard, Zone
from jobs.services.loggers import Sender, written
from jobs.services.readings import Conflict, Voice, add_readings, rooms_of

#: So many rows are committed at once, so that a person's own fact waits a part of a second at most.
AT_ONCE: Final = 500

STORED: Final = "stored"
KNOWN: Final = "known"
#: A conflict shows both values; a sentence says why a row is refused.
Answer = Literal["stored", "known"] | Conflict | Say
ToStore = tuple[int, ReadOut]


@dataclass(frozen=True, slots=True)
class _Place:
    """A zone that the logger may report for, and what is said of its clock there."""

    zone: int
    name: str
    #: The number of its job if that is closed; None: it is open.
    closed_job: str | None
    clock: Clock


def take(batch: Batch, sender: Sender, *, now: datetime) -> list[Answer]:
    """Store what a logger posted, `AT_ONCE` rows a transaction, and answer each row in its order.

    Sent again, whole or in part and whoever sends it meanwhile, it adds nothing.  A row that is refused costs
    no other.  Of two rows of one instant the first stands.
    """
    places = _Places(sender)
    answers: list[Answer] = []
    rows: list[ToStore] = []
    for row in batch.rows:
        if isinstance(row, Say):
            answers.append(row)
            continue
        found = places.refusal_or_zone(row, now=now)
        if isinstance(found, Say):
            answers.append(found)
        else:
            answers.append(STORED)
            rows.append((found, row.reading))
    # Earliest first, so that what is stored around a chunk is read once; equal ones keep their order.
    rows.sort(key=_zone_and_instant)
    for first in range(0, len(rows), AT_ONCE):
        _store(rows[first : first + AT_ONCE], sender, answers, now=now)
    return answers


def _zone_and_instant(row: ToStore) -> tuple[int, datetime]:
    return row[0], row[1].at


@transaction.atomic
def _store(rows: Sequence[ToStore], sender: Sender, answers: list[Answer], *, now: datetime) -> None:
    voice, changed = Voice(sender.name, sender.by), []
    lock_zones({zone for zone, _reading in rows})
    for zone, mine in groupby(rows, key=lambda row: row[0]):
        readings = [reading for _zone, reading in mine]
        found = add_readings(readings, zone=zone, voice=voice, now=now)
        if _is_heard(sender, zone, at=readings[-1].at) or found.new:
            changed.append(zone)
        for number in found.known:
            answers[number - 1] = KNOWN
        for conflict in found.conflicts:
            answers[conflict.row - 1] = conflict
    if changed:
        raise_versions(rooms_of(changed), now=now)


def _is_heard(sender: Sender, zone: int, *, at: datetime) -> bool:
    """Remember the latest instant that a logger told of a zone; return False for an old one that it replays."""
    heard = LoggerHeard.objects.filter(logger=sender.logger, zone=zone)
    if heard.filter(last_at__lt=at).update(last_at=at):
        return True
    if heard.exists():
        return False
    LoggerHeard.objects.create(logger_id=sender.logger, zone_id=zone, last_at=at)
    return True


class _Places:
    """The zones of a logger, by what it may call them."""

    def __init__(self, sender: Sender) -> None:
        zones = Zone.objects.filter(loggers=sender.logger).order_by("pk")
        columns = zones.values_list("pk", "name", "job__number", "job__closed_at")
        rows = list(columns)
        clocks = clocks_in([pk for pk, *_rest in rows])
        self._by_number = {
            pk: _Place(pk, name, number if closed_at else None, clocks.get((sender.name, pk), Clock()))
            for pk, name, number, closed_at in rows
        }
        self._found: dict[ZoneKey, _Place | Say] = {}

    def refusal_or_zone(self, row: Posted, *, now: datetime) -> int | Say:
        """Return the zone that a row is for, or why it is refused."""
        key = row.zone
        place = self._found.get(key)
        if place is None:
            place = self._found[key] = self._place(key)
        if isinstance(place, Say):
            return place
        at, latest = row.reading.at, now + CLOCK_TOLERANCE
        meant = place.clock.put_right(at) if place.clock else at
        if at >= EARLIEST and meant <= latest:
            return place.zone
        return _impossible(at, meant - at)

    def _place(self, key: ZoneKey) -> _Place | Say:
        number = number_of(key)
        found = {number} & self._by_number.keys() if number is not None else set()
        if isinstance(key, str):
            called = key.strip().casefold()
            found |= {pk for pk, place in self._by_number.items() if place.name.casefold() == called}
        if not found:
            # Another's zone answers like one that never was.
            return say("There is no zone “{zone}” for this logger.", zone=str(key)[:40])
        if len(found) > 1:
            numbers = ", ".join(map(str, sorted(found)))
            return say(
                "“{zone}” may be zones {numbers}; give the number.", zone=str(key)[:40], numbers=numbers
            )
        place = self._by_number[found.pop()]
        if place.closed_job is not None:
            return say("Job {number} is closed; nothing more is recorded for it.", number=place.closed_job)
        return place


def _impossible(at: datetime, offset: timedelta) -> Say:
    if at < EARLIEST:
        return say("{at} is before the year 2000; look at the logger's clock.", at=written(at))
    if offset:
        return say(
            "{at} is still to come once {minutes} min are added, as was said of this clock; say if it is right again.",
            at=written(at),
            minutes=f"{offset.total_seconds() / 60:+g}",
        )
    return say(
        "{at} is still to come; look at the logger's clock, and say by how much it is off.", at=written(at)
    )
