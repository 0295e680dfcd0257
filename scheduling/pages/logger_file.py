"""The pages of a logger's file: what it leaves open, how it was read, what contradicts what is stored.

And what is kept beside them: the files that this zone's readings came from, and what is remembered of their kinds.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from django.urls import reverse

from jobs.core.logger_counts import WORDS as COUNTS
from jobs.core.logger_file import Reading, ReadOut
from jobs.core.words import Say, say, say_n
from jobs.models import KeptFile, LoggerMapping, Person, ReadingFile, TemperatureUnit, Zone
from jobs.services.mappings import REMEMBERED, Recalled
from jobs.services.readings import Air, Conflict, Stored
from scheduling.parts import Entry, Head, Ledger, LedgerRow
from scheduling.printing import number_words, percent_words, temperature_words

CONFLICTS_SHOWN = 50
FILES_SHOWN = 20
MAPPINGS_SHOWN = 100
_LONGEST_HEADER = 160
_ANSWERS: Mapping[tuple[str, str], Say] = {
    ("day_first", "yes"): say("the day first"),
    ("day_first", "no"): say("the month first"),
    ("day_first", "year"): say("the year first"),
    ("unit", "c"): say("°C"),
    ("unit", "f"): say("°F"),
    ("unit", "k"): say("kelvin"),
    ("humidity", "share"): say("humidity as a share of one"),
    ("humidity", "percent"): say("humidity in percent"),
    ("morning", "-"): say("the word behind the hours is after noon"),
    ("morning", "="): say("the word behind the hours says nothing"),
    ("date_column", "0"): say("date and time in one column"),
    **{("counts", name): words for name, words in COUNTS.items()},
}


@dataclass(frozen=True, slots=True)
class ReadPage:
    """A file as it was read, before it is stored."""

    told: tuple[Say, ...]
    first: Ledger
    stored: Stored
    count: int
    answer: Say


@dataclass(frozen=True, slots=True)
class Memory:
    """What was remembered of such files, who answered it and when: `used` is filled in, `unfit` is not."""

    by: str
    at: datetime
    used: Say | None
    unfit: Say | None


@dataclass(frozen=True, slots=True)
class MappingRow:
    """What is remembered of files with one header."""

    pk: int
    header: str
    answers: Say
    by: str
    at: datetime


@dataclass(frozen=True, slots=True)
class ChoosePage:
    """What stands beside the form that takes a file; `mappings` only for those who may forget them."""

    files: Ledger | None
    mappings: tuple[MappingRow, ...]


def memory_of(recalled: Recalled) -> Memory | None:
    """Return what was filled in from the firm's memory, and what of it did not fit; None where nothing was."""
    mapping = recalled.mapping
    if mapping is None or not (recalled.used or recalled.contradicted):
        return None
    unfit = {name: mapping.answers[name] for name in recalled.contradicted if name in mapping.answers}
    return Memory(
        by=mapping.by.name,
        at=mapping.at,
        used=_answers_words(recalled.used) if recalled.used else None,
        unfit=_answers_words(unfit) if unfit else None,
    )


def choose_page(zone: Zone, *, person: Person) -> ChoosePage:
    """Return the files that the zone's readings came from, and for a manager what the firm remembers."""
    mappings: tuple[MappingRow, ...] = ()
    if person.is_manager:
        rows = LoggerMapping.objects.select_related("by").order_by("-at", "pk")[:MAPPINGS_SHOWN]
        mappings = tuple(
            MappingRow(row.pk, row.header[:_LONGEST_HEADER], _answers_words(row.answers), row.by.name, row.at)
            for row in rows
        )
    return ChoosePage(_files(zone), mappings)


def _files(zone: Zone) -> Ledger | None:
    """Return the zone's files, the latest first, each with the way to its bytes where they are kept."""
    files = list(
        ReadingFile.objects.standing()
        .filter(zone=zone)
        .select_related("recorded_by")
        .order_by("-recorded_at", "pk")[: FILES_SHOWN + 1]
    )
    if not files:
        return None
    kept = set(
        KeptFile.objects.filter(sha256__in={file.sha256 for file in files}).values_list("sha256", flat=True)
    )
    heads = (
        Head(say("File")),
        Head(say("Logger")),
        Head(say("Read in")),
        Head(say("New"), figures=True),
        Head(say("In conflict"), figures=True),
    )
    rows = tuple(LedgerRow(_file_entries(file, is_kept=file.sha256 in kept)) for file in files[:FILES_SHOWN])
    return Ledger(say("Files read in"), heads, rows, left_out=max(0, len(files) - FILES_SHOWN))


def _file_entries(file: ReadingFile, *, is_kept: bool) -> tuple[Entry, ...]:
    url = reverse("scheduling:logger_original", args=[file.pk]) if is_kept else None
    return (
        Entry(file.name, url=url, note=say("SHA-256 {begin}…", begin=file.sha256[:12])),
        Entry(file.logger),
        Entry(say("{at}, {by}", at=file.recorded_at, by=file.recorded_by.name)),
        Entry(str(file.new)),
        Entry(str(file.conflicts)),
    )


def _answers_words(answers: Mapping[str, str]) -> Say:
    # In an order of ours: a database may give the names in another.
    said = [_answer_words(name, answers[name]) for name in REMEMBERED if name in answers]
    return say("{answers}", answers=tuple(said))


def _answer_words(name: str, said: str) -> Say:
    """Return one answer as a part of a sentence."""
    if (words := _ANSWERS.get((name, said))) is not None:
        return words
    match name:
        case "time_zone":
            return say("times of {zone}", zone=said)
        case "time_column":
            return say("time in column {number}", number=said)
        case "date_column":
            return say("date in column {number}", number=said)
        case "temperature_column":
            return say("temperature in column {number}", number=said)
        case "humidity_column":
            return say("humidity in column {number}", number=said)
        case "morning":
            return say("“{word}” before noon", word=said)
    raise ValueError(f"{name} is not remembered")


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
