"""Files with one value a row: temperature and humidity are put side by side, as all other files have them."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import islice

from jobs.core.logger_stamps import Kind, kind_of, tidy
from jobs.core.logger_table import DELIMITERS, HEAD_ROWS, Cells, Table, Text, is_number_like
from jobs.core.logger_words import UNIT_NAMES, is_humidity, is_sure, is_temperature, words_in


@dataclass(frozen=True, slots=True)
class _Long:
    """Where a row has its value, what it is of, and its unit; and what the values of the air are called."""

    name: int
    value: int
    unit: int | None
    temperature: str
    humidity: str

    def key(self, cells: Cells) -> Cells:
        """Return what says of which row a value is: all but the value, its name and its unit."""
        return [tidy(cell) for at, cell in enumerate(cells) if at not in (self.name, self.value, self.unit)]


@dataclass(slots=True)
class _Pair:
    """The values of one instant, and the line of the first of them."""

    line: int
    key: Cells
    values: dict[str, str] = field(default_factory=dict)


def side_by_side(table: Table) -> Table:
    """Return the table with one row an instant where each row holds one value; else the table as it is.

    A row keeps the line of its first value.  Values of other things are left out, and so is a value that another
    row repeats; one that another row contradicts stands in a row of its own.
    """
    long = _long_of(table)
    if long is None:
        return table
    pairs = _pairs(table, long)
    lines: dict[int, Cells] = {line: cells for line, cells in table.head[: table.start]}
    if (above := _header_line(table)) is not None:
        lines[above] = [*long.key(lines[above]), long.temperature, long.humidity]
    for pair in pairs:
        both = (pair.values.get(long.temperature, ""), pair.values.get(long.humidity, ""))
        lines[pair.line] = [*pair.key, *both]
    text = _text(lines, table.delimiter, is_open=table.text.is_open)
    head = tuple(islice(text.rows(table.delimiter), HEAD_ROWS))
    start = next(at for at, (line, _cells) in enumerate(head) if line == pairs[0].line)
    kinds = tuple(map(kind_of, head[start][1]))
    return replace(table, text=text, head=head, start=start, kinds=kinds, is_paired=True)


def _long_of(table: Table) -> _Long | None:
    """Return how a file of one value a row is laid out, or None where it is none, or names two of a kind."""
    if table.delimiter not in DELIMITERS or table.epoch is not None or table.counted is not None:
        return None
    others = [at for at, kind in enumerate(table.kinds) if kind is Kind.OTHER]
    named = [(at, names) for at in others if (names := _names(table, at)) is not None]
    values = [at for at in others if all(map(is_number_like, table.samples(at))) and table.samples(at)]
    above = _header_line(table)
    if len(named) != 1 or len(values) != 1 or above is None:
        return None
    (name, (temperature, humidity)), (value,) = named[0], values
    header = next(cells for line, cells in table.head if line == above)
    units = [at for at in others if at < len(header) and words_in(header[at]) & UNIT_NAMES]
    return _Long(name, value, units[0] if len(units) == 1 else None, temperature, humidity)


def _names(table: Table, at: int) -> tuple[str, str] | None:
    """Return what a column calls temperature and humidity of the air, if its cells name each just once."""
    samples = table.samples(at, most=HEAD_ROWS)
    if not samples or is_number_like(samples[0]):
        return None
    names = dict.fromkeys(map(tidy, samples))
    temperatures = [name for name in names if is_temperature(name) and is_sure(name)]
    humidities = [name for name in names if is_humidity(name) and is_sure(name)]
    return (temperatures[0], humidities[0]) if len(temperatures) == len(humidities) == 1 else None


def _header_line(table: Table) -> int | None:
    """Return the line of the last row above the readings that is not blank."""
    return next(
        (line for line, cells in reversed(table.head[: table.start]) if any(map(str.strip, cells))), None
    )


def _pairs(table: Table, long: _Long) -> list[_Pair]:
    pairs: list[_Pair] = []
    open_pairs: dict[tuple[str, ...], _Pair] = {}
    for line, cells in table.readings():
        if len(cells) <= max(long.name, long.value):
            # No value of anything: it is asked about as it stands.
            pairs.append(_Pair(line, long.key(cells)))
            continue
        name = tidy(cells[long.name])
        if name not in (long.temperature, long.humidity):
            continue
        key = long.key(cells)
        pair = open_pairs.get(tuple(key))
        said = _value(cells, long)
        if pair is not None and pair.values.get(name, said) == said:
            pair.values[name] = said
            continue
        pair = open_pairs[tuple(key)] = _Pair(line, key, {name: said})
        pairs.append(pair)
    return pairs


def _value(cells: Cells, long: _Long) -> str:
    unit = cells[long.unit] if long.unit is not None and long.unit < len(cells) else ""
    return tidy(f"{cells[long.value]} {unit}")


def _text(lines: dict[int, Cells], delimiter: str, *, is_open: bool) -> Text:
    """Return a text with each row in its line, and nothing in the others; `is_open`: nothing ends the last."""
    out = io.StringIO()
    writer = csv.writer(out, delimiter=delimiter, lineterminator="\n")
    last = 0
    for line in sorted(lines):
        out.write("\n" * (line - last - 1))
        cells: Sequence[str] = [tidy(cell) for cell in lines[line]]
        writer.writerow(cells)
        last = line
    text = out.getvalue()
    return Text((text.rstrip("\n") if is_open else text).encode(), "utf-8")
