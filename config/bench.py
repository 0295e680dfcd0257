"""How figures are taken and printed: side by side in one run, in shuffled order, median and spread.

A benchmark is a function in one of `MODULES`, registered under the names of the rows it returns.  Each runs in
a process of its own on a data folder of its own, so that it finds neither the operator's rows nor another's.
"""

from __future__ import annotations

import contextlib
import os
import random
import secrets
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from statistics import median
from typing import Literal
from urllib.error import HTTPError
from urllib.parse import urlsplit

import psycopg
from psycopg import sql

MODULES = (
    "config.benchmarks",
    "jobs.benchmarks",
    "materials.benchmarks",
    "scheduling.benchmarks.pages",
    "scheduling.benchmarks.feed",
    "scheduling.benchmarks.holds",
    "scheduling.benchmarks.increment",
    "scheduling.benchmarks.strip",
)
CHECKOUT = Path(__file__).resolve().parent.parent
PAGE_WITHIN_S = 120.0

Good = Literal["less", "more"]


@dataclass(frozen=True, slots=True)
class Row:
    """One figure.

    `baseline` is the limit measured in the same run, `default` the framework's own way, both in `unit`;
    `spread` is the widest distance of a round from the median, as a share of it.  The goal is on the value
    or, with `goal_on="ratio"`, on value ÷ baseline; None: the figure is only printed.
    """

    name: str
    value: float
    unit: str
    good: Good
    goal: float | None = None
    goal_on: Literal["value", "ratio"] = "value"
    baseline: float | None = None
    default: float | None = None
    spread: float | None = None

    @property
    def ratio(self) -> float | None:
        """The value as a share of the baseline."""
        return self.value / self.baseline if self.baseline else None

    @property
    def is_met(self) -> bool | None:
        """Whether the goal is reached; None where there is none."""
        reached = self.value if self.goal_on == "value" else self.ratio
        if self.goal is None or reached is None:
            return None
        return reached <= self.goal if self.good == "less" else reached >= self.goal


Benchmark = Callable[[], list[Row]]

REGISTERED: dict[tuple[str, ...], Benchmark] = {}


def benchmark(*names: str) -> Callable[[Benchmark], Benchmark]:
    """Register a benchmark under the names of the rows it returns."""

    def register(measure: Benchmark) -> Benchmark:
        REGISTERED[names] = measure
        return measure

    return register


def load() -> dict[tuple[str, ...], Benchmark]:
    """Load every module that registers benchmarks and return them all."""
    for module in MODULES:
        import_module(module)
    return REGISTERED


@dataclass(frozen=True, slots=True)
class Timed:
    """Seconds a call took: the median over the rounds, and the widest distance from it as a share of it."""

    median_s: float
    spread: float


def side_by_side(
    calls: Mapping[str, Callable[[], object]], *, rounds: int = 7, seed: int = 1
) -> dict[str, Timed]:
    """Time calls against each other in one run: each once a round, in an order shuffled anew each round."""
    shuffled, order = random.Random(seed), list(calls)
    took: dict[str, list[float]] = {name: [] for name in calls}
    for _ in range(rounds):
        shuffled.shuffle(order)
        for name in order:
            took[name].append(timed(calls[name]))
    return {name: Timed(median(times), spread_of(times)) for name, times in took.items()}


def timed(call: Callable[[], object]) -> float:
    """Return the seconds a call takes."""
    began = time.perf_counter()
    call()
    return time.perf_counter() - began


def percentile(values: Sequence[float], percent: int) -> float:
    """Return the least of the values that `percent` of a hundred of them are not above (nearest rank)."""
    return sorted(values)[-(-len(values) * percent // 100) - 1]


def spread_of(values: list[float]) -> float:
    """Return the widest distance of a value from their median, as a share of it."""
    middle = median(values)
    return max(abs(value - middle) for value in values) / middle if middle else 0.0


def prepared() -> None:
    """Bring this process's own database and static files up to the code, as the service does at its start."""
    from config.management.commands.serve import prepare  # Django must be set up before models are imported

    prepare()


@contextlib.contextmanager
def scratch_database(url: str | None) -> Iterator[dict[str, str]]:
    """Make a database of our own on the server at `url`, drop it afterwards, and yield what names it.

    Without a PostgreSQL address nothing is made and nothing named: the data folder has its own file.  The
    database that `url` names is never opened.
    """
    if url is None or not url.startswith(("postgres://", "postgresql://")):
        yield {}
        return
    name = f"setday_bench_{secrets.token_hex(6)}"
    with psycopg.connect(urlsplit(url)._replace(path="/postgres").geturl(), autocommit=True) as server:
        server.execute(sql.SQL("CREATE DATABASE {}").format(sql.Identifier(name)))
        try:
            own = urlsplit(url)._replace(path=f"/{name}").geturl()
            yield {
                "DATABASE_URL": own,
                "SETDAY_SECRET": secrets.token_hex(16),
                "SETDAY_HOSTS": "localhost,127.0.0.1",
            }
        finally:
            server.execute(sql.SQL("DROP DATABASE {} WITH (FORCE)").format(sql.Identifier(name)))


def free_port() -> int:
    """Return a port that nobody listens on at this moment."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def await_page(url: str, process: subprocess.Popen[bytes]) -> float:
    """Ask for a page until it comes, and return how long that took in seconds.

    Raises:
        RuntimeError: the process ended, the page is an error, or nothing came for two minutes.
    """
    began = time.perf_counter()
    while time.perf_counter() - began < PAGE_WITHIN_S:
        try:
            with urllib.request.urlopen(url, timeout=PAGE_WITHIN_S) as answer:
                answer.read()
                return time.perf_counter() - began
        except HTTPError as error:
            raise RuntimeError(f"{url} answers {error.code}") from error
        except OSError as error:
            if process.poll() is not None:
                raise RuntimeError(f"the service ended with status {process.returncode}") from error
            time.sleep(0.01)
    raise RuntimeError(f"{url} does not answer")


@contextlib.contextmanager
def served(
    data: Path, *, command: list[str] | None = None, env: Mapping[str, str] | None = None
) -> Iterator[tuple[str, subprocess.Popen[bytes]]]:
    """Run the service on `data` and yield its address at once, and its process; end it afterwards."""
    port = free_port()
    process = subprocess.Popen(
        command or [sys.executable, "manage.py", "serve"],
        cwd=CHECKOUT,
        env=os.environ | {"DATA": str(data), "PORT": str(port)} | dict(env or {}),
        stdout=subprocess.DEVNULL,
    )
    try:
        yield f"http://127.0.0.1:{port}", process
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait()


def line_of(row: Row) -> list[str]:
    """Return a row as the cells of a table."""
    sign = "≤" if row.good == "less" else "≥"
    goal = (
        "" if row.goal is None else f"{'ratio ' if row.goal_on == 'ratio' else ''}{sign} {figure(row.goal)}"
    )
    met = {None: "", True: "met", False: "not met"}[row.is_met]
    cells = (row.value, row.baseline, row.default, row.ratio)
    value, limit, default, ratio = ("" if cell is None else figure(cell) for cell in cells)
    spread = "" if row.spread is None else f"± {row.spread:.0%}"
    return [row.name, value, row.unit, limit, default, ratio, spread, row.good, goal, met]


HEADINGS = ["name", "value", "unit", "baseline", "default", "ratio", "spread", "good", "goal", ""]


def table(rows: list[Row]) -> str:
    """Return the rows as a table to read."""
    lines = [HEADINGS, *(line_of(row) for row in rows)]
    widths = [max(len(line[column]) for line in lines) for column in range(len(HEADINGS))]
    padded = (zip(line, widths, strict=True) for line in lines)
    return "\n".join("  ".join(cell.ljust(width) for cell, width in line).rstrip() for line in padded)


def figure(value: float) -> str:
    """Return a number with three figures that count, and none of them in powers of ten."""
    if value == int(value) or abs(value) >= 100:
        return f"{value:,.0f}"
    return f"{value:.3g}"
