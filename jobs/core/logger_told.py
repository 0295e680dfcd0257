"""How a logger's file was understood, in words: what a person reads before anything is stored."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from jobs.core.logger_columns import Layout
from jobs.core.logger_rows import UNIT_WORDS, Rows
from jobs.core.logger_table import Table
from jobs.core.logger_values import Answers, Reading, WrittenUnit, row_of
from jobs.core.words import Say, say, say_n

#: So many rows that are left out are named one by one.
_NAMED_ROWS = 10
_DELIMITERS: Mapping[str, Say] = {
    ",": say("a comma"),
    ";": say("a semicolon"),
    "\t": say("a tab"),
    "|": say("an upright stroke"),
    "  ": say("runs of blanks"),
    " ": say("blanks"),
}


def told_rows(readings: Sequence[Reading], first: Reading) -> list[Say]:
    """Return how many readings there are and how the first row was read."""
    count = say_n(
        "One reading, at {begin}.",
        "{n} readings, from {begin} to {end}.",
        n=len(readings),
        begin=readings[0].at,
        end=readings[-1].at,
    )
    row = say(
        "First row: {at}, {temperature} {unit}, {humidity} %.",
        at=first.at,
        temperature=first.value,
        unit=UNIT_WORDS[first.unit],
        humidity=first.rh_pct,
    )
    return [count, row]


def told_left_out(rows: Rows, answers: Answers) -> list[Say]:
    """Return which rows are left out or doubtful, the first of them by line."""
    told = []
    if rows.doubtful:
        lines = tuple(str(line) for line in map(row_of, rows.doubtful[:_NAMED_ROWS]))
        told.append(
            say_n(
                "One row looks damaged: row {lines}, {done} as answered.",
                "{n} rows look damaged: rows {lines}, {done} as answered.",
                n=len(rows.doubtful),
                lines=lines,
                done=say("kept") if answers.doubtful == "keep" else say("left out"),
            )
        )
    if rows.odd:
        lines = tuple(str(line) for line in sorted(map(row_of, rows.odd))[:_NAMED_ROWS])
        told.append(
            say_n(
                "One row holds no reading and is left out: row {lines}.",
                "{n} rows hold no reading and are left out, first rows {lines}."
                if len(rows.odd) > _NAMED_ROWS
                else "{n} rows hold no reading and are left out: rows {lines}.",
                n=len(rows.odd),
                lines=lines,
            )
        )
    if rows.others:
        told.append(
            say_n(
                "One row is of another logger, as answered.",
                "{n} rows are of other loggers, as answered.",
                n=rows.others,
            )
        )
    return told


def told_form(table: Table, layout: Layout, units: set[WrittenUnit], *, is_share: bool) -> list[Say]:
    """Return the form of the file, and where the values were read from."""
    sample = table.samples(layout.temperature, most=1)[0]
    sign = say("a decimal comma") if "," in sample else say("a decimal point")
    temperature, humidity = str(layout.labels[layout.temperature]), str(layout.labels[layout.humidity])
    kelvin = [say("Kelvin are read as °C: 273.15 less.")] if "k" in units else []
    shares = [say("Humidities are shares of one, as answered.")] if is_share else []
    pairs = (
        [say("Each row of the file holds one value; those of one time are read together.")]
        if table.is_paired
        else []
    )
    return [
        *pairs,
        *kelvin,
        *shares,
        say(
            "Columns are separated by {delimiter}, numbers have {sign}.",
            delimiter=_DELIMITERS.get(table.delimiter, table.delimiter),
            sign=sign,
        ),
        say(
            "Temperature is read from “{temperature}” in {units}, humidity from “{humidity}” in %.",
            temperature=temperature,
            units=tuple(UNIT_WORDS[unit] for unit in sorted(units)),
            humidity=humidity,
        ),
    ]


def told_oddities(repeated: int, over_100: int) -> list[Say]:
    """Return what is odd and was kept."""
    told = []
    if repeated:
        told.append(
            say_n(
                "One row repeats another and counts once.",
                "{n} rows repeat others and count once.",
                n=repeated,
            )
        )
    if over_100:
        told.append(
            say_n(
                "One humidity is above 100 %: the sensor is at its edge. It is kept as read.",
                "{n} humidities are above 100 %: the sensor is at its edge. They are kept as read.",
                n=over_100,
            )
        )
    return told
