"""A temperature and humidity logger's file: bytes and answers to readings, questions, or one error.

Nothing is guessed.  What the file does not settle is asked, what cannot be right is refused, and what was
read is told in words, so that a person sees it before it is stored.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime
from itertools import pairwise

from jobs.core.logger_columns import Layout, header_of, layout_of
from jobs.core.logger_dates import Order, order_of, order_question, said_order
from jobs.core.logger_doubts import doubts_of
from jobs.core.logger_long import side_by_side
from jobs.core.logger_rows import Rows, rows_of
from jobs.core.logger_table import Table, table_of, text_of
from jobs.core.logger_told import told_form, told_left_out, told_oddities, told_rows
from jobs.core.logger_units import storable, unit_question, units_of, without_odd_values
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
    row_of,
)
from jobs.core.logger_zones import Known, Stated, instants_of, stated_zone, zone_of, zone_words
from jobs.core.words import say, say_n

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
#: So many rows are named beside a question about them.
_ASKED_ROWS = 8
_DAY = 86_400
#: Fewer rows may run on by chance.
_FEWEST_SWAPPED = 8
_LEAVE_OUT = (
    Choice("yes", say("Leave out, and read the others")),
    Choice("no", say("Read nothing of this file")),
)
_DOUBTFUL = (
    Choice("leave", say("Leave out, and read the others")),
    Choice("keep", say("Read as it stands: it is right")),
)


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
        table = side_by_side(table_of(text_of(data)))
        header, _above = header_of(table)
        return _read_out(table, answers or Answers())
    except Refused as refused:
        return refused.error
    except Unanswered as unanswered:
        return Ask(unanswered.questions, header)


def header_in(data: bytes) -> tuple[str, ...]:
    """Return a file's header, one text a column, by its first rows alone; none where there is no table in it."""
    try:
        header, _above = header_of(side_by_side(table_of(text_of(data))))
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
    values, stored = storable(rows.values, units)
    columns = zip(instants, values, stored, rows.humidities, rows.lines, strict=True)
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
            *told_rows(once, readings[0]),
            *told_form(table, layout, set(units), is_share=rows.is_share),
            known.how,
            *([order.told] if order.told else []),
            *passes,
            *told_oddities(repeated, over_100),
            *told_left_out(rows, answers),
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
    units = units_of(rows, layout, answers)
    if units is None:
        questions.append(unit_question(rows, layout))
    else:
        units = without_odd_values(rows, layout, units, answers)
    if rows.odd and (question := _odd_question(rows, answers)):
        questions.append(question)
    dates = [rows.dates[text] for text in dict.fromkeys(rows.date_texts)]
    said = said_order(layout.time_headers)
    order = order_of(dates, answers.day_first, rows.date_label, said=said)
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
        "Row {rows} may be damaged: {why}",
        "{n} rows may be damaged: {rows}. The first: {why}",
        n=len(rows.doubtful),
        rows=_lines_of(rows.doubtful),
        why=first.why,
    )
    return Question("doubtful", text, _DOUBTFUL, rows.at_line(first.row or 0))


def _lines_of(errors: Sequence[FileError]) -> tuple[str, ...]:
    """Return the first lines of rows as words, and a sign that there are more."""
    lines = tuple(str(line) for line in sorted(map(row_of, errors)))
    return lines if len(lines) <= _ASKED_ROWS else (*lines[:_ASKED_ROWS], "…")


def _odd_question(rows: Rows, answers: Answers) -> Question | None:
    """Return the question whether the rows that hold no reading are left out, or None where that is said.

    Raises:
        Refused: they are not, or there are more of them than of the others.
    """
    first = min(rows.odd, key=row_of)
    if answers.leave_out == "no" or len(rows.odd) > len(rows.lines):
        raise Refused(first.why, row=first.row, column=first.column)
    if answers.leave_out == "yes":
        return None
    text = say_n(
        "Row {rows} holds no reading: {why} Leave it out?",
        "{n} rows hold no reading: {rows}. The first: {why} Leave them out?",
        n=len(rows.odd),
        rows=_lines_of(rows.odd),
        why=first.why,
    )
    return Question("leave_out", text, _LEAVE_OUT, rows.at_line(first.row or 0))


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
