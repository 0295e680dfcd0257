"""Units and values of a logger's rows: °C, °F or kelvin, percent or shares of one, and what no site has."""

from __future__ import annotations

from collections.abc import Sequence

from jobs.core.logger_columns import Layout
from jobs.core.logger_rows import RANGE, UNIT_WORDS, Rows
from jobs.core.logger_values import (
    Answers,
    Choice,
    FileError,
    Question,
    Refused,
    Unanswered,
    Unit,
    WrittenUnit,
    row_of,
)
from jobs.core.logger_words import unit_in
from jobs.core.units import celsius
from jobs.core.words import Say, say

_ZERO_C_IN_K = 273.15
#: Where no row is as cool in °C, the numbers may be °F whatever the header says.
_NO_AIR_C = 50.0
#: In percent no air is as dry; a sensor at its edge makes 1.05 of a share.
_SHARE = 1.05


def storable(values: Sequence[float], units: Sequence[WrittenUnit]) -> tuple[Sequence[float], Sequence[Unit]]:
    """Return temperatures in the units that readings are stored in: kelvin in °C, to the millionth."""
    stored: list[Unit] = ["c" if unit == "k" else unit for unit in units]
    if "k" not in units:
        return values, stored
    return [_less_kelvin(value, unit) for value, unit in zip(values, units, strict=True)], stored


def _less_kelvin(value: float, unit: WrittenUnit) -> float:
    return round(value - _ZERO_C_IN_K, 6) if unit == "k" else value


def units_of(rows: Rows, layout: Layout, answers: Answers) -> Sequence[WrittenUnit] | None:
    """Return each row's unit: its own, else the header's, else as answered; None where nobody said."""
    own = set(rows.units)
    if layout.unit is not None:
        odd = next((at for at, unit in enumerate(rows.units) if unit not in (None, layout.unit)), None)
        if odd is not None:
            why = say(
                "This row is in another unit than its header says: {unit}.", unit=UNIT_WORDS[layout.unit]
            )
            raise _at_temperature(rows, layout, odd, why)
        if layout.unit == "c" and _is_no_air(rows):
            return None if answers.unit is None else [answers.unit] * len(rows.units)
        return [layout.unit] * len(rows.units)
    if None not in own:
        return [unit for unit in rows.units if unit is not None]
    if len(own) > 1:
        without = rows.units.index(None)
        raise _at_temperature(rows, layout, without, say("This row says no unit, and others do."))
    return None if answers.unit is None else [answers.unit] * len(rows.units)


def _is_no_air(rows: Rows) -> bool:
    """Return whether the temperatures cannot be °C: what is in the range of a site at all is too hot for one."""
    return not any(RANGE["c"][0] <= value <= _NO_AIR_C for value in rows.values)


def _could_be(rows: Rows, unit: WrittenUnit) -> bool:
    """Return whether most temperatures are such as a site can have."""
    low, high = RANGE[unit]
    return sum(low <= value <= high for value in rows.values) * 2 > len(rows.values)


def _at_temperature(rows: Rows, layout: Layout, index: int, why: Say) -> Refused:
    return Refused(why, row=rows.lines[index], column=layout.labels[layout.temperature])


def unit_question(rows: Rows, layout: Layout) -> Question:
    """Return the question in which unit the temperatures are, among those that can be."""
    text = say(
        "In which unit are the temperatures in column {column}?", column=layout.labels[layout.temperature]
    )
    # No temperature of a site has the same number in kelvin and in another unit.
    units: tuple[WrittenUnit, ...] = ("k",) if _could_be(rows, "k") else ("c", "f")
    choices = tuple(Choice(unit, _unit_words(unit, rows.values[0])) for unit in units)
    said = {unit for cells in layout.rows_above if (unit := unit_in(" ".join(cells)))}
    likely = "f" if _is_no_air(rows) else said.pop() if len(said) == 1 else None
    return Question("unit", text, choices, rows.example(0), likely if likely in units else None)


def _unit_words(unit: WrittenUnit, seen: float) -> Say:
    """Return a unit in words, with what the first temperature is in °C if it is another."""
    if unit == "c":
        return say("°C")
    (value,), (stored,) = storable([seen], [unit])
    t_c = round(celsius(value, stored), 1)
    return say("{unit}: {seen} {unit} are {t_c} °C", unit=UNIT_WORDS[unit], seen=seen, t_c=t_c)


def without_odd_values(
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
        first = min(rows.odd, key=row_of)
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
