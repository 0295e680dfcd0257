"""How long a logger's file takes from its bytes to stored readings, beside the least that storing them takes."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import datetime, timedelta
from functools import partial
from math import pi, sin
from random import Random
from statistics import median
from typing import Any

from django.db import connection, transaction

from config import clock
from config.bench import Row, benchmark, prepared, spread_of, timed
from jobs.core.logger_file import ReadOut, read
from jobs.ids import reading_id
from jobs.models import Firm, Job, Person, Reading, Room, Site, Zone
from jobs.services.readings import CHUNK, Source, store_readings

READINGS = 100_000
ROUNDS = 3
READ_EVERY = timedelta(minutes=5)
ROOMS = 6


@benchmark("logger_file_100k_s", "logger_file_rate")
def logger_file(readings: int = READINGS, rounds: int = ROUNDS) -> list[Row]:
    """Read and store a file of readings five minutes apart, all new, in a zone of six rooms.

    The limit is a bare `executemany` of the same rows, made ready before, into the same table with the same
    commits; the default is the framework's `bulk_create` of them.  Both are spared the reading of the file.
    The table grows by every turn, and the order of turns is shuffled.
    """
    prepared()
    now = clock.read()
    by, zones = _places(3 * rounds)
    data = _file(readings, now=now)
    ways: dict[str, Callable[[Zone], float]] = {
        "ours": partial(_ours, data, by, now=now),
        "bare": partial(_bare, readings, by, now=now),
        "bulk": partial(_bulk, readings, by, now=now),
    }
    took: dict[str, list[float]] = {name: [] for name in ways}
    shuffled, order = Random(1), list(ways)
    for _ in range(rounds):
        shuffled.shuffle(order)
        for name in order:
            took[name].append(ways[name](zones.pop()))
    return _rows(readings, took)


def _rows(readings: int, took: dict[str, list[float]]) -> list[Row]:
    ours, bare, bulk = (median(took[name]) for name in ("ours", "bare", "bulk"))
    spread = max(spread_of(times) for times in took.values())
    return [
        Row("logger_file_100k_s", ours, "s", "less", goal=8, baseline=bare, default=bulk, spread=spread),
        Row(
            "logger_file_rate",
            readings / ours,
            "readings/s",
            "more",
            baseline=readings / bare,
            default=readings / bulk,
            spread=spread,
        ),
    ]


def _ours(data: bytes, by: Person, zone: Zone, *, now: datetime) -> float:
    def store() -> None:
        found = read(data)
        assert isinstance(found, ReadOut)
        source = Source("logger.csv", f"{zone.pk:064d}", "T1")
        stored = store_readings(found.readings, zone=zone, source=source, by=by, now=now)
        assert stored.new == len(found.readings)

    return timed(store)


def _bare(readings: int, by: Person, zone: Zone, *, now: datetime) -> float:
    fields = Reading._meta.concrete_fields
    rows = [
        tuple(field.get_db_prep_save(getattr(row, field.attname), connection) for field in fields)
        for row in _made(readings, by, zone, now=now)
    ]
    names = ", ".join(connection.ops.quote_name(str(field.column)) for field in fields)
    table = connection.ops.quote_name(Reading._meta.db_table)
    sql = f"INSERT INTO {table} ({names}) VALUES ({', '.join(['%s'] * len(fields))})"

    def store() -> None:
        for chunk in _chunks(rows):
            with transaction.atomic(), connection.cursor() as cursor:
                cursor.executemany(sql, chunk)

    return timed(store)


def _bulk(readings: int, by: Person, zone: Zone, *, now: datetime) -> float:
    rows = list(_made(readings, by, zone, now=now))

    def store() -> None:
        for chunk in _chunks(rows):
            with transaction.atomic():
                Reading.objects.bulk_create(chunk)

    return timed(store)


def _chunks(rows: Sequence[Any]) -> Iterator[Sequence[Any]]:
    for first in range(0, len(rows), CHUNK):
        yield rows[first : first + CHUNK]


def _places(zones: int) -> tuple[Person, list[Zone]]:
    firm = Firm.objects.create(name="Holm Linings", kind=Firm.Kind.CONTRACTOR)
    by = Person.objects.create(
        firm=firm, name="Ada Holm", email="ada@people.example", time_zone="Europe/Paris", is_manager=True
    )
    site = Site.objects.create(name="Quay", address="1 Quay Street", time_zone="Europe/Paris")
    job = Job.objects.create(site=site, number="J1", name="Kitchens")
    band = {"t_min": 18, "t_max": 24, "rh_min": 35, "rh_max": 60}
    made = [Zone.objects.create(job=job, name=f"Level {number}", **band) for number in range(zones)]
    Room.objects.bulk_create(
        Room(
            job=job,
            zone=zone,
            name=f"{zone.name}, room {n}",
            substrate="gypsum_board",
            fixing="glued",
            crew_hours=8,
        )
        for zone in made
        for n in range(ROOMS)
    )
    return by, made


def _air(readings: int, *, now: datetime) -> Iterator[tuple[datetime, float, float]]:
    first_at = now - readings * READ_EVERY
    for number in range(readings):
        wave = sin(number * pi / 144)
        yield first_at + number * READ_EVERY, round(21 + wave, 1), round(45 - 4 * wave, 1)


def _file(readings: int, *, now: datetime) -> bytes:
    lines = [f"{at.isoformat()},{t_c},{rh_pct}" for at, t_c, rh_pct in _air(readings, now=now)]
    return "\r\n".join(["time,temperature °C,relative humidity %", *lines, ""]).encode()


def _made(readings: int, by: Person, zone: Zone, *, now: datetime) -> Iterator[Reading]:
    for at, t_c, rh_pct in _air(readings, now=now):
        ident = reading_id(zone=zone.pk, logger="T1", at=at)
        yield Reading(
            id=ident,
            origin=ident,
            happened_at=at,
            recorded_at=now,
            recorded_by=by,
            zone=zone,
            temperature=t_c,
            unit="c",
            humidity_pct=rh_pct,
            logger="T1",
        )
