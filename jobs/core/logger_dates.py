"""In which order a logger's file writes day, month and year: what its dates exclude, what is left to ask."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date

from jobs.core.logger_stamps import ORDERS, Day
from jobs.core.logger_values import Choice, DayFirst, Example, Question, Refused
from jobs.core.words import Say, say

_ORDER_OF: Mapping[DayFirst, str] = {"yes": "dmy", "no": "mdy", "year": "ymd"}
_WORDS: Mapping[str, Say] = {
    "dmy": say("the day first"),
    "mdy": say("the month first"),
    "ymd": say("the year first"),
}
#: Day, month and year by their letters, in English, German and French.
_SPELT: Mapping[str, re.Pattern[str]] = {
    "dmy": re.compile(r"(?<![a-z])[dtj]{1,2}[-/. ]?mm?[-/. ]?[yja]{2,4}(?![a-z])", re.IGNORECASE),
    "mdy": re.compile(r"(?<![a-z])mm?[-/. ]?[dtj]{1,2}[-/. ]?[yja]{2,4}(?![a-z])", re.IGNORECASE),
    "ymd": re.compile(r"(?<![a-z])[yja]{2,4}[-/. ]mm?[-/. ]?[dtj]{1,2}(?![a-z])", re.IGNORECASE),
}


@dataclass(frozen=True, slots=True)
class Written:
    """One text of a date, what it may mean, and the first row that has it."""

    text: str
    day: Day
    row: int


@dataclass(frozen=True, slots=True)
class Order:
    """The orders that no date of the file excludes; of more than one, the rest gives other days."""

    left: tuple[str, ...]
    told: Say | None = None


def said_order(headers: Iterable[str]) -> str | None:
    """Return the order that headers spell out, as `dd/mm/yyyy` or `TT.MM.JJ` do, or None."""
    text = " ".join(headers)
    found = {order for order, pattern in _SPELT.items() if pattern.search(text)}
    return found.pop() if len(found) == 1 else None


def order_of(
    dates: list[Written], answer: DayFirst | None, column: str | int, *, said: str | None = None
) -> Order:
    """Return the order of the file's dates: one, or those between which a person has to choose.

    A day above 12 excludes an order, and so does a year that no logger has seen.  What is left then, the header may
    settle: `said` is the order that it spells out.

    Raises:
        Refused: a date that no calendar has, dates that exclude each other, or an answer they exclude.
    """
    left = set(ORDERS)
    for written in dates:
        if not written.day.by_order:
            why = say("There is no such date as {date}.", date=written.text)
            raise Refused(why, row=written.row, column=column)
        before, left = left, left & written.day.by_order.keys()
        if not left:
            words = tuple(_WORDS[order] for order in ORDERS if order in before)
            why = say("{date} cannot have {order}, as rows above have it.", date=written.text, order=words[0])
            raise Refused(why, row=written.row, column=column)
    if all(written.day.is_plain for written in dates):
        return Order(("ymd",))
    if said in left and len(left) > 1:
        return Order((said,), say("Dates have {order}, as the header says.", order=_WORDS[said]))
    if answer is not None:
        return _answered(dates, left, answer, column)
    meanings: dict[tuple[int, ...], str] = {}
    for order in ORDERS:
        if order in left:
            meanings.setdefault(tuple(written.day.by_order[order] for written in dates), order)
    orders = tuple(meanings.values())
    return Order(orders, say("Dates have {order}.", order=_WORDS[orders[0]]) if len(orders) == 1 else None)


def _answered(dates: list[Written], left: set[str], answer: DayFirst, column: str | int) -> Order:
    wanted = _ORDER_OF[answer]
    if wanted not in left and answer == "no" and "ymd" in left:
        wanted = "ymd"
    if wanted not in left:
        against = next(written for written in dates if wanted not in written.day.by_order)
        why = say("{date} cannot have {order}, as answered.", date=against.text, order=_WORDS[wanted])
        raise Refused(why, row=against.row, column=column, answer="day_first")
    return Order((wanted,), say("Dates have {order}, as answered.", order=_WORDS[wanted]))


def order_question(dates: list[Written], order: Order, example: Example, likely: str | None) -> Question:
    """Return the question between the orders left, with what each makes of one date; `likely` is an order."""
    shown = next(written for written in dates if len({written.day.by_order[o] for o in order.left}) > 1)
    choices = tuple(
        Choice(answer, _meaning(shown, name)) for answer, name in _ORDER_OF.items() if name in order.left
    )
    text = say("Which date is {date}?", date=shown.text)
    return Question(
        "day_first", text, choices, example, next((a for a, o in _ORDER_OF.items() if o == likely), None)
    )


def _meaning(written: Written, order: str) -> Say:
    day = date.fromordinal(written.day.by_order[order])
    return say("{day} {year}: {order}", day=day, year=str(day.year), order=_WORDS[order])
