"""How long readings take from their bytes to storage, in a file or in posts, beside the least that storing takes."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime, timedelta
from functools import partial
from http.client import HTTPConnection
from math import pi, sin
from random import Random
from statistics import median
from typing import Any
from urllib.parse import urlsplit

from django.conf import settings
from django.db import connection, transaction

from config import clock
from config.bench import Row, await_page, benchmark, prepared, served, spread_of, timed
from jobs.core.logger_file import ReadOut, read
from jobs.ids import reading_id
from jobs.models import Firm, Job, Person, Reading, Room, Site, Zone
from jobs.services.ingest import AT_ONCE
from jobs.services.loggers import add_logger
from jobs.services.readings import CHUNK, Source, store_readings

READINGS = 100_000
ROUNDS = 3
READ_EVERY = timedelta(minutes=5)
ROOMS = 6

POSTED = 20_000
POST_ROUNDS = 5
#: What is to be reached of the database's own fastest way in.
POST_GOALS = {"sqlite": 0.45, "postgresql": 0.35}
#: One process of the service's own web server.
ONE_PROCESS = [sys.executable, "-m", "gunicorn", "config.wsgi", "--worker-class", "gthread", "--workers", "1"]
ONE_PROCESS += ["--threads", "4", "--log-level", "warning", "--no-control-socket"]


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


@benchmark("ingest_http")
def ingest_http(readings: int = POSTED, rounds: int = POST_ROUNDS) -> list[Row]:
    """Post readings five minutes apart in batches of 500, all new, one after the other to one process.

    The limit is a bare `executemany` (SQLite) or `COPY` (PostgreSQL) of the same rows, made ready before, into
    the same table, committed per 500.  Ours asks whose the token is, reads JSON, looks for each instant among
    what is stored, judges each reading beside its neighbours and answers each row.  "Clocks updated": each
    transaction raises the versions of the zone's air and of its six rooms, by which the next look at a rest
    clock goes on from what came; what that look costs is told by `reading_to_state_ms`.
    """
    prepared()
    now = clock.read()
    by, zones = _places(2 * (rounds + 1))
    tokens = {zone.pk: _logger_in(zone, by, now=now) for zone in zones}
    took: dict[str, list[float]] = {"posted": [], "bare": []}
    connection.close()
    with served(settings.DATA, command=ONE_PROCESS) as (address, process):
        await_page(f"{address}/livez", process)
        ways: dict[str, Callable[[Zone], float]] = {
            "posted": lambda zone: _posted(address, tokens[zone.pk], readings, zone, now=now),
            "bare": partial(_bare, readings, by, now=now, at_once=AT_ONCE, is_fastest=True),
        }
        shuffled, order = Random(1), list(ways)
        for number in range(rounds + 1):
            shuffled.shuffle(order)
            for name in order:
                seconds = ways[name](zones.pop())
                if number:  # the first only warms both processes
                    took[name].append(seconds)
    posted, bare = median(took["posted"]), median(took["bare"])
    return [
        Row(
            "ingest_http",
            readings / posted,
            "readings/s",
            "more",
            goal=POST_GOALS[connection.vendor],
            goal_on="ratio",
            baseline=readings / bare,
            spread=max(spread_of(times) for times in took.values()),
        )
    ]


def _logger_in(zone: Zone, by: Person, *, now: datetime) -> str:
    name = f"T{zone.pk}"
    return add_logger(name=name, zones=[zone], silent_after=timedelta(hours=1), by=by, now=now)[1]


def _posted(address: str, token: str, readings: int, zone: Zone, *, now: datetime) -> float:
    rows = [
        {"zone": zone.pk, "at": at.isoformat(), "t_c": t_c, "rh_pct": rh_pct}
        for at, t_c, rh_pct in _air(readings, now=now)
    ]
    bodies = [json.dumps({"readings": chunk}).encode() for chunk in _chunks(rows, AT_ONCE)]
    headers = {"Authorization": f"Bearer {token}", "Content-Type": "application/json"}
    server = HTTPConnection(urlsplit(address).netloc, timeout=60)
    answers: list[bytes] = []

    def post() -> None:
        for body in bodies:
            server.request("POST", "/ingest/readings", body, headers)
            answers.append(server.getresponse().read())

    seconds = timed(post)
    server.close()
    if sum(json.loads(answer)["stored"] for answer in answers) != readings:
        raise RuntimeError(f"not all was stored: {answers[-1][:200]!r}")
    return seconds


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


def _bare(
    readings: int,
    by: Person,
    zone: Zone,
    *,
    now: datetime,
    at_once: int = CHUNK,
    is_fastest: bool = False,
) -> float:
    fields = Reading._meta.concrete_fields
    rows = [
        tuple(field.get_db_prep_save(getattr(row, field.attname), connection) for field in fields)
        for row in _made(readings, by, zone, now=now)
    ]
    names = ", ".join(connection.ops.quote_name(str(field.column)) for field in fields)
    table = connection.ops.quote_name(Reading._meta.db_table)
    sql = f"INSERT INTO {table} ({names}) VALUES ({', '.join(['%s'] * len(fields))})"
    is_copied = is_fastest and connection.vendor == "postgresql"

    def store() -> None:
        for chunk in _chunks(rows, at_once):
            with transaction.atomic(), connection.cursor() as cursor:
                if not is_copied:
                    cursor.executemany(sql, chunk)
                    continue
                with cursor.copy(f"COPY {table} ({names}) FROM STDIN") as copy:
                    for row in chunk:
                        copy.write_row(row)

    return timed(store)


def _bulk(readings: int, by: Person, zone: Zone, *, now: datetime) -> float:
    rows = list(_made(readings, by, zone, now=now))

    def store() -> None:
        for chunk in _chunks(rows, CHUNK):
            with transaction.atomic():
                Reading.objects.bulk_create(chunk)

    return timed(store)


def _chunks(rows: Sequence[Any], at_once: int) -> Iterator[Sequence[Any]]:
    for first in range(0, len(rows), at_once):
        yield rows[first : first + at_once]


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
