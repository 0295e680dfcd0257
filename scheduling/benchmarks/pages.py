"""What the pages cost: their queries, counted, and how long twenty visitors wait for them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from functools import partial
from random import Random
from statistics import median
from typing import Any
from urllib.parse import urlsplit

from django.conf import settings
from django.db import connection
from django.test import Client
from django.urls import reverse

from config import clock
from config.bench import Row, await_page, benchmark, percentile, prepared, served, spread_of
from jobs.models import Person
from jobs.services.people import sign_in_link_for
from scheduling import states
from scheduling.benchmarks import limits
from scheduling.benchmarks.firm import Business, add_rooms, open_business
from scheduling.benchmarks.visitors import Visitor, cookie_from, latencies

ROOMS = 300
READINGS = 100_000
#: Of the firm that visitors wait for.
READINGS_STORED = 1_000_000
VISITORS = 20
EVERY_S = 2.0
ROUND_S = 20.0
ROUNDS = 3
#: The most queries a page may ask, whatever there is to show.
MOST_QUERIES = {"morning_queries": 10, "job_queries": 8, "room_queries": 12}
GOALS_MS: Mapping[str, float | None] = {
    "morning_p95_ms": 150,
    "room_p95_ms": 100,
    "zone_p95_ms": 120,
    "job_p95_ms": None,
}


# ---- queries ----


@benchmark(*MOST_QUERIES, *(f"{name}_twice" for name in MOST_QUERIES))
def page_queries(rooms: int = ROOMS, readings: int = READINGS) -> list[Row]:
    """Count what each page asks the database, session and person included, then with twice the rows.

    The states of the rooms are up to date, as they are on all visits but the first after a change.  The room
    is the one of twenty that asks the most, seen by a manager and by a crew lead.
    """
    prepared()
    now = clock.read()
    business = open_business(now=now)
    once, twice = (_counted(business, rooms, readings) for _ in range(2))
    return [
        *(Row(name, once[name], "queries", "less", goal=most) for name, most in MOST_QUERIES.items()),
        *(
            Row(
                f"{name}_twice",
                twice[name],
                "queries",
                "less",
                goal=1,
                goal_on="ratio",
                baseline=once[name],
            )
            for name in MOST_QUERIES
        ),
    ]


def _counted(business: Business, rooms: int, readings: int) -> dict[str, int]:
    add_rooms(business, rooms, readings=readings)
    states.refresh_due(now=clock.read())
    return {
        "morning_queries": _most(business.manager, [reverse("scheduling:morning")]),
        "job_queries": max(
            _most(one, [_job_path(business)]) for one in (business.manager, business.leads[0])
        ),
        "room_queries": max(
            _most(one, _room_paths(business)) for one in (business.manager, business.leads[0])
        ),
    }


def _most(person: Person, paths: list[str]) -> int:
    client = Client(headers={"host": "localhost"})
    client.force_login(person)
    # The first visit fills what the process keeps, as templates and routes.
    _get(client, paths[0])
    return max(count_of(partial(_get, client, path)) for path in paths)


def _get(client: Client, path: str) -> None:
    answer = client.get(path)
    if answer.status_code != 200:
        raise RuntimeError(f"{path} answers {answer.status_code}")


def count_of(call: Callable[[], object]) -> int:
    """Return how many queries a call asks."""
    with _counting() as asked:
        call()
    return len(asked)


@contextmanager
def _counting() -> Iterator[list[str]]:
    asked: list[str] = []

    def note(execute: Any, sql: str, params: Any, many: bool, context: dict[str, Any]) -> Any:
        asked.append(sql)
        return execute(sql, params, many, context)

    with connection.execute_wrapper(note):
        yield asked


# ---- waiting ----


@benchmark(*GOALS_MS)
def page_p95(
    rooms: int = ROOMS, readings: int = READINGS_STORED, rounds: int = ROUNDS, round_s: float = ROUND_S
) -> list[Row]:
    """Let twenty visitors ask every two seconds, a page at a time in shuffled order; the limit is an empty view.

    The whole service runs as `make run` starts it.  The million readings are ten minutes apart and spread evenly
    over the fifty zones of the rooms: 20,000 each, back over 139 days.  What rests came within the last four
    days, in five of the rooms 30 days ago: these are drawn from the hours, as their zones' pages are.
    """
    prepared()
    now = clock.read()
    business = open_business(now=now)
    add_rooms(business, rooms, readings=readings)
    states.refresh_due(now=now)
    links = [urlsplit(sign_in_link_for(one, now=now)).path for one in (business.manager, *business.leads[:6])]
    connection.close()
    with served(settings.DATA, env=limits.ENVIRONMENT) as (address, process):
        await_page(f"{address}{limits.EMPTY}", process)
        boss, *leads = (cookie_from(address, link) for link in links)
        asked = _visitors(business, boss, leads)
        took = _rounds(address, asked, rounds, round_s)
    return _rows(took)


def _visitors(business: Business, boss: str, leads: list[str]) -> dict[str, list[Visitor]]:
    """Return who asks for what: rooms are asked for by managers and crew leads, each for rooms in another order."""
    rooms = _room_paths(business, len(business.rooms))
    zones = [reverse("scheduling:zone", args=[zone.pk]) for zone in business.zones]
    crowd = range(VISITORS)
    return {
        "empty": [Visitor([limits.EMPTY])] * VISITORS,
        "morning_p95_ms": [Visitor([reverse("scheduling:morning")], boss)] * VISITORS,
        "job_p95_ms": [Visitor([_job_path(business)], boss)] * VISITORS,
        "room_p95_ms": [
            Visitor(Random(one).sample(rooms, len(rooms)), leads[one % len(leads)] if one % 2 else boss)
            for one in crowd
        ],
        # Crew leads see the zones of some jobs only.
        "zone_p95_ms": [Visitor(Random(one).sample(zones, len(zones)), boss) for one in crowd],
    }


def _rounds(
    address: str, asked: Mapping[str, list[Visitor]], rounds: int, round_s: float
) -> dict[str, list[float]]:
    """Return the 95th percentile of each round in milliseconds, by what was asked for."""
    shuffled, order = Random(1), list(asked)
    took: dict[str, list[float]] = {name: [] for name in asked}
    for name in order:
        latencies(address, asked[name], every_s=EVERY_S, for_s=EVERY_S, seed=0)  # both processes warm
    for seed in range(rounds):
        shuffled.shuffle(order)
        for name in order:
            waited = latencies(address, asked[name], every_s=EVERY_S, for_s=round_s, seed=seed)
            took[name].append(percentile(waited, 95) * 1000)
    return took


def _rows(took: Mapping[str, list[float]]) -> list[Row]:
    return [
        Row(
            name,
            median(took[name]),
            "ms",
            "less",
            goal=goal,
            baseline=median(took["empty"]),
            spread=spread_of(took[name]),
        )
        for name, goal in GOALS_MS.items()
    ]


def _job_path(business: Business) -> str:
    """Return the path of the largest job."""
    return reverse("scheduling:job", args=[business.jobs[0].pk])


def _room_paths(business: Business, count: int = 20) -> list[str]:
    return [reverse("scheduling:room", args=[room.pk]) for room in business.rooms[:count]]
