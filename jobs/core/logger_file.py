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
from jobs.core.logger_doubts import doubts_of
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
    WrittenUnit,
    answers_of,
)
from jobs.core.logger_zones import Known, Stated, instants_of, stated_zone, zone_of, zone_words
from jobs.core.units import celsius
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
    "header_in",
    "read",
    "size_error",
]

#: 100,000 rows have about 3 MB.
MAX_BYTES = 50_000_000
_FIRST_ROWS = 5
#: So many rows that are left out are named one by one.
_NAMED_ROWS = 10
_ZERO_C_IN_K = 273.15
_DAY = 86_400
#: Fewer rows may run on by chance.
_FEWEST_SWAPPED = 8
#: Where no row is cooler than this in °C, the numbers may be °F whatever the header says.
_NO_AIR_C = 50.0
#: In percent no air is as dry; a sensor at its edge makes 1.05 of a share.
_SHARE = 1.05
_LEAVE_OUT = (
    Choice("yes", say("Leave out, and read the others")),
    Choice("no", say("Read nothing of this file")),
)
_DOUBTFUL = (
    Choice("leave", say("Leave out, and read the others")),
    Choice("keep", say("Read as it stands: it is right")),
)
_DELIMITERS: Mapping[str, Say] = {
    ",": say("a comma"),
    ";": say("a semicolon"),
    "\t": say("a tab"),
    "|": say("an upright stroke"),
    "  ": say("runs of blanks"),
    " ": say("blanks"),
}


def read(
    data: bytes, answers: Answers | None = None, *, max_bytes: int = MAX_BYTES
) -> ReadOut | Ask | FileError:
    """Read a logger's file.

    A row without a time, a temperature or a humidity, or with values that no air on a site has, is asked about
    unless the whole row is blank: it may be left out.  A time that the zone's clock skipped and two rows of one
    instant that differ are errors.
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


def header_in(data: bytes) -> tuple[str, ...]:
    """Return a file's header, one text a column, by its first rows alone; none where there is no table in it."""
    try:
        header, _above = header_of(table_of(text_of(data)))
    except Refused:
        return ()
    return header


def size_error(size: int, *, max_bytes: int = MAX_BYTES) -> FileError | None:
    """Return why a file of so many bytes is not read, or None: to be asked before it is taken into memory."""
    if size <= max_bytes:
        return None
    return FileError(None, None, say("The file is larger than {most} MB.", most=max_bytes / 1_000_000))


def _read_out(table: Table, answers: Answers) -> ReadOut:
    layout = layout_of(table, answers)
    rows = rows_of(table, layout, answers)
    stated = stated_zone(layout.time_headers, layout.rows_above)
    units, order, known = _settled(rows, layout, stated, answers)
    instants, passes = instants_of(rows.walls(order.left[0]), known, stated, answers)
    columns = zip(instants, rows.values, units, rows.humidities, rows.lines, strict=True)
    readings = [
        Reading(datetime.fromtimestamp(at, UTC), *_storable(value, unit), rh_pct, line)
        for at, value, unit, rh_pct, line in columns
    ]
    once = _once_each(readings, rows.time_label)
    over_100 = sum(reading.rh_pct > 100 for reading in once)
    repeated = len(readings) - len(once)
    return ReadOut(
        readings=tuple(once),
        told=(
            *_told_rows(once, readings[0]),
            *_told_form(table, layout, set(units), is_share=rows.is_share),
            known.how,
            *([order.told] if order.told else []),
            *passes,
            *_told_oddities(repeated, over_100),
            *_told_left_out(rows, answers),
        ),
        first=tuple(readings[:_FIRST_ROWS]),
        header=layout.header,
        columns=layout.columns,
        delimiter=table.delimiter,
        encoding=table.text.encoding,
        zone="UTC" if known.zone is None else zone_words(known.zone),
        repeated=repeated,
        over_100=over_100,
        left_out=len(rows.odd) + (0 if answers.doubtful == "keep" else len(rows.doubtful)),
    )


def _storable(value: float, unit: WrittenUnit) -> tuple[float, Unit]:
    """Return a temperature in a unit that readings are stored in: kelvin in °C, to the millionth."""
    return (round(value - _ZERO_C_IN_K, 6), "c") if unit == "k" else (value, unit)


# ---- what has to be known first ----


def _settled(
    rows: Rows, layout: Layout, stated: Stated, answers: Answers
) -> tuple[Sequence[WrittenUnit], Order, Known]:
    """Return each row's unit, the order of the dates, and the time zone; rows without a reading are dropped.

    Raises:
        Unanswered: something of it is open; all that is open is asked at once.
        Refused: more rows hold no reading than do, or they are not to be left out.
    """
    questions: list[Question] = []
    units = _units(rows, layout, answers)
    if units is None:
        questions.append(_unit_question(rows, layout))
    else:
        units = _without_odd_values(rows, layout, units, answers)
    if rows.odd and (question := _odd_question(rows, answers)):
        questions.append(question)
    dates = [rows.dates[text] for text in dict.fromkeys(rows.date_texts)]
    order = order_of(dates, answers.day_first, rows.date_label)
    if len(order.left) > 1:
        questions.append(order_question(dates, order, rows.example(0), _likely(rows, order)))
    else:
        if order.left[0] != "ymd":
            _refuse_swapped(rows, order.left[0])
        units = _without_doubts(rows, layout, order.left[0], units, answers, questions)
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


def _without_doubts(
    rows: Rows,
    layout: Layout,
    order: str,
    units: Sequence[WrittenUnit] | None,
    answers: Answers,
    questions: list[Question],
) -> Sequence[WrittenUnit] | None:
    """Drop the rows that look damaged if a person said so, and return the units of those that stay; or ask.

    Raises:
        Refused: no row stays.
    """
    rows.doubtful = doubts_of(rows, layout, order)
    if not rows.doubtful or answers.doubtful == "keep":
        return units
    if answers.doubtful is None:
        questions.append(_doubt_question(rows))
        return units
    lines = {doubt.row for doubt in rows.doubtful}
    dropped = {at for at, line in enumerate(rows.lines) if line in lines}
    if len(dropped) == len(rows.lines):
        first = rows.doubtful[0]
        raise Refused(first.why, row=first.row, column=first.column)
    rows.without(dropped)
    return None if units is None else [unit for at, unit in enumerate(units) if at not in dropped]


def _doubt_question(rows: Rows) -> Question:
    first = rows.doubtful[0]
    text = say_n(
        "Row {row} may be damaged: {why}",
        "{n} rows may be damaged, first row {row}: {why}",
        n=len(rows.doubtful),
        row=first.row or 0,
        why=first.why,
    )
    return Question("doubtful", text, _DOUBTFUL, rows.at_line(first.row or 0))


def _odd_question(rows: Rows, answers: Answers) -> Question | None:
    """Return the question whether the rows that hold no reading are left out, or None where that is said.

    Raises:
        Refused: they are not, or there are more of them than of the others.
    """
    first = min(rows.odd, key=_row_of)
    if answers.leave_out == "no" or len(rows.odd) > len(rows.lines):
        raise Refused(first.why, row=first.row, column=first.column)
    if answers.leave_out == "yes":
        return None
    text = say_n(
        "Row {row} holds no reading: {why} Leave it out?",
        "{n} rows hold no reading, first row {row}: {why} Leave them out?",
        n=len(rows.odd),
        row=first.row or 0,
        why=first.why,
    )
    return Question("leave_out", text, _LEAVE_OUT, rows.at_line(first.row or 0))


def _row_of(error: FileError) -> int:
    return error.row or 0


def _units(rows: Rows, layout: Layout, answers: Answers) -> Sequence[WrittenUnit] | None:
    """Return each row's unit: its own, else the header's, else as answered; None where nobody said."""
    own = set(rows.units)
    if layout.unit is not None:
        odd = next((at for at, unit in enumerate(rows.units) if unit not in (None, layout.unit)), None)
        if odd is not None:
            why = say(
                "This row is in another unit than its header says: {unit}.", unit=UNIT_WORDS[layout.unit]
            )
            raise _at_temperature(rows, layout, odd, why)
        if layout.unit == "c" and min(rows.values) > _NO_AIR_C:
            return None if answers.unit is None else [answers.unit] * len(rows.units)
        return [layout.unit] * len(rows.units)
    if None not in own:
        return [unit for unit in rows.units if unit is not None]
    if len(own) > 1:
        without = rows.units.index(None)
        raise _at_temperature(rows, layout, without, say("This row says no unit, and others do."))
    return None if answers.unit is None else [answers.unit] * len(rows.units)


def _could_be(rows: Rows, unit: WrittenUnit) -> bool:
    """Return whether most temperatures are such as a site can have."""
    low, high = RANGE[unit]
    return sum(low <= value <= high for value in rows.values) * 2 > len(rows.values)


def _at_temperature(rows: Rows, layout: Layout, index: int, why: Say) -> Refused:
    return Refused(why, row=rows.lines[index], column=layout.labels[layout.temperature])


def _unit_question(rows: Rows, layout: Layout) -> Question:
    text = say(
        "In which unit are the temperatures in column {column}?", column=layout.labels[layout.temperature]
    )
    # No temperature of a site has the same number in kelvin and in another unit.
    units: tuple[WrittenUnit, ...] = ("k",) if _could_be(rows, "k") else ("c", "f")
    choices = tuple(Choice(unit, _unit_words(unit, rows.values[0])) for unit in units)
    likely = "f" if units != ("k",) and min(rows.values) > _NO_AIR_C else None
    return Question("unit", text, choices, rows.example(0), likely)


def _unit_words(unit: WrittenUnit, seen: float) -> Say:
    """Return a unit in words, with what the first temperature is in °C if it is another."""
    if unit == "c":
        return say("°C")
    value, stored = _storable(seen, unit)
    t_c = round(celsius(value, stored), 1)
    return say("{unit}: {seen} {unit} are {t_c} °C", unit=UNIT_WORDS[unit], seen=seen, t_c=t_c)


def _likely(rows: Rows, order: Order) -> str | None:
    """Return the one order under which the rows run on in time, or None; evidence, no proof."""
    running = [name for name in order.left if _runs_on(rows.walls(name).seconds)]
    return running[0] if len(running) == 1 else None


def _refuse_swapped(rows: Rows, order: str) -> None:
    """Refuse dates of which a program has swapped day and month where it could: then the rows would run on.

    A spreadsheet of another country does so with every date whose day is no more than 12.
    """
    walls = rows.walls(order).seconds
    if len(walls) < _FEWEST_SWAPPED or _runs_on(walls):
        return
    other = "mdy" if order == "dmy" else "dmy"
    moved = {text: one.day.by_order.get(other, one.day.by_order[order]) for text, one in rows.dates.items()}
    days = [moved[text] - rows.dates[text].day.by_order[order] for text in rows.date_texts]
    if any(days) and _runs_on([wall + day * _DAY for wall, day in zip(walls, days, strict=True)]):
        at = next(at for at, day in enumerate(days) if day)
        why = say(
            "The rows follow each other in time only if day and month are swapped in some dates, such as {date}: "
            "a spreadsheet may have done so. Give the logger's own file.",
            date=rows.date_texts[at],
        )
        raise Refused(why, row=rows.lines[at], column=rows.date_label)


def _runs_on(seconds: Sequence[int]) -> bool:
    steps = [after - before for before, after in pairwise(seconds)]
    return min(steps, default=0) >= 0 or max(steps, default=0) <= 0


# ---- what only the whole shows ----


def _without_odd_values(
    rows: Rows, layout: Layout, units: Sequence[WrittenUnit], answers: Answers
) -> Sequence[WrittenUnit]:
    """Drop the rows with temperatures or humidities of no site, and return the units of those that stay.

    Raises:
        Refused: no row stays, or the humidities are said to be percent and are not.
        Unanswered: whether the humidities are shares of one.
    """
    if max(rows.humidities) <= _SHARE:
        _to_percent(rows, layout, answers)
    dropped: set[int] = set()
    for at, (value, unit, rh_pct) in enumerate(zip(rows.values, units, rows.humidities, strict=True)):
        low, high = RANGE[unit]
        if not low <= value <= high:
            _refuse_wrong_answer(rows, layout, at, answers)
            rows.odd.append(_at_temperature(rows, layout, at, _no_temperature(value, unit)).error)
            dropped.add(at)
        elif rh_pct <= 1:
            why = say("No air on a site is as dry as {seen} %.", seen=rh_pct)
            rows.odd.append(FileError(rows.lines[at], layout.labels[layout.humidity], why))
            dropped.add(at)
    if len(dropped) == len(rows.lines):
        first = min(rows.odd, key=_row_of)
        raise Refused(first.why, row=first.row, column=first.column)
    if not dropped:
        return units
    rows.without(dropped)
    return [unit for at, unit in enumerate(units) if at not in dropped]


def _to_percent(rows: Rows, layout: Layout, answers: Answers) -> None:
    """Make percent of shares of one, if a person said that they are such."""
    if answers.humidity == "share":
        rows.humidities = [round(share * 100, 6) for share in rows.humidities]
        rows.is_share = True
        return
    if answers.humidity == "percent":
        why = say("No humidity is above 1 %, and no air on a site is as dry.")
        raise Refused(why, row=rows.lines[0], column=layout.labels[layout.humidity], answer="humidity")
    seen = rows.humidities[0]
    text = say("No humidity is above 1. Are these shares of one?")
    choices = (
        Choice("share", say("Yes: {seen} is {percent} %", seen=seen, percent=round(seen * 100, 6))),
        Choice("percent", say("No, percent")),
    )
    raise Unanswered([Question("humidity", text, choices, rows.example(0))])


def _no_temperature(value: float, unit: WrittenUnit) -> Say:
    low, high = RANGE[unit]
    return say(
        "A temperature on a site is between {low} and {high} {unit}, and this is {seen}.",
        low=low,
        high=high,
        unit=UNIT_WORDS[unit],
        seen=value,
    )


def _refuse_wrong_answer(rows: Rows, layout: Layout, at: int, answers: Answers) -> None:
    """Refuse a temperature that is of no site in the unit that a person named, and of one in another unit."""
    if answers.unit is None or layout.unit is not None or rows.units[at] is not None:
        return
    value = rows.values[at]
    fitting = [unit for unit, (low, high) in RANGE.items() if low <= value <= high]
    if fitting:
        why = say(
            "{seen} is a temperature on a site in {unit}, and not as answered.",
            seen=value,
            unit=UNIT_WORDS[fitting[0]],
        )
        column = layout.labels[layout.temperature]
        raise Refused(why, row=rows.lines[at], column=column, answer="unit")


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


def _told_left_out(rows: Rows, answers: Answers) -> list[Say]:
    told = []
    if rows.doubtful:
        lines = tuple(str(line) for line in map(_row_of, rows.doubtful[:_NAMED_ROWS]))
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
        lines = tuple(str(line) for line in sorted(map(_row_of, rows.odd))[:_NAMED_ROWS])
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


def _told_form(table: Table, layout: Layout, units: set[WrittenUnit], *, is_share: bool) -> list[Say]:
    sample = table.samples(layout.temperature, most=1)[0]
    sign = say("a decimal comma") if "," in sample else say("a decimal point")
    temperature, humidity = str(layout.labels[layout.temperature]), str(layout.labels[layout.humidity])
    kelvin = [say("Kelvin are read as °C: 273.15 less.")] if "k" in units else []
    shares = [say("Humidities are shares of one, as answered.")] if is_share else []
    return [
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
