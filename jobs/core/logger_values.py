"""What goes into the reader of a logger's file and what comes out: answers, readings, questions, errors."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

from jobs.core.units import celsius
from jobs.core.words import Say

Unit = Literal["c", "f"]
#: As a file may write it: kelvin is read as °C.
WrittenUnit = Literal["c", "f", "k"]
#: What a bare number counts: time since 1970, or days as spreadsheets count them, from 1900 or from 1904.
Counts = Literal["seconds", "milliseconds", "days", "days_1904"]
#: `year`: the year stands first, with two digits.  `no`: the month stands first.
DayFirst = Literal["yes", "no", "year"]
#: `no`: the logger's clock was not put back.
Fold = Literal["first", "second", "no"]
Key = Literal[
    "time_zone",
    "day_first",
    "unit",
    "fold",
    "clock_changed",
    "time_column",
    "date_column",
    "temperature_column",
    "humidity_column",
    "counts",
    "morning",
    "which",
    "leave_out",
    "doubtful",
    "humidity",
]


@dataclass(frozen=True, slots=True)
class Answers:
    """What a person, or the firm's memory of such files, says of a file; None is "not asked yet".

    An answer is used only where the file itself does not settle the matter.  Columns are numbered from 1;
    `date_column` 0 says that the date stands in the column of the time.
    """

    #: An IANA name, or a clock that never changes: `UTC+02:00`.
    time_zone: str | None = None
    day_first: DayFirst | None = None
    unit: WrittenUnit | None = None
    #: Which pass of the repeated hour, where the rows do not show it.
    fold: Fold | None = None
    #: Whether the logger's clock follows the changes of the time zone.
    clock_changed: Literal["yes", "no"] | None = None
    time_column: int | None = None
    date_column: int | None = None
    temperature_column: int | None = None
    humidity_column: int | None = None
    counts: Counts | None = None
    #: Of the two words behind hours of a clock of twelve, the one before noon; `-`: the only one is after
    #: noon; `=`: it says nothing.
    morning: str | None = None
    #: Where rows name different things: `all` are this logger's, or `only NAME` are.
    which: str | None = None
    #: Whether rows that hold no reading are left out; `no` refuses the file at the first of them.
    leave_out: Literal["yes", "no"] | None = None
    #: Where no humidity is above 1: whether 0.46 is 46 %.
    humidity: Literal["share", "percent"] | None = None
    #: What becomes of rows that can be read and look damaged.
    doubtful: Literal["keep", "leave"] | None = None


_ALLOWED: Mapping[str, re.Pattern[str]] = {
    "time_zone": re.compile(r".{1,64}"),
    "day_first": re.compile(r"yes|no|year"),
    "unit": re.compile(r"[cfk]"),
    "fold": re.compile(r"first|second|no"),
    "clock_changed": re.compile(r"yes|no"),
    "counts": re.compile(r"seconds|milliseconds|days|days_1904"),
    "morning": re.compile(r"\S{1,12}"),
    "which": re.compile(r"all|only .{1,80}"),
    "leave_out": re.compile(r"yes|no"),
    "doubtful": re.compile(r"keep|leave"),
    "humidity": re.compile(r"share|percent"),
    **dict.fromkeys(
        ("time_column", "date_column", "temperature_column", "humidity_column"), re.compile(r"[0-9]{1,4}")
    ),
}


def answers_of(given: Mapping[str, str]) -> Answers:
    """Return the answers that a form or a firm's memory holds as text: fields to values, empty is None.

    Raises:
        ValueError: a name that is no field, or a value that its field cannot have.
    """
    said = {name: text.strip() for name, text in given.items() if text.strip()}
    for name, text in said.items():
        if name not in _ALLOWED or not _ALLOWED[name].fullmatch(text):
            raise ValueError(f"{name} cannot be answered by {text!r}")
    made: dict[str, Any] = {
        name: int(text) if name.endswith("_column") else text for name, text in said.items()
    }
    return Answers(**made)


@dataclass(frozen=True, slots=True)
class Reading:
    """One row: `at` in UTC and whole seconds, the temperature as read with its unit, humidity in percent.

    Humidity may read up to 105: a sensor at its edge, kept as read.  `row` is a line of the file, from 1.
    """

    at: datetime
    value: float
    unit: Unit
    rh_pct: float
    row: int

    @property
    def t_c(self) -> float:
        """The temperature in °C."""
        return celsius(self.value, self.unit)


@dataclass(frozen=True, slots=True)
class Example:
    """A row of the file as it stands there, to show beside a question."""

    row: int
    text: str


@dataclass(frozen=True, slots=True)
class Choice:
    """One possible answer: `value` goes into `Answers`, `words` are for the person."""

    value: str
    words: Say


@dataclass(frozen=True, slots=True)
class Question:
    """What the file leaves open; `key` names the field of `Answers`.

    Without `choices` the answer is free: the name of a time zone.  `likely` is the choice that the order of
    the rows speaks for, without proving it.
    """

    key: Key
    text: Say
    choices: tuple[Choice, ...] = ()
    example: Example | None = None
    likely: str | None = None


@dataclass(frozen=True, slots=True)
class Ask:
    """Nothing was read: these questions come first.  `header` is the file's, by which to remember answers."""

    questions: tuple[Question, ...]
    header: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class FileError:
    """Nothing was read: `row` is a line of the file, from 1; `column` a header, or a number without one.

    `answer` names the answer that the rows exclude, where one is to blame.
    """

    row: int | None
    column: str | int | None
    why: Say
    answer: Key | None = None


def row_of(error: FileError) -> int:
    """Return the line that an error is about, 0 for the whole file: to sort by."""
    return error.row or 0


@dataclass(frozen=True, slots=True)
class Columns:
    """Which columns were read, numbered from 1; `date` is None where one column holds date and time."""

    time: int
    temperature: int
    humidity: int
    date: int | None = None


@dataclass(frozen=True, slots=True)
class ReadOut:
    """The file's readings, earliest first, and in words how it was understood.

    `first` holds the first rows as they stand in the file.  `repeated` counts rows that say again what an
    earlier row said, `over_100` readings of more than 100 % humidity, `left_out` rows that hold no reading.
    `zone` is an IANA name or `UTC+02:00`; where each row carries its own offset it is `UTC`.
    """

    readings: tuple[Reading, ...]
    told: tuple[Say, ...]
    first: tuple[Reading, ...]
    header: tuple[str, ...]
    columns: Columns
    delimiter: str
    encoding: str
    zone: str
    repeated: int
    over_100: int
    left_out: int = 0


class Refused(Exception):
    """The file cannot be read; inside the reader only, it leaves as a `FileError`."""

    def __init__(
        self,
        why: Say,
        *,
        row: int | None = None,
        column: str | int | None = None,
        answer: Key | None = None,
    ) -> None:
        super().__init__(why.text)
        self.error = FileError(row, column, why, answer)


class Odd(Refused):
    """A row holds no reading; the others may be read without it, if a person says so."""


class Unanswered(Exception):
    """The file leaves questions open; inside the reader only, they leave as an `Ask`."""

    def __init__(self, questions: Iterable[Question]) -> None:
        super().__init__("questions")
        self.questions = tuple(questions)
