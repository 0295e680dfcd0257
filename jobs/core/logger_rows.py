"""The rows of a logger's file, cell by cell: each has a time and both values, or the file is refused."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from functools import partial

from jobs.core.logger_columns import Layout, unit_in
from jobs.core.logger_dates import Written
from jobs.core.logger_stamps import YEARS, Stamp, day_of, stamp_of, tidy
from jobs.core.logger_table import Cells, Table, is_count, is_number_like
from jobs.core.logger_values import Example, Refused, Unit
from jobs.core.logger_zones import Walls
from jobs.core.words import Say, say

#: Above 100 a sensor is at its edge: the reading is kept as it is.  Common practice, no source.
MAX_HUMIDITY_PCT = 105.0
#: The air of a building site, limits inside.
RANGE: Mapping[Unit, tuple[float, float]] = {"c": (-60.0, 80.0), "f": (-76.0, 176.0)}
UNIT_WORDS: Mapping[Unit, str] = {"c": "°C", "f": "°F"}

_UNIX_DAY = date(1970, 1, 1).toordinal()
_DAY = 86_400
_VALUE = re.compile(
    r"(?P<sign>[+\-−–]?)(?P<number>[0-9]{1,5}(?:[.,][0-9]{0,15})?|[.,][0-9]{1,15})"
    r"(?P<power>[eE][+\-]?0?[0-9])?\s*(?P<unit>.{0,12})"
)
_PERCENT = re.compile(r"%?\s*(?:r\.?\s?[hf]\.?|h\.?\s?r\.?|u\.?r\.?|r\.?v\.?)?", re.IGNORECASE)
_MILLISECONDS = re.compile(r"(?<![a-z])ms(?![a-z])|milli", re.IGNORECASE)
_BARE_UNITS: Mapping[str, Unit] = {"c": "c", "f": "f"}


@dataclass(slots=True)
class Rows:
    """All rows, column by column, in the order of the file.

    `units` are those that stand in the rows themselves.  `dates` are the different texts of dates, `clocks`
    the different things that rows say of their clock (None: nothing), each with its first row.
    """

    table: Table
    time_label: str | int
    date_label: str | int
    lines: list[int] = field(default_factory=list)
    date_texts: list[str] = field(default_factory=list)
    seconds: list[int] = field(default_factory=list)
    zones: list[str | None] = field(default_factory=list)
    values: list[float] = field(default_factory=list)
    units: list[Unit | None] = field(default_factory=list)
    humidities: list[float] = field(default_factory=list)
    dates: dict[str, Written] = field(default_factory=dict)
    clocks: dict[str | None, int] = field(default_factory=dict)

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
        wanted = self.lines[index]
        cells = next(cells for line, cells in self.table.readings() if line == wanted)
        return Example(wanted, "  ".join(cells))


def rows_of(table: Table, layout: Layout) -> Rows:
    """Return the rows of a file whose columns are known.

    Raises:
        Refused: a row without a time or a value, with a time no clock shows, or with too few or many cells;
            rows of more than one logger; a clock of twelve hours without am and pm.
    """
    reader = _RowReader(table, layout)
    for line, cells in table.readings():
        reader.take(line, cells)
    reader.finish()
    return reader.rows


class _RowReader:
    def __init__(self, table: Table, layout: Layout) -> None:
        self.layout = layout
        time, date_at = layout.time, layout.time if layout.date is None else layout.date
        self.rows = Rows(table, layout.labels[time], layout.labels[date_at])
        self.needed = max(layout.time, layout.date or 0, layout.temperature, layout.humidity)
        named = [at + 1 for at, text in enumerate(layout.header) if text]
        self.width = max(named, default=len(table.first[1]))
        #: With a comma between columns, a comma within a number makes a column too many.
        self.is_comma = table.delimiter == ","
        self.temperatures: dict[str, tuple[float, Unit | None]] = {}
        self.percents: dict[str, float] = {}
        self.halves: dict[bool, int] = {}
        self.who: dict[int, dict[str, int]] = {at: {} for at in layout.who}
        #: The header rows: they may come again where files were put together.
        self.names = [cells for cells in layout.rows_above[-2:] if not any(map(is_number_like, cells))]
        self._refuse_split_numbers(table)
        self.per_second = 1000 if _MILLISECONDS.search(layout.header[layout.time]) else 1

    def take(self, line: int, cells: Cells) -> None:
        """Read one row that is not blank."""
        stamp = self._stamp(cells)
        if stamp is None and cells in self.names:
            return
        self._check_width(line, cells)
        if stamp is None:
            raise Refused(self._no_time(cells), row=line, column=self.rows.time_label)
        rows = self.rows
        if stamp.date not in rows.dates:
            rows.dates[stamp.date] = Written(stamp.date, day_of(stamp.date), line)
        if stamp.zone not in rows.clocks:
            rows.clocks[stamp.zone] = line
        self.halves.setdefault(stamp.half, line)
        for at, seen in self.who.items():
            seen.setdefault(cells[at].strip() if at < len(cells) else "", line)
        value, unit = self._temperature(line, cells)
        humidity = self._humidity(line, cells)
        rows.lines.append(line)
        rows.date_texts.append(stamp.date)
        rows.seconds.append(stamp.seconds)
        rows.zones.append(stamp.zone)
        rows.values.append(value)
        rows.units.append(unit)
        rows.humidities.append(humidity)

    # -- time --

    def _stamp(self, cells: Cells) -> Stamp | None:
        layout = self.layout
        if max(layout.time, layout.date or 0) >= len(cells):
            return None
        text = tidy(cells[layout.time])
        if layout.is_epoch:
            return self._counted(text)
        if layout.date is not None:
            text = f"{tidy(cells[layout.date])} {text}"
        for at in (layout.half, layout.zone):
            if at is not None:
                text = f"{text} {tidy(cells[at])}" if at < len(cells) else ""
        return stamp_of(text)

    def _counted(self, text: str) -> Stamp | None:
        if not is_count(text):
            return None
        seconds = int(re.split("[.,]", text)[0]) // self.per_second
        day = _UNIX_DAY + seconds // _DAY
        if not date(YEARS.start, 1, 1).toordinal() <= day < date(YEARS.stop, 1, 1).toordinal():
            return None
        return Stamp(f"{date.fromordinal(day):%Y%m%d}", seconds % _DAY, "UTC", False)

    def _no_time(self, cells: Cells) -> Say:
        time = self.layout.time
        seen = tidy(cells[time]) if time < len(cells) else ""
        if not seen:
            return say("This row has no time.")
        if self.layout.is_epoch:
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
            raise Refused(
                say("This row ends before its last value."), row=line, column=self.layout.labels[count]
            )
        if self.is_comma and count < self.width and "." not in cells[self.layout.temperature]:
            raise Refused(
                say("This row has {n} cells below a header of {width}.", n=count, width=self.width), row=line
            )

    def _refuse_split_numbers(self, table: Table) -> None:
        """Refuse rows without a header whose numbers a comma seems to have cut in two."""
        pairs = [(at, at + 1) for at in (self.layout.temperature, self.layout.humidity)]
        if self.is_comma and not any(self.layout.header) and all(_are_halves(table, *pair) for pair in pairs):
            why = say(
                "A comma stands both between columns and within numbers. Export with another separator."
            )
            raise Refused(why, row=table.first[0])

    # -- values --

    def _temperature(self, line: int, cells: Cells) -> tuple[float, Unit | None]:
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

    def _read_temperature(self, line: int, text: str) -> tuple[float, Unit | None]:
        refuse = partial(Refused, row=line, column=self.layout.labels[self.layout.temperature])
        number, suffix = _number(text)
        if number is None:
            raise refuse(_no_value(text, say("This row has no temperature.")))
        unit = unit_in(suffix) or _BARE_UNITS.get(suffix.casefold())
        if suffix and unit is None:
            raise refuse(say("“{seen}” is no temperature in °C or °F.", seen=text.strip()))
        return number, unit

    def _humidity(self, line: int, cells: Cells) -> float:
        text = cells[self.layout.humidity]
        read = self.percents.get(text)
        if read is None:
            read = self.percents[text] = self._read_humidity(line, text)
        return read

    def _read_humidity(self, line: int, text: str) -> float:
        refuse = partial(Refused, row=line, column=self.layout.labels[self.layout.humidity])
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
        """Refuse what only all rows together show."""
        rows = self.rows
        if len(self.halves) == 2:
            why = say("Row {row} has am or pm, and this row has not.", row=self.halves[True])
            raise Refused(why, row=self.halves[False], column=rows.time_label)
        if not self.halves.get(True):
            self._refuse_half_clock()
        for at, seen in self.who.items():
            names = list(seen)
            if len(names) > 1 and (len(names) < len(rows.lines) or not all(map(is_number_like, names))):
                why = say(
                    "Here begin rows of another logger: {one}, then {other}. Give each logger's rows apart.",
                    one=names[0] or "–",
                    other=names[1] or "–",
                )
                raise Refused(why, row=seen[names[1]], column=self.layout.labels[at])

    def _refuse_half_clock(self) -> None:
        """Refuse times that run from 12 to 1 on one day: hours of a clock of twelve without am and pm."""
        seconds, texts = self.rows.seconds, self.rows.date_texts
        if not seconds or min(seconds) < 3600 or max(seconds) >= 13 * 3600:
            return
        for at in range(1, len(seconds)):
            hours = {seconds[at - 1] // 3600, seconds[at] // 3600}
            if hours == {12, 1} and texts[at - 1] == texts[at] and seconds[at - 1] > seconds[at]:
                raise Refused(
                    say("The times seem to be of a clock of twelve hours, and do not say am or pm."),
                    row=self.rows.lines[at],
                    column=self.rows.time_label,
                )


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
