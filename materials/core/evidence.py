"""What is said of a zone's air: readings, memories, statements, and which of them stand.

The exact meaning, edges decided, is the contract of the worked cases, kind `rest`.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TypeVar


class WrongFact(ValueError):
    """Facts that cannot all be true: `at` is the path of the wrong one (`readings[2].corrects`)."""

    def __init__(self, at: str, why: str) -> None:
        super().__init__(f"{at}: {why}")
        self.at = at
        self.why = why


@dataclass(frozen=True, slots=True)
class Reading:
    """Air of a zone at an instant, °C and percent of relative humidity; `corrects` is another's id."""

    id: str
    zone: Hashable
    at: datetime
    t_c: float
    rh_pct: float
    corrects: str | None = None


@dataclass(frozen=True, slots=True)
class Memory:
    """The extremes that a meter remembers of a zone over [`from_at`, `to_at`), in °C and percent."""

    id: str
    zone: Hashable
    from_at: datetime
    to_at: datetime
    t_min: float
    t_max: float
    rh_min: float
    rh_max: float


@dataclass(frozen=True, slots=True)
class Statement:
    """A person's word that a zone was held in its band over [`from_at`, `to_at`)."""

    id: str
    zone: Hashable
    from_at: datetime
    to_at: datetime
    by: str


@dataclass(frozen=True, slots=True)
class Ignored:
    """Sorted ids of facts that did not count: later than now, corrected, contradicted by a reading."""

    after_now: tuple[str, ...] = ()
    superseded: tuple[str, ...] = ()
    contradicted: tuple[str, ...] = ()


Fact = TypeVar("Fact", Reading, Memory, Statement)


def standing_readings(readings: Sequence[Reading]) -> tuple[list[Reading], tuple[str, ...]]:
    """Return the readings that no correction replaces, and the sorted ids of those that one does.

    The same reading twice is one.  A correction of a reading that is not here stands by itself.

    Raises:
        WrongFact: one id with two contents, two corrections of one reading, a circle of corrections.
    """
    by_id = _by_id("readings", readings)
    corrected_by: dict[str, str] = {}
    for i, reading in enumerate(readings):
        if reading.corrects is None:
            continue
        if corrected_by.setdefault(reading.corrects, reading.id) != reading.id:
            raise WrongFact(f"readings[{i}].corrects", "is corrected by another reading already")
    standing = [reading for name, reading in by_id.items() if name not in corrected_by]
    _refuse_circles(readings, by_id, standing)
    return standing, tuple(sorted(corrected_by.keys() & by_id.keys()))


def distinct_memories(memories: Sequence[Memory]) -> list[Memory]:
    """Return each memory once.

    Raises:
        WrongFact: one id with two contents, an end not after its beginning, a minimum above its maximum.
    """
    for i, memory in enumerate(memories):
        _refuse_no_span("memories", i, memory)
        if memory.t_min > memory.t_max:
            raise WrongFact(f"memories[{i}].t_min", "is above t_max")
        if memory.rh_min > memory.rh_max:
            raise WrongFact(f"memories[{i}].rh_min", "is above rh_max")
    return list(_by_id("memories", memories).values())


def distinct_statements(statements: Sequence[Statement]) -> list[Statement]:
    """Return each statement once.

    Raises:
        WrongFact: one id with two contents, an end not after its beginning.
    """
    for i, statement in enumerate(statements):
        _refuse_no_span("statements", i, statement)
    return list(_by_id("statements", statements).values())


def _by_id(name: str, facts: Sequence[Fact]) -> dict[str, Fact]:
    by_id: dict[str, Fact] = {}
    for i, fact in enumerate(facts):
        if by_id.setdefault(fact.id, fact) != fact:
            raise WrongFact(f"{name}[{i}].id", "is used twice with different contents")
    return by_id


def _refuse_no_span(name: str, i: int, fact: Memory | Statement) -> None:
    if fact.to_at <= fact.from_at:
        raise WrongFact(f"{name}[{i}].to", "is not after from")


def _refuse_circles(
    readings: Sequence[Reading], by_id: Mapping[str, Reading], standing: Iterable[Reading]
) -> None:
    # Each reading corrects at most one and is corrected by at most one, so what no standing reading leads to
    # runs in a circle.
    led_to: set[str] = set()
    for reading in standing:
        step: Reading | None = reading
        while step is not None:
            led_to.add(step.id)
            step = None if step.corrects is None else by_id.get(step.corrects)
    for i, reading in enumerate(readings):
        if reading.id not in led_to:
            raise WrongFact(f"readings[{i}].corrects", "leads back to the reading itself")
