"""A temperature and humidity logger's file: bytes and answers to readings, questions, or one error.

Nothing is guessed.  What the file does not settle is asked, what cannot be right is refused, and what was
read is told in words, so that a person sees it before it is stored.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime
from itertools import pairwise

from jobs.core.logger_columns import Layout, header_of, layout_of
from jobs.core.logger_dates import Order, order_of, order_question
from jobs.core.logger_rows import RANGE, UNIT_WORDS, Rows, rows_of
from jobs.core.logger_table import Table, table_of, text_of
from jobs.core.logger_values import (
    Answers,
    Ask,
    Choice,
    Columns,
    DayFirst,
    Example,
    FileError,
    Fold,
    Key,
    Question,
    Reading,
    ReadOut,
    Refused,
    Unanswered,
    Unit,
    answers_of,
)
from jobs.core.logger_zones import Known, Stated, instants_of, stated_zone, zone_of, zone_words
from jobs.core.words import Say, say, say_n

__all__ = [
    "MAX_BYTES",
    "Answers",
    "Ask",
    "Choice",
    "Columns",
    "DayFirst",
    "Example",
    "FileError",
    "Fold",
    "Key",
    "Question",
    "ReadOut",
    "Reading",
    "Unit",
    "answers_of",
    "read",
    "size_error",
]

#: 100,000 rows have about 3 MB.
MAX_BYTES = 50_000_000
_FIRST_ROWS = 5
_DELIMITERS: Mapping[str, Say] = {
    ",": say("a comma"),
    ";": say("a semicolon"),
    "\t": say("a tab"),
    "|": say("an upright stroke"),
}


def read(
    data: bytes, answers: Answers | None = None, *, max_bytes: int = MAX_BYTES
) -> ReadOut | Ask | FileError:
    """Read a logger's file.

    A row without a time, a temperature or a humidity is an error unless the whole row is blank; so are values
    that no air on a site has, a time that the zone's clock skipped, and two rows of one instant that differ.
    Rows may stand in any order; a row that repeats another counts once.  Fractions of a second are cut off.
    Whether a reading lies in the future is for the caller, who knows the time.
    """
    if (too_large := size_error(len(data), max_bytes=max_bytes)) is not None:
        return too_large
    header: tuple[str, ...] = ()
    try:
        table = table_of(text_of(data))
        header, _above = header_of(table)
        return _read_out(table, answers or Answers())
    except Refused as refused:
        return refused.error
    except Unanswered as unanswered:
        return Ask(unanswered.questions, header)


def size_error(size: int, *, max_bytes: int = MAX_BYTES) -> FileError | None:
    """Return why a file of so many bytes is not read, or None: to be asked before it is taken into memory."""
    if size <= max_bytes:
        return None
    return FileError(None, None, say("The file is larger than {most} MB.", most=max_bytes / 1_000_000))


def _read_out(table: Table, answers: Answers) -> ReadOut:
    layout = layout_of(table, answers)
    rows = rows_of(table, layout)
    stated = stated_zone(layout.time_headers, layout.rows_above)
    units, order, known = _settled(rows, layout, stated, answers)
    _refuse_odd_values(rows, layout, units)
    instants, passes = instants_of(rows.walls(order.left[0]), known, stated, answers)
    columns = zip(instants, rows.values, units, rows.humidities, rows.lines, strict=True)
    readings = [
        Reading(datetime.fromtimestamp(at, UTC), value, unit, rh_pct, line)
        for at, value, unit, rh_pct, line in columns
    ]
    once = _once_each(readings, rows.time_label)
    over_100 = sum(reading.rh_pct > 100 for reading in once)
    repeated = len(readings) - len(once)
    return ReadOut(
        readings=tuple(once),
        told=(
            *_told_rows(once, readings[0]),
            *_told_form(table, layout, set(units)),
            known.how,
            *([order.told] if order.told else []),
            *passes,
            *_told_oddities(repeated, over_100),
        ),
        first=tuple(readings[:_FIRST_ROWS]),
        header=layout.header,
        columns=layout.columns,
        delimiter=table.delimiter,
        encoding=table.text.encoding,
        zone="UTC" if known.zone is None else zone_words(known.zone),
        repeated=repeated,
        over_100=over_100,
    )


# ---- what has to be known first ----


def _settled(
    rows: Rows, layout: Layout, stated: Stated, answers: Answers
) -> tuple[Sequence[Unit], Order, Known]:
    """Return each row's unit, the order of the dates, and the time zone.

    Raises:
        Unanswered: something of it is open; all that is open is asked at once.
    """
    dates = list(rows.dates.values())
    questions: list[Question] = []
    units = _units(rows, layout, answers)
    if units is None:
        questions.append(_unit_question(rows, layout))
    order = order_of(dates, answers.day_first, rows.date_label)
    if len(order.left) > 1:
        questions.append(order_question(dates, order, rows.example(0), _likely(rows, order)))
    try:
        known = zone_of(
            rows.clocks,
            stated,
            answers,
            year=date.fromordinal(max(dates[0].day.by_order.values())).year,
            example=rows.example(0),
            column=rows.time_label,
        )
    except Unanswered as unanswered:
        raise Unanswered([*questions, *unanswered.questions]) from unanswered
    if units is None or questions:
        raise Unanswered(questions)
    return units, order, known


def _units(rows: Rows, layout: Layout, answers: Answers) -> Sequence[Unit] | None:
    """Return each row's unit: its own, else the header's, else as answered; None where nobody said."""
    own = set(rows.units)
    if layout.unit is not None:
        odd = next((at for at, unit in enumerate(rows.units) if unit not in (None, layout.unit)), None)
        if odd is not None:
            why = say(
                "This row is in another unit than its header says: {unit}.", unit=UNIT_WORDS[layout.unit]
            )
            raise _at_temperature(rows, layout, odd, why)
        return [layout.unit] * len(rows.units)
    if None not in own:
        return [unit for unit in rows.units if unit is not None]
    if len(own) > 1:
        without = rows.units.index(None)
        raise _at_temperature(rows, layout, without, say("This row says no unit, and others do."))
    return None if answers.unit is None else [answers.unit] * len(rows.units)


def _at_temperature(rows: Rows, layout: Layout, index: int, why: Say) -> Refused:
    return Refused(why, row=rows.lines[index], column=layout.labels[layout.temperature])


def _unit_question(rows: Rows, layout: Layout) -> Question:
    text = say(
        "In which unit are the temperatures in column {column}?", column=layout.labels[layout.temperature]
    )
    choices = (Choice("c", say("°C")), Choice("f", say("°F")))
    return Question("unit", text, choices, rows.example(0))


def _likely(rows: Rows, order: Order) -> str | None:
    """Return the one order under which the rows run on in time, or None; evidence, no proof."""
    running = [name for name in order.left if _runs_on(rows.walls(name).seconds)]
    return running[0] if len(running) == 1 else None


def _runs_on(seconds: Sequence[int]) -> bool:
    steps = [after - before for before, after in pairwise(seconds)]
    return min(steps, default=0) >= 0 or max(steps, default=0) <= 0


# ---- what only the whole shows ----


def _refuse_odd_values(rows: Rows, layout: Layout, units: Sequence[Unit]) -> None:
    """Refuse temperatures of no site, and humidities that are shares of one."""
    for at, (value, unit) in enumerate(zip(rows.values, units, strict=True)):
        low, high = RANGE[unit]
        if not low <= value <= high:
            why = say(
                "A temperature on a site is between {low} and {high} {unit}, and this is {seen}.",
                low=low,
                high=high,
                unit=UNIT_WORDS[unit],
                seen=value,
            )
            raise _at_temperature(rows, layout, at, why)
    if max(rows.humidities) <= 1:
        why = say("No humidity is above 1 %: these seem to be shares of one, and percent are needed.")
        raise Refused(why, row=rows.lines[0], column=layout.labels[layout.humidity])


def _once_each(readings: Sequence[Reading], time_label: str | int) -> list[Reading]:
    """Return the readings in the order of time, each instant once.

    Raises:
        Refused: two rows of one instant differ.
    """
    once: list[Reading] = []
    for reading in sorted(readings, key=_by_time):
        if once and once[-1].at == reading.at:
            if _air(once[-1]) != _air(reading):
                why = say(
                    "This row and row {row} are of the same instant and say different things.",
                    row=once[-1].row,
                )
                raise Refused(why, row=reading.row, column=time_label)
            continue
        once.append(reading)
    return once


def _by_time(reading: Reading) -> tuple[datetime, int]:
    return reading.at, reading.row


def _air(reading: Reading) -> tuple[float, Unit, float]:
    return reading.value, reading.unit, reading.rh_pct


# ---- in words ----


def _told_rows(readings: Sequence[Reading], first: Reading) -> list[Say]:
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


def _told_form(table: Table, layout: Layout, units: set[Unit]) -> list[Say]:
    sample = table.samples(layout.temperature, most=1)[0]
    sign = say("a decimal comma") if "," in sample else say("a decimal point")
    temperature, humidity = str(layout.labels[layout.temperature]), str(layout.labels[layout.humidity])
    return [
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


def _told_oddities(repeated: int, over_100: int) -> list[Say]:
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
