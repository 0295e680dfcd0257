"""How many calendars a second are answered with "your copy is right", of the answers that do nothing at all."""

from __future__ import annotations

from random import Random
from statistics import median
from urllib.parse import urlsplit
from urllib.request import Request, urlopen

from django.conf import settings
from django.db import connection
from django.http.response import HttpResponseBase
from django.test import Client

from config import clock
from config.bench import Row, await_page, benchmark, prepared, served, spread_of
from scheduling import feeds, states
from scheduling.benchmarks import limits
from scheduling.benchmarks.firm import add_rooms, open_business
from scheduling.benchmarks.pages import count_of
from scheduling.benchmarks.visitors import rate

ROOMS = 300
READINGS = 20_000
ROUND_S = 1.0
ROUNDS = 15


@benchmark("feed_304", "feed_304_bare", "feed_304_queries", "feed_304_cookies")
def feed_304(
    rooms: int = ROOMS, readings: int = READINGS, rounds: int = ROUNDS, round_s: float = ROUND_S
) -> list[Row]:
    """Ask for a crew's calendar that has not changed, against an empty view through the same middleware.

    `feed_304_bare` sets the same rate against an empty view before all middleware.  The default renders
    the calendar each time and lets Django compare it.
    """
    prepared()
    now = clock.read()
    business = open_business(now=now)
    add_rooms(business, rooms, readings=readings)
    states.refresh_due(now=now)
    secret = urlsplit(feeds.new_feed_secret(business.crews[0], person=None, now=now)).path.split("/")[-1]
    ours = f"/feeds/{secret}"
    queries, cookies = _costs(ours)
    connection.close()
    with served(settings.DATA, env=limits.ENVIRONMENT) as (address, process):
        await_page(f"{address}{limits.EMPTY}", process)
        rates = _rates(address, ours, f"/limit/rendered/{secret}", rounds, round_s)
    return [*_shares(rates), *_counts(queries, cookies)]


def _costs(path: str) -> tuple[int, int]:
    """Return the queries of a 304, and the cookies it sets or depends on."""
    client = Client(headers={"host": "localhost", "accept-encoding": "gzip"})
    first = client.get(path)
    again: list[HttpResponseBase] = []
    queries = count_of(lambda: again.append(client.get(path, headers={"if-none-match": first["ETag"]})))
    (answer,) = again
    if answer.status_code != 304:
        raise RuntimeError(f"{path} answers {answer.status_code}")
    return queries, len(answer.cookies) + ("cookie" in answer.get("Vary", "").lower())


def _rates(address: str, ours: str, rendered: str, rounds: int, round_s: float) -> dict[str, list[float]]:
    """Return the answers a second of each round, by what was asked for."""
    empty: tuple[int, list[str]] = (200, [])
    asked = {
        limits.EMPTY: empty,
        limits.BARE: empty,
        **{path: (304, _headers(address, path)) for path in (ours, rendered)},
    }
    shuffled, order = Random(1), list(asked)
    came: dict[str, list[float]] = {path: [] for path in asked}
    for number in range(rounds + 1):
        shuffled.shuffle(order)
        for path in order:
            status, headers = asked[path]
            answers = rate(address, path, status=status, headers=headers, for_s=round_s if number else 1.0)
            if number:  # the first only warms both processes
                came[path].append(answers)
    names = {limits.EMPTY: "empty", limits.BARE: "bare", ours: "ours", rendered: "rendered"}
    return {name: came[path] for path, name in names.items()}


def _headers(address: str, path: str) -> list[str]:
    """Return what a calendar program sends that has a copy."""
    asked = Request(address + path, headers={"Accept-Encoding": "gzip"})
    with urlopen(asked, timeout=30) as answer:
        return ["Accept-Encoding: gzip", f"If-None-Match: {answer.headers['ETag']}"]


def _shares(rates: dict[str, list[float]]) -> list[Row]:
    def row(name: str, against: str, goal: float | None) -> Row:
        return Row(
            name,
            median(rates["ours"]),
            "answers/s",
            "more",
            goal=goal,
            goal_on="ratio",
            baseline=median(rates[against]),
            default=median(rates["rendered"]),
            spread=max(spread_of(rates["ours"]), spread_of(rates[against])),
        )

    return [row("feed_304", "empty", 0.7), row("feed_304_bare", "bare", None)]


def _counts(queries: int, cookies: int) -> list[Row]:
    return [
        Row("feed_304_queries", queries, "queries", "less", goal=2),
        Row("feed_304_cookies", cookies, "cookies", "less", goal=0),
    ]
