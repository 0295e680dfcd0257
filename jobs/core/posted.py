"""What a logger posts: a batch of readings as JSON or as CSV, each row a reading or refused with the reason.

What is wrong with the body as a whole refuses all of it (`BadBody`); what is wrong with one row, that row alone.
Fractions of a second are left out of every instant: readings are kept to whole seconds, like all facts.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, Literal, NamedTuple

from jobs.core.logger_rows import MAX_HUMIDITY_PCT, RANGE
from jobs.core.logger_values import Reading
from jobs.core.words import Say, say

COLUMNS = ("zone", "at", "t_c", "rh_pct")
MOST_READINGS = 10_000
COLDEST_C, HOTTEST_C = RANGE["c"]
#: What a reason repeats of a value that came.
LONGEST_SEEN = 40

_COLUMNS = frozenset(COLUMNS)
_NUMBER = re.compile(r"[+-]?\d{1,40}(?:\.\d{1,40})?(?:[eE][+-]?\d{1,4})?", re.ASCII)
_DIGITS = re.compile(r"\d{1,18}", re.ASCII)
_UTF8_MARK = "\N{ZERO WIDTH NO-BREAK SPACE}"

Fault = Literal["malformed", "too_many"]
ZoneKey = int | str


class Posted(NamedTuple):
    """A row that can be a reading: the zone as the logger named it, and what it read there."""

    zone: ZoneKey
    reading: Reading


@dataclass(frozen=True, slots=True)
class Batch:
    """The rows of a body in their order, and in how many of them a fraction of a second was left out."""

    rows: tuple[Posted | Say, ...]
    cut: int = 0


class BadBody(Exception):
    """Nothing of the body is read: why, and of what sort the fault is."""

    def __init__(self, why: Say, fault: Fault = "malformed") -> None:
        super().__init__(why.text)
        self.why = why
        self.fault = fault


class _Refused(Exception):
    """One row is no reading; inside this module only."""

    def __init__(self, why: Say) -> None:
        super().__init__(why.text)
        self.why = why


@dataclass(slots=True)
class _Rows:
    """The rows read so far."""

    rows: list[Posted | Say] = field(default_factory=list)
    cut: int = 0

    def whole(self) -> Batch:
        if not self.rows:
            raise BadBody(say("There is no reading in it."))
        return Batch(tuple(self.rows), self.cut)


# ---- bodies ----


def text_of(body: bytes) -> str:
    """Return a body as text; a byte order mark at its start is left out.

    Raises:
        BadBody: it is not UTF-8.
    """
    try:
        return body.decode("utf-8").removeprefix(_UTF8_MARK)
    except UnicodeDecodeError as error:
        raise BadBody(say("Byte {n} is not UTF-8.", n=error.start + 1)) from error


def read_json(body: bytes) -> Batch:
    """Read `{"readings": [{"zone", "at", "t_c", "rh_pct"}]}`.

    A number beyond all numbers (`NaN`, `1e999`) is no value, and refuses its row.

    Raises:
        BadBody: it is not such an object, has no reading, or more than `MOST_READINGS`.
    """
    try:
        whole = json.loads(text_of(body), object_pairs_hook=_object)
    except RecursionError as error:
        raise BadBody(say("The JSON is nested too deep.")) from error
    except json.JSONDecodeError as error:
        place = {"line": error.lineno, "column": error.colno}
        raise BadBody(
            say("The JSON breaks off or goes wrong at line {line}, column {column}.", **place)
        ) from error
    except ValueError as error:
        # A whole number of thousands of digits, which Python refuses to read.
        raise BadBody(say("There is a number in the JSON that nobody can read.")) from error
    rows = whole.get("readings") if isinstance(whole, dict) and whole.keys() == {"readings"} else None
    if not isinstance(rows, list):
        raise BadBody(say("The JSON must be an object whose one name is “readings”, with a list."))
    _check_count(len(rows))
    found = _Rows()
    for number, row in enumerate(rows, start=1):
        found.rows.append(_row_of_json(row, number, found))
    return found.whole()


def read_csv(body: bytes) -> Batch:
    """Read comma-separated rows below a header of the four columns, in any order (RFC 4180); empty lines say nothing.

    Raises:
        BadBody: the header is another, a cell is never closed, there is no reading, or more than `MOST_READINGS`.
    """
    lines = _csv_lines(text_of(body))
    header = [cell.strip() for cell in next(lines, [])]
    if sorted(header) != sorted(COLUMNS):
        seen = _seen(", ".join(header)) if header else "–"
        raise BadBody(
            say("The first line must name the columns zone, at, t_c, rh_pct; it says: {seen}.", seen=seen)
        )
    order = [header.index(name) for name in COLUMNS]
    found = _Rows()
    for cells in lines:
        if cells:
            _check_count(len(found.rows) + 1)
            found.rows.append(_row_of_csv(cells, order, found))
    return found.whole()


def _check_count(count: int) -> None:
    if count > MOST_READINGS:
        why = say("A batch has at most {most} readings; send them in parts.", most=MOST_READINGS)
        raise BadBody(why, "too_many")


def _csv_lines(text: str) -> Iterator[list[str]]:
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    while True:
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            raise BadBody(say("The CSV goes wrong at line {line}.", line=reader.line_num)) from error
        yield cells


# ---- rows ----


class _Twice(dict[str, Any]):
    """A JSON object that says one name twice."""


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    made = dict(pairs)
    return made if len(made) == len(pairs) else _Twice(made)


def _row_of_json(row: Any, number: int, found: _Rows) -> Posted | Say:
    try:
        if type(row) is not dict:
            raise _Refused(_no_row(row))
        if row.keys() != _COLUMNS:
            raise _Refused(_wrong_names(row))
        zone, at, t_c, rh_pct = row["zone"], row["at"], row["t_c"], row["rh_pct"]
        if type(zone) is not int and (type(zone) is not str or not zone.strip()):
            raise _Refused(say("“zone” is the number or the name of a zone."))
        if type(at) is not str:
            raise _Refused(say("“at” is a text: 2026-06-10T09:00:00+02:00."))
        return _posted(zone, at, _is_number(t_c, "t_c"), _is_number(rh_pct, "rh_pct"), number, found)
    except _Refused as refused:
        return refused.why


def _no_row(row: Any) -> Say:
    if isinstance(row, _Twice):
        return say("This row says a name twice.")
    return say("This row is no object of zone, at, t_c, rh_pct.")


def _wrong_names(row: dict[str, Any]) -> Say:
    lacking = [name for name in COLUMNS if name not in row]
    if lacking:
        return say("“{name}” is missing.", name=lacking[0])
    unknown = next(name for name in row if name not in _COLUMNS)
    return say("“{name}” is no column; there are zone, at, t_c, rh_pct.", name=_seen(unknown))


def _is_number(value: Any, name: str) -> float:
    # Not isinstance: true is an int to Python, and is no temperature.
    if type(value) is not float and type(value) is not int:
        raise _Refused(say("“{name}” is no number.", name=name))
    return value


def _row_of_csv(cells: list[str], order: list[int], found: _Rows) -> Posted | Say:
    try:
        if len(cells) != len(order):
            raise _Refused(say("This row has {n} cells and not four.", n=len(cells)))
        zone, at, t_c, rh_pct = (cells[index].strip() for index in order)
        if not zone:
            raise _Refused(say("“zone” is the number or the name of a zone."))
        number = len(found.rows) + 1
        return _posted(zone, at, _number(t_c, "t_c"), _number(rh_pct, "rh_pct"), number, found)
    except _Refused as refused:
        return refused.why


def _number(text: str, name: str) -> float:
    if not _NUMBER.fullmatch(text):
        raise _Refused(say("“{name}” is no number.", name=name))
    return float(text)


def _posted(zone: ZoneKey, at: str, t_c: float, rh_pct: float, number: int, found: _Rows) -> Posted:
    # A comparison with NaN is false, so it is refused too.
    if not COLDEST_C <= t_c <= HOTTEST_C:
        raise _Refused(_out_of_range("t_c", COLDEST_C, HOTTEST_C))
    if not 0 <= rh_pct <= MAX_HUMIDITY_PCT:
        raise _Refused(_out_of_range("rh_pct", 0, 100))
    instant = instant_of(at)
    if instant.microsecond:
        instant = instant.replace(microsecond=0)
        found.cut += 1
    # The sign of nothing is dropped: -0.0 and 0.0 are one value.
    return Posted(zone, Reading(instant, t_c + 0.0, "c", rh_pct + 0.0, number))


def _out_of_range(name: str, low: float, high: float) -> Say:
    return say("“{name}” is no value from {low} to {high}.", name=name, low=low, high=high)


def instant_of(text: str) -> datetime:
    """Return the instant that an ISO 8601 text with an offset names, in UTC.

    Raises:
        _Refused: it is none, or has no offset: two clocks would read it differently.
    """
    try:
        at = datetime.fromisoformat(text)
    except ValueError as error:
        why = say("“{seen}” is no time; write it as 2026-06-10T09:00:00+02:00.", seen=_seen(text))
        raise _Refused(why) from error
    if at.tzinfo is None:
        raise _Refused(say("“{seen}” has no offset from UTC; add it, as in +02:00 or Z.", seen=_seen(text)))
    if at.tzinfo is UTC:
        return at
    try:
        return at.astimezone(UTC)
    except OverflowError as error:
        raise _Refused(say("“{seen}” is outside all calendars.", seen=_seen(text))) from error


def number_of(zone: ZoneKey) -> int | None:
    """Return the number that a zone was named by; None: it can only be a name."""
    if isinstance(zone, int):
        return zone
    return int(zone) if _DIGITS.fullmatch(zone) else None


def _seen(text: str) -> str:
    """Return what came, as much as a reason repeats of it, on one line."""
    plain = " ".join(text.split())
    return plain if len(plain) <= LONGEST_SEEN else plain[:LONGEST_SEEN] + "…"
