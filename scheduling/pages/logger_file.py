"""The pages of a logger's file: what it leaves open, how it was read, what contradicts what is stored."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from jobs.core.logger_file import Reading, ReadOut
from jobs.core.words import Say, say, say_n
from jobs.models import TemperatureUnit
from jobs.services.readings import Air, Conflict, Stored
from scheduling.parts import Entry, Head, Ledger, LedgerRow
from scheduling.printing import number_words, percent_words, temperature_words

CONFLICTS_SHOWN = 50


@dataclass(frozen=True, slots=True)
class ReadPage:
    """A file as it was read, before it is stored."""

    told: tuple[Say, ...]
    first: Ledger
    stored: Stored
    count: int
    answer: Say


def read_page(out: ReadOut, stored: Stored) -> ReadPage:
    """Return how a file was read, in words, with its first rows, and what storing it would add."""
    return ReadPage(out.told, _first_rows(out.first), stored, len(out.readings), counted(stored))


def counted(stored: Stored) -> Say:
    """Return what a file adds, in one sentence: `0 new, 412 known`."""
    counts = {"new": str(stored.new), "known": str(stored.known)}
    if not stored.conflicts:
        return say("{new} new, {known} known.", **counts)
    conflicts = say_n("{n} in conflict", "{n} in conflict", n=len(stored.conflicts))
    return say("{new} new, {known} known, {conflicts}.", conflicts=conflicts, **counts)


def _first_rows(first: Sequence[Reading]) -> Ledger:
    heads = (
        Head(say("In the file")),
        Head(say("Read on the site's clock")),
        Head(say("Air"), figures=True),
        Head(say("Humidity"), figures=True),
    )
    rows = tuple(
        LedgerRow(
            (
                Entry(say("Row {row}", row=str(one.row))),
                Entry(_full(one.at)),
                Entry(_temperature(one.value, one.unit)),
                Entry(percent_words(one.rh_pct)),
            )
        )
        for one in first
    )
    return Ledger(say("The first rows"), heads, rows)


def conflicts_ledger(conflicts: Sequence[Conflict]) -> Ledger:
    """Return the instants of which the logger said two things: the first stands, both are shown."""
    heads = (
        Head(say("In the file")),
        Head(say("Read on the site's clock")),
        Head(say("Stored before, stands")),
        Head(say("In this file")),
    )
    rows = tuple(
        LedgerRow(
            (
                Entry(say("Row {row}", row=str(one.row))),
                Entry(_full(one.at)),
                Entry(_air(one.stands)),
                Entry(_air(one.said)),
            )
        )
        for one in conflicts[:CONFLICTS_SHOWN]
    )
    left_out = max(0, len(conflicts) - CONFLICTS_SHOWN)
    return Ledger(say("In conflict"), heads, rows, left_out=left_out)


def _full(at: datetime) -> Say:
    """Return the instant as a sentence part."""
    return say("{at}", at=at)


def _air(air: Air) -> Say:
    return say(
        "{temperature}, {humidity}",
        temperature=_temperature(air.temperature, air.unit),
        humidity=percent_words(air.humidity_pct),
    )


def _temperature(value: float, unit: str) -> str:
    """Return a temperature as it was read: with its tenth, and with its hundredth where it has one."""
    figures = number_words(value)
    if round(value, 2) == round(value, 1):
        figures = temperature_words(value).removesuffix("\N{NO-BREAK SPACE}°C")
    return f"{figures}\N{NO-BREAK SPACE}{TemperatureUnit(unit).label}"
