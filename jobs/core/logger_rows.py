"""The rows of a logger's file, cell by cell: each has a time and both values, or the file is refused."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Container, Mapping
from dataclasses import dataclass, field
from datetime import date
from functools import partial

from jobs.core.logger_columns import Layout
from jobs.core.logger_counts import counted
from jobs.core.logger_dates import Written
from jobs.core.logger_halves import part_halves
from jobs.core.logger_stamps import Stamp, day_of, stamp_of, tidy
from jobs.core.logger_table import Cells, Table, filled, is_number_like
from jobs.core.logger_values import (
    Answers,
    Choice,
    Example,
    FileError,
    Odd,
    Question,
    Refused,
    Unanswered,
    WrittenUnit,
)
from jobs.core.logger_words import names_quantity, unit_in, words_of
from jobs.core.logger_zones import Walls
from jobs.core.words import Say, say

#: Above 100 a sensor is at its edge: the reading is kept as it is.  Common practice, no source.
MAX_HUMIDITY_PCT = 105.0
#: The air of a building site, limits inside; nothing is in the range of kelvin and of another unit too.
RANGE: Mapping[WrittenUnit, tuple[float, float]] = {
    "c": (-60.0, 80.0),
    "f": (-76.0, 176.0),
    "k": (213.15, 353.15),
}
UNIT_WORDS: Mapping[WrittenUnit, str] = {"c": "°C", "f": "°F", "k": "K"}

_UNIX_DAY = date(1970, 1, 1).toordinal()
_DAY = 86_400
_VALUE = re.compile(
    r"(?P<sign>[+\-−–]?)(?P<number>[0-9]{1,5}(?:[.,][0-9]{0,15})?|[.,][0-9]{1,15})"
    r"(?P<power>[eE][+\-]?0?[0-9])?\s*(?P<unit>.{0,12})"
)
_PERCENT = re.compile(r"%?\s*(?:r\.?\s?[hf]\.?|h\.?\s?r\.?|u\.?r\.?|r\.?v\.?)?", re.IGNORECASE)
_BARE_UNITS: Mapping[str, WrittenUnit] = {"c": "c", "f": "f", "k": "k"}
#: Readings of a logger that anybody still uses are later.
_FIRST_DAY = date(2010, 1, 1).toordinal()
#: In a column of remarks: a row that sums others up.
_SUMMARIES = words_of(
    "max maximum min minimum avg average mean mittel mittelwert durchschnitt moyenne media promedio gemiddelde "
    "median total summe sum std stdev"
)
#: Names to choose from; more are refused.
_MOST_LOGGERS = 12
_LETTER = re.compile(r"[^\W\d_]")


@dataclass(slots=True)
class Rows:
    """All rows, column by column, in the order of the file.

    `units` are those that stand in the rows themselves.  `dates` are the different texts of dates, `clocks`
    the different things that rows say of their clock (None: nothing), each with its first row.

    `odd` are the rows that hold no reading, `doubtful` those that look damaged, and why; `others` counts those that
    a person said are another logger's.  `is_share` says that the humidities were shares
    of one, `width` is the header's.  By line, `cut` has the last column of rows that
    may break off, `rests` are rows whose beginning may stand in the line above, `summaries` has the column that
    says that a row sums up; `other_times` are not written as the first row's.
    """

    table: Table
    time_label: str | int
    date_label: str | int
    lines: list[int] = field(default_factory=list)
    date_texts: list[str] = field(default_factory=list)
    seconds: list[int] = field(default_factory=list)
    zones: list[str | None] = field(default_factory=list)
    values: list[float] = field(default_factory=list)
    units: list[WrittenUnit | None] = field(default_factory=list)
    humidities: list[float] = field(default_factory=list)
    temperature_texts: list[str] = field(default_factory=list)
    humidity_texts: list[str] = field(default_factory=list)
    dates: dict[str, Written] = field(default_factory=dict)
    clocks: dict[str | None, int] = field(default_factory=dict)
    odd: list[FileError] = field(default_factory=list)
    doubtful: list[FileError] = field(default_factory=list)
    others: int = 0
    is_share: bool = False
    width: int = 0
    cut: dict[int, int] = field(default_factory=dict)
    summaries: dict[int, int] = field(default_factory=dict)
    other_times: list[int] = field(default_factory=list)
    rests: list[int] = field(default_factory=list)

    def without(self, indexes: Container[int]) -> None:
        """Drop rows, by index."""
        stay = [at for at in range(len(self.lines)) if at not in indexes]
        self.lines = [self.lines[at] for at in stay]
        self.date_texts = [self.date_texts[at] for at in stay]
        self.seconds = [self.seconds[at] for at in stay]
        self.zones = [self.zones[at] for at in stay]
        self.values = [self.values[at] for at in stay]
        self.units = [self.units[at] for at in stay]
        self.humidities = [self.humidities[at] for at in stay]
        self.temperature_texts = [self.temperature_texts[at] for at in stay]
        self.humidity_texts = [self.humidity_texts[at] for at in stay]

    def walls(self, order: str) -> Walls:
        """Return the rows' times by the logger's clock, with the dates read in this order."""
        starts = {text: (one.day.by_order[order] - _UNIX_DAY) * _DAY for text, one in self.dates.items()}
        seconds = [starts[text] + second for text, second in zip(self.date_texts, self.seconds, strict=True)]
        return Walls(seconds, self.lines, self.zones, self.are_same, self.example, self.time_label)

    def are_same(self, one: int, other: int) -> bool:
        """Return whether two rows (by index) have the same temperature and humidity."""
        return (self.values[one], self.units[one], self.humidities[one]) == (
            self.values[other],
            self.units[other],
            self.humidities[other],
        )

    def example(self, index: int) -> Example:
        """Return a row as it stands in the file."""
        return self.at_line(self.lines[index])

    def at_line(self, wanted: int) -> Example:
        """Return a row as it stands in the file, by its line."""
        cells = next(cells for line, cells in self.table.readings() if line == wanted)
        return Example(wanted, "  ".join(cells))


def rows_of(table: Table, layout: Layout, answers: Answers) -> Rows:
    """Return the rows of a file whose columns are known; those without a time or a value stand in `odd`.

    Raises:
        Refused: a row with too many cells, another table below this one, no good row at all, or a clock of
            twelve hours without am and pm.
        Unanswered: rows of more than one logger, or a clock of twelve hours whose words are not known.
    """
    reader = _RowReader(table, layout, answers)
    for line, cells in table.readings():
        reader.take(line, cells)
    reader.finish()
    return reader.rows


class _RowReader:
    def __init__(self, table: Table, layout: Layout, answers: Answers) -> None:
        self.table = table
        self.layout = layout
        self.answers = answers
        self.only = answers.which.removeprefix("only ") if answers.which and answers.which != "all" else None
        time, date_at = layout.time, layout.time if layout.date is None else layout.date
        self.rows = Rows(table, layout.labels[time], layout.labels[date_at])
        self.needed = max(layout.time, layout.date or 0, layout.temperature, layout.humidity)
        named = [at + 1 for at, text in enumerate(layout.header) if text]
        self.width = max(named, default=len(table.first[1]))
        #: With a comma between columns, a comma within a number makes a column too many.
        self.is_comma = table.delimiter == ","
        #: As many cells as most rows have: one with fewer may have lost any of them.
        counts = Counter(_full_width(cells) for _line, cells in table.head[table.start :] if filled(cells))
        self.usual = min(counts.most_common(1)[0][0], self.width)
        self.temperatures: dict[str, tuple[float, WrittenUnit | None]] = {}
        self.percents: dict[str, float] = {}
        #: What stands behind the hours, each with its first row; the words of rows where they are not am or pm.
        self.halves: dict[str, int] = {}
        self.words: list[str] = []
        known = {layout.time, layout.date, layout.temperature, layout.humidity}
        self.remarks = [at for at in range(self.width) if at not in known]
        self.rows.width = self.width
        self.is_behind_piece = False
        #: Of the first good row's time.
        self.has_seconds = False
        #: How many cells the last good row has.
        self.last = 0
        self.who: dict[int, dict[str, int]] = {at: {} for at in layout.who}
        #: The header rows: they may come again where files were put together.
        self.names = [_bare(cells) for cells in layout.rows_above[-2:] if not any(map(is_number_like, cells))]
        self._refuse_split_numbers(table)

    def take(self, line: int, cells: Cells) -> None:
        """Read one row that is not blank."""
        stamp = self._stamp(cells)
        if stamp is None and self._is_header(line, cells):
            return
        if self.only is not None and self._is_of_another(cells):
            self.rows.others += 1
            return
        try:
            self._take(line, cells, stamp)
        except Odd as odd:
            self.rows.odd.append(odd.error)
            is_short = len(cells) <= self.needed
            if self.rows.lines and (stamp is None or is_short):
                # A piece of a row: the one before it may be the other.
                self._may_be_cut()
            self.is_behind_piece = stamp is None and is_short and not any(map(_LETTER.search, cells))
        else:
            self.last = len(cells)
            if self.is_behind_piece:
                self.rows.rests.append(line)
                self.is_behind_piece = False

    def _may_be_cut(self) -> None:
        self.rows.cut[self.rows.lines[-1]] = self.last - 1

    def _take(self, line: int, cells: Cells, stamp: Stamp | None) -> None:
        if stamp is None:
            raise Odd(self._no_time(cells), row=line, column=self.rows.time_label)
        self._check_width(line, cells)
        rows = self.rows
        value, unit = self._temperature(line, cells)
        humidity = self._humidity(line, cells)
        if stamp.date not in rows.dates:
            rows.dates[stamp.date] = self._written(stamp.date, line)
        if stamp.zone not in rows.clocks:
            rows.clocks[stamp.zone] = line
        if stamp.half not in self.halves:
            self.halves[stamp.half] = line
        self.words.append(stamp.half)
        if stamp.has_seconds is not self.has_seconds:
            if rows.lines:
                rows.other_times.append(line)
            else:
                self.has_seconds = stamp.has_seconds
        for at in self.remarks:
            if at < len(cells) and cells[at].strip(" .:").casefold() in _SUMMARIES:
                rows.summaries[line] = at
        for at, seen in self.who.items():
            seen.setdefault(cells[at].strip() if at < len(cells) else "", line)
        rows.lines.append(line)
        rows.date_texts.append(stamp.date)
        rows.seconds.append(stamp.seconds)
        rows.zones.append(stamp.zone)
        rows.values.append(value)
        rows.units.append(unit)
        rows.humidities.append(humidity)
        rows.temperature_texts.append(cells[self.layout.temperature])
        rows.humidity_texts.append(cells[self.layout.humidity])

    def _is_header(self, line: int, cells: Cells) -> bool:
        """Return whether the header stands here once more, as where files were put together.

        Raises:
            Refused: another header does; what is below it may be anything.
        """
        if _bare(cells) in self.names:
            return True
        words = [cell for cell in cells if cell.strip()]
        if len(words) >= 2 and not any(map(is_number_like, words)) and self._is_other_header(cells):
            why = say("Here begins another table: this is not the header above. Give its rows apart.")
            raise Refused(why, row=line)
        return False

    def _is_other_header(self, cells: Cells) -> bool:
        layout = self.layout
        same_time = layout.time < len(cells) and tidy(cells[layout.time]).casefold() in map(
            str.casefold, filter(None, layout.time_headers)
        )
        return same_time or any(map(names_quantity, cells))

    def _is_of_another(self, cells: Cells) -> bool:
        """Return whether a person said that rows like this are not of this logger."""
        return all(at >= len(cells) or tidy(cells[at]) != self.only for at in self.who)

    # -- time --

    def _stamp(self, cells: Cells) -> Stamp | None:
        layout = self.layout
        if max(layout.time, layout.date or 0) >= len(cells):
            return None
        text = tidy(cells[layout.time])
        if layout.counts is not None:
            return counted(text, layout.counts)
        if layout.date is not None:
            text = f"{self._day(tidy(cells[layout.date]))} {text}"
        for at in (layout.half, layout.zone):
            if at is not None:
                text = f"{text} {tidy(cells[at])}" if at < len(cells) else ""
        return stamp_of(text)

    @staticmethod
    def _day(text: str) -> str:
        """Return the date of a cell that spreadsheets have given a midnight: `13/05/2026 00:00:00`."""
        if ":" in text and (stamp := stamp_of(text)) and stamp.seconds == 0 and stamp.zone is None:
            return stamp.date
        return text

    def _written(self, text: str, line: int) -> Written:
        written = Written(text, day_of(text), line)
        refuse = partial(Odd, row=line, column=self.rows.date_label)
        if not written.day.by_order:
            raise refuse(say("There is no such date as {date}.", date=text))
        if max(written.day.by_order.values()) < _FIRST_DAY:
            # Without its battery a clock begins anew where it was made to.
            raise refuse(say("A clock that says {date} was not set.", date=text))
        return written

    def _no_time(self, cells: Cells) -> Say:
        time = self.layout.time
        seen = tidy(cells[time]) if time < len(cells) else ""
        if not seen:
            return say("This row has no time.")
        at = self.layout.date
        if at is not None and (at >= len(cells) or not cells[at].strip()):
            return say("This row has a time of day and no date.")
        for at in (self.layout.half, self.layout.zone):
            if at is not None and at < len(cells):
                seen = f"{seen} {tidy(cells[at])}"
        if self.layout.counts in ("seconds", "milliseconds"):
            return say("“{seen}” counts no seconds since 1970 that a logger could have seen.", seen=seen)
        return say("“{seen}” is no time that can be read.", seen=seen)

    # -- width --

    def _check_width(self, line: int, cells: Cells) -> None:
        count = len(cells)
        if count > self.width and any(cell.strip() for cell in cells[self.width :]):
            raise Refused(
                say("This row has {n} cells below a header of {width}.", n=count, width=self.width), row=line
            )
        if count <= self.needed:
            raise Odd(say("This row ends before its last value."), row=line, column=self.layout.labels[count])
        if self.is_comma and count < self.width and "." not in cells[self.layout.temperature]:
            raise Refused(
                say("This row has {n} cells below a header of {width}.", n=count, width=self.width), row=line
            )
        if count < self.usual:
            why = say("This row has {n} cells, and most have {usual}.", n=count, usual=self.usual)
            raise Odd(why, row=line)

    def _refuse_split_numbers(self, table: Table) -> None:
        """Refuse rows without a header whose numbers a comma seems to have cut in two."""
        pairs = [(at, at + 1) for at in (self.layout.temperature, self.layout.humidity)]
        if self.is_comma and not any(self.layout.header) and all(_are_halves(table, *pair) for pair in pairs):
            why = say(
                "A comma stands both between columns and within numbers. Export with another separator."
            )
            raise Refused(why, row=table.first[0])

    # -- values --

    def _temperature(self, line: int, cells: Cells) -> tuple[float, WrittenUnit | None]:
        at = self.layout.temperature
        text = cells[at]
        read = self.temperatures.get(text)
        if read is None:
            read = self.temperatures[text] = self._read_temperature(line, text)
        if self.layout.unit_column is None:
            return read
        value, unit = read
        named = cells[self.layout.unit_column].strip() if self.layout.unit_column < len(cells) else ""
        by_column = unit_in(named) or _BARE_UNITS.get(named.casefold())
        if by_column is None or unit not in (None, by_column):
            raise Refused(
                say("“{seen}” is no unit of a temperature here.", seen=named),
                row=line,
                column=self.layout.labels[self.layout.unit_column],
            )
        return value, by_column

    def _read_temperature(self, line: int, text: str) -> tuple[float, WrittenUnit | None]:
        refuse = partial(Odd, row=line, column=self.layout.labels[self.layout.temperature])
        number, suffix = _number(text)
        if number is None:
            raise refuse(_no_value(text, say("This row has no temperature.")))
        unit = unit_in(suffix) or _BARE_UNITS.get(suffix.casefold())
        if suffix and unit is None:
            raise refuse(say("“{seen}” is no temperature in °C, °F or K.", seen=text.strip()))
        return number, unit

    def _humidity(self, line: int, cells: Cells) -> float:
        text = cells[self.layout.humidity]
        read = self.percents.get(text)
        if read is None:
            read = self.percents[text] = self._read_humidity(line, text)
        return read

    def _read_humidity(self, line: int, text: str) -> float:
        refuse = partial(Odd, row=line, column=self.layout.labels[self.layout.humidity])
        number, suffix = _number(text)
        if number is None:
            raise refuse(_no_value(text, say("This row has no humidity.")))
        if not _PERCENT.fullmatch(suffix):
            raise refuse(say("“{seen}” is no humidity in percent.", seen=text.strip()))
        if not 0 <= number <= MAX_HUMIDITY_PCT:
            raise refuse(
                say("A relative humidity is between 0 and 100 %, and this is {seen}.", seen=text.strip())
            )
        return number

    # -- the whole --

    def finish(self) -> None:
        """Refuse or ask what only all rows together show."""
        rows = self.rows
        if not rows.lines:
            self._refuse_none()
        self._ask_which()
        part_halves(rows, self.halves, self.words, self.answers.morning)
        if self.table.text.is_open:
            self._may_be_cut()

    def _refuse_none(self) -> None:
        """Refuse a file without one good row, by its first."""
        if self.rows.odd:
            error = self.rows.odd[0]
            raise Refused(error.why, row=error.row, column=error.column)
        raise Refused(say("No row is of “{name}”.", name=self.only or ""))

    def _ask_which(self) -> None:
        """Ask whose rows are meant where they are of several loggers, or seem to be."""
        if self.answers.which is not None:
            return
        for at, seen in self.who.items():
            names = list(seen)
            if len(names) < 2 or (len(names) == len(self.rows.lines) and all(map(is_number_like, names))):
                continue
            if len(names) > _MOST_LOGGERS or "" in names:
                why = say(
                    "Here begin rows of another logger: {one}, then {other}. Give each logger's rows apart.",
                    one=names[0] or "–",
                    other=names[1] or "–",
                )
                raise Refused(why, row=seen[names[1]], column=self.layout.labels[at])
            text = say(
                "Column “{column}” says {names}. Which rows are of this logger?",
                column=self.layout.labels[at],
                names=tuple(names),
            )
            choices = [Choice(f"only {tidy(name)}", say("Only those of {name}", name=name)) for name in names]
            every = Choice("all", say("All of them: this says nothing of the logger"))
            raise Unanswered([Question("which", text, (*choices, every), self.rows.at_line(seen[names[1]]))])


def _full_width(cells: Cells) -> int:
    """Return how many cells a row has, empty ones at its end left out."""
    return max(at + 1 for at, cell in enumerate(cells) if cell.strip())


def _bare(cells: Cells) -> list[str]:
    """Return a header as it is compared: without case, blanks and empty cells at its end."""
    texts = [tidy(cell).casefold() for cell in cells]
    while texts and not texts[-1]:
        texts.pop()
    return texts


def _are_halves(table: Table, left: int, right: int) -> bool:
    cells = [*table.samples(left), *table.samples(right)]
    return bool(table.samples(right)) and all(cell.lstrip("+-").isdigit() for cell in cells)


def _number(text: str) -> tuple[float | None, str]:
    """Return the number at the start of a cell and what follows it; its decimal sign is a comma or point."""
    found = _VALUE.fullmatch(text.strip())
    if not found:
        return None, ""
    sign, number, power, unit = found.group("sign", "number", "power", "unit")
    value = float(number.replace(",", ".") + (power or ""))
    # The sign of nothing is dropped, so that 0 prints as 0.
    return (-value if sign in ("-", "−", "–") and value else value), unit.strip()


def _no_value(text: str, nothing: Say) -> Say:
    seen = tidy(text)
    return say("“{seen}” is no value.", seen=seen) if seen else nothing
