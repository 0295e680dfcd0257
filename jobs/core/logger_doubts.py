"""Rows of a logger's file that can be read and look damaged: written unlike all others, out of order, cut short.

Nothing is wrong with such a row by itself.  It is shown beside what makes it doubtful, and a person decides.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Iterator, Sequence
from itertools import pairwise

from jobs.core.logger_columns import Layout
from jobs.core.logger_rows import Rows
from jobs.core.logger_values import FileError
from jobs.core.words import Say, say

#: Of fewer rows a single one may differ by chance.
_FEWEST_ALIKE = 20
#: Not more than one row in so many may be unlike the others, or that is how the logger writes.
_RARE = 100
#: A row that sums others up is one of so many at least: else the word is how the logger names its readings.
_FEW = 10
#: Of fewer rows the order is no rule.
_FEWEST_ORDERED = 10
#: A clock put back steps so far at most, in seconds, with a wide interval beside it.
_A_STEP = 4 * 3600
_LONG_YEAR = re.compile(r"(?<![0-9])[0-9]{4}(?![0-9])|[0-9]{8}")


def doubts_of(rows: Rows, layout: Layout, order: str) -> list[FileError]:
    """Return the doubtful rows, by line, each with the first thing that makes it so.

    Args:
        order: the order of day, month and year in which the dates are read.
    """
    found: dict[int, FileError] = {}
    for doubt in _all(rows, layout, order):
        found.setdefault(doubt.row or 0, doubt)
    return [found[line] for line in sorted(found)]


def _all(rows: Rows, layout: Layout, order: str) -> Iterator[FileError]:
    yield from _summaries(rows, layout)
    yield from _cut_short(rows, layout)
    for at, texts in ((layout.temperature, rows.temperature_texts), (layout.humidity, rows.humidity_texts)):
        yield from _written_otherwise(rows, texts, layout.labels[at])
    yield from _dated_otherwise(rows)
    yield from _timed_otherwise(rows)
    why = say("Its beginning may stand in the line above, which is a piece.")
    yield from (FileError(line, rows.time_label, why) for line in rows.rests if line in set(rows.lines))
    yield from _out_of_order(rows, order)


def _summaries(rows: Rows, layout: Layout) -> Iterator[FileError]:
    """Yield the rows that say of themselves that they sum others up, where few do."""
    if len(rows.summaries) * _FEW > len(rows.lines):
        return
    for line, at in rows.summaries.items():
        column = layout.labels[at]
        yield FileError(line, column, say("It sums others up, as its column “{column}” says.", column=column))


def _cut_short(rows: Rows, layout: Layout) -> Iterator[FileError]:
    """Yield the rows behind which a piece or nothing stands, and whose last value is shorter than the others'."""
    places = {line: index for index, line in enumerate(rows.lines) if line in rows.cut}
    for line, at in rows.cut.items():
        if line not in places or at not in (layout.temperature, layout.humidity):
            continue
        texts = rows.temperature_texts if at == layout.temperature else rows.humidity_texts
        mine = texts[places[line]]
        # A single row has nothing beside it but its other value.
        others = set(texts) - {mine} if len(texts) > 1 else {rows.temperature_texts[0]}
        if _is_shorter(mine, others) or at + 1 < rows.width:
            why = say("It breaks off here: “{seen}” may be cut short.", seen=mine.strip())
            yield FileError(line, layout.labels[at], why)


def _is_shorter(text: str, others: set[str]) -> bool:
    """Return whether a number has fewer digits before its decimal sign than any other, or fewer behind it than one."""
    if not others:
        return False
    before, after = _digits(text)
    numbers = [_digits(other) for other in others]
    return before < min(one for one, _after in numbers) or after < max(one for _before, one in numbers)


def _written_otherwise(rows: Rows, texts: Sequence[str], column: str | int) -> Iterator[FileError]:
    """Yield the rows whose number has more or fewer decimals than nearly all others, or a bare decimal sign."""
    decimals = {text: -1 if text.strip().endswith((".", ",")) else _digits(text)[1] for text in set(texts)}
    if len(set(decimals.values())) < 2:
        return
    counts = Counter(map(decimals.__getitem__, texts))
    usual, alike = counts.most_common(1)[0]
    is_rule = len(texts) >= _FEWEST_ALIKE and _are_few(len(texts) - alike, len(texts))
    for line, text in zip(rows.lines, texts, strict=True):
        if decimals[text] != usual and (is_rule or (decimals[text] < 0 and counts[-1] * 2 < len(texts))):
            why = say("“{seen}” has not as many decimals as the others.", seen=text.strip())
            yield FileError(line, column, why)


def _dated_otherwise(rows: Rows) -> Iterator[FileError]:
    """Yield the rows whose year has two digits where most have four, or the other way round."""
    is_long = {text: bool(_LONG_YEAR.search(text)) for text in rows.dates}
    if len(set(is_long.values())) < 2:
        return
    longs = sum(map(is_long.__getitem__, rows.date_texts))
    usual = longs * 2 >= len(rows.date_texts)
    for line, text in zip(rows.lines, rows.date_texts, strict=True):
        if is_long[text] != usual:
            yield FileError(
                line, rows.date_label, say("“{seen}” is not written as the other dates.", seen=text)
            )


def _timed_otherwise(rows: Rows) -> Iterator[FileError]:
    """Yield the rows whose time has seconds where nearly all others have none, or the other way round."""
    lines: Collection[int] = rows.other_times
    if len(lines) * 2 > len(rows.lines):
        lines = set(rows.lines) - set(lines)
    if len(rows.lines) < _FEWEST_ALIKE or not _are_few(len(lines), len(rows.lines)):
        return
    for line in lines:
        yield FileError(line, rows.time_label, say("Its time is not written as the others'."))


def _out_of_order(rows: Rows, order: str) -> Iterator[FileError]:
    """Yield single rows that stand far out of the time in which all others run on, forwards or backwards."""
    walls = rows.walls(order).seconds
    if len(walls) < _FEWEST_ORDERED:
        return
    steps = [after - before for before, after in pairwise(walls)]
    sign = 1 if sum(step > 0 for step in steps) * 2 >= len(steps) else -1
    odd = [_outlier(walls, index, sign) for index, step in enumerate(steps) if step * sign < -_A_STEP]
    # Clocks that are put back make a step or two as well; many steps are no order at all.
    if not _are_few(len(odd), len(walls)) or sum(step * sign < 0 for step in steps) > 2 * len(odd) + 2:
        return
    for index in odd:
        yield FileError(rows.lines[index], rows.time_label, _NOT_IN_ORDER)


_NOT_IN_ORDER: Say = say("Its time is far from the rows before and behind it.")


def _outlier(walls: Sequence[int], index: int, sign: int) -> int:
    """Return which of two rows that step back is out of order: the one without which the others run on."""
    behind = index + 2
    runs_on_without_second = behind >= len(walls) or (walls[behind] - walls[index]) * sign >= 0
    return index + 1 if runs_on_without_second else index


def _are_few(some: int, rows: int) -> bool:
    return some <= max(1, rows // _RARE)


def _digits(text: str) -> tuple[int, int]:
    """Return how many digits stand before and behind the decimal sign."""
    before, _sign, after = text.strip().replace(",", ".").partition(".")
    return sum(map(str.isdigit, before)), sum(map(str.isdigit, after))
