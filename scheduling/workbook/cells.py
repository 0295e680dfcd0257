"""What a cell of the workbook may hold: a reader for each kind, with words for what would be right."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from decimal import Decimal, InvalidOperation
from typing import Any

from django.core.exceptions import ValidationError
from django.core.validators import validate_email

from jobs.core.units import NM_PER_MM, Unreadable, celsius, parse_length
from jobs.core.words import Say, say
from jobs.core.worktime import parse_week, print_week, site_zone

Cell = str | int | float | bool | datetime | date | time | timedelta | None

YES = {"yes", "y", "true", "1"}
NO = {"no", "n", "false", "0"}
#: What a spreadsheet program shows where a formula has no value.
ERRORS = frozenset(
    {"#N/A", "#REF!", "#VALUE!", "#NAME?", "#DIV/0!", "#NULL!", "#NUM!", "#SPILL!", "#CALC!", "#FIELD!"}
)
SECONDS_AN_HOUR = 3600


class Uncalculated(str):
    """A formula, as its own text, that no program has calculated since it was written."""


class NotReadable(ValueError):
    """A cell that holds nothing of its kind."""


@dataclass(frozen=True, slots=True)
class Kind:
    """How a cell is read, how its value is shown again, and what is right in it, said to who wrote otherwise."""

    read: Callable[[Cell], Any]
    right: Say
    show: Callable[[Any], str] = str
    #: Whether a spreadsheet program should keep what is typed as it is: 012 is a room, no number.
    is_text: bool = True
    #: The words to choose from, where there are few.
    words: tuple[str, ...] = ()


def as_text(cell: Cell) -> str:
    """Return a cell as the text a person sees: whole numbers without a point, days as written in ISO 8601."""
    match cell:
        case None:
            return ""
        case bool():
            return "yes" if cell else "no"
        case float():
            # As many figures as spreadsheet programs show: 0.1 + 0.2 is 0.3.
            return f"{cell:.15g}"
        case datetime():
            return cell.strftime("%Y-%m-%d" if (cell.hour, cell.minute) == (0, 0) else "%Y-%m-%d %H:%M")
        case date():
            return cell.isoformat()
        case time():
            return cell.strftime("%H:%M")
    # One letter may be written in two ways; names are compared in one.
    return unicodedata.normalize("NFC", str(cell)).strip()


def _text(longest: int) -> Callable[[Cell], str]:
    def read(cell: Cell) -> str:
        found = as_text(cell)
        if len(found) > longest or any(unicodedata.category(char) == "Cc" for char in found):
            raise NotReadable
        return found

    return read


def text(longest: int = 120) -> Kind:
    """Return the kind of one line of text."""
    return Kind(_text(longest), say("one line of text, at most {longest} letters", longest=longest))


def _yes_no(cell: Cell) -> bool:
    word = as_text(cell).casefold()
    if word in YES:
        return True
    if word in NO:
        return False
    raise NotReadable


def _decimal(cell: Cell) -> Decimal:
    if isinstance(cell, bool | datetime | date | time):
        raise NotReadable
    typed = as_text(cell).replace("\N{MINUS SIGN}", "-")
    text_of = typed.replace(",", ".")
    # 1,250 may be a thousand and a quarter.  Decimal reads more than people write: NaN, 1_000, other scripts.
    if re.search(r",\d{3}$", typed) or not re.fullmatch(
        r"[+-]?\d{1,12}(\.\d{0,15})?([eE][+-]?\d{1,2})?", text_of, re.ASCII
    ):
        raise NotReadable
    try:
        return Decimal(text_of)
    except InvalidOperation as error:
        raise NotReadable from error


def whole(least: int, most: int) -> Kind:
    """Return the kind of a whole number within limits."""

    def read(cell: Cell) -> int:
        found = _decimal(cell)
        if found != found.to_integral_value() or not least <= found <= most:
            raise NotReadable
        return int(found)

    right = say("a whole number from {least} to {most}", least=least, most=most)
    return Kind(read, right, is_text=False)


def amount(places: int, most: int) -> Kind:
    """Return the kind of a number above 0 with so many decimal places."""

    def read(cell: Cell) -> Decimal:
        found = _decimal(cell)
        if not 0 < found <= most or found != round(found, places):
            raise NotReadable
        return round(found, places)

    right = say("a number above 0, at most {most}, with at most {places} decimals", most=most, places=places)
    return Kind(read, right, show_number, is_text=False)


def show_number(value: Decimal | float) -> str:
    """Return a number without needless zeros, and with three decimals at most."""
    return f"{round(Decimal(str(value)), 3).normalize():f}"


def _hours(cell: Cell) -> int:
    """Return seconds."""
    found = _decimal(cell)
    if not 0 <= found <= 8760:
        raise NotReadable
    return int(found * SECONDS_AN_HOUR)


def _show_hours(seconds: int) -> str:
    return show_number(round(Decimal(seconds) / SECONDS_AN_HOUR, 2))


def _number_with(unit: str) -> Callable[[Cell], float]:
    """Return a reader of a number that may carry its unit: `55`, `55 %`."""

    def read(cell: Cell) -> float:
        typed = as_text(cell)
        return float(_decimal(typed.removesuffix(unit).strip() if typed.endswith(unit) else cell))

    return read


def _temperature(cell: Cell) -> float:
    """Return °C of a number that says nothing else, or says °C or °F."""
    typed = re.fullmatch(r"(.*?)\s*°?\s*([cf])", as_text(cell), re.IGNORECASE | re.DOTALL)
    if typed is None:
        return float(_decimal(cell))
    return celsius(_decimal(typed[1]), typed[2].lower())


def _between(low: float, high: float, reader: Callable[[Cell], float], right: Say) -> Kind:
    def read(cell: Cell) -> float:
        found = reader(cell)
        if not low <= found <= high:
            raise NotReadable
        return found

    return Kind(read, right, show_number, is_text=False)


def _length(cell: Cell) -> int:
    """Return nanometres, more than none."""
    try:
        found = parse_length(as_text(cell))
    except Unreadable as error:
        raise NotReadable from error
    if found <= 0:
        raise NotReadable
    return found


def _show_length(nm: int) -> str:
    return f"{show_number(Decimal(nm) / NM_PER_MM)} mm"


def _day(cell: Cell) -> date:
    if isinstance(cell, datetime):
        found = cell.date()
    elif isinstance(cell, date):
        found = cell
    else:
        # Only this form: 03/04 is two days.
        if not re.fullmatch(r"\d{4}-\d\d-\d\d", as_text(cell), re.ASCII):
            raise NotReadable
        try:
            found = date.fromisoformat(as_text(cell))
        except ValueError as error:
            raise NotReadable from error
    if not 2000 <= found.year <= 2100:
        raise NotReadable
    return found


def _moment(cell: Cell) -> datetime:
    """Return a wall time without zone; the row's site says which clock."""
    if isinstance(cell, datetime):
        # Spreadsheets count days: a time of theirs may be a part of a second off.
        found = (cell + timedelta(milliseconds=500)).replace(microsecond=0, tzinfo=None)
    elif isinstance(cell, date):
        found = datetime(cell.year, cell.month, cell.day)  # noqa: DTZ001 - a wall time, until the site is known
    else:
        if not re.fullmatch(r"\d{4}-\d\d-\d\d([ T]\d\d:\d\d(:\d\d)?)?", as_text(cell), re.ASCII):
            raise NotReadable
        try:
            found = datetime.fromisoformat(as_text(cell))
        except ValueError as error:
            raise NotReadable from error
    if not 2000 <= found.year <= 2100:
        raise NotReadable
    return found


def _week(cell: Cell) -> dict[str, list[list[str]]]:
    try:
        return parse_week(as_text(cell))
    except Unreadable as error:
        raise NotReadable from error


def _zone(cell: Cell) -> str:
    name = as_text(cell)
    try:
        site_zone(name)
    except Unreadable as error:
        raise NotReadable from error
    return name


def _mail(cell: Cell) -> str:
    address = as_text(cell)
    try:
        validate_email(address)
    except ValidationError as error:
        raise NotReadable from error
    return address


def _list(cell: Cell) -> tuple[str, ...]:
    """Return the words of a cell that lists several, parted by semicolons or new lines; each once."""
    words = (word.strip() for word in re.split(r"[;\n]", as_text(cell)))
    return tuple(dict.fromkeys(word for word in words if word))


@dataclass(frozen=True, slots=True)
class Span:
    """Days, first and last included, and why."""

    from_on: date
    to_on: date
    reason: str

    def __str__(self) -> str:
        days = f"{self.from_on}" if self.from_on == self.to_on else f"{self.from_on}..{self.to_on}"
        return f"{days} {self.reason}".strip()


def _spans(cell: Cell) -> tuple[Span, ...]:
    """Return spans of days: `2026-12-24..2027-01-02 winter break; 2026-05-14 fair`."""
    if isinstance(cell, datetime | date):
        # One day alone, which the spreadsheet program took for a date.
        return (Span(_day(cell), _day(cell), ""),)
    found = []
    for word in _list(cell):
        match = re.fullmatch(r"(\d{4}-\d\d-\d\d)(?:\s*\.\.\s*(\d{4}-\d\d-\d\d))?(?:\s+(.{1,200}))?", word)
        if match is None:
            raise NotReadable
        first, last = _day(match[1]), _day(match[2] or match[1])
        if last < first:
            raise NotReadable
        found.append(Span(first, last, match[3] or ""))
    return tuple(found)


def choice(words: Mapping[str, str]) -> Kind:
    """Return the kind of a cell that holds one of a few words, whatever their case."""
    folded = {word.casefold(): value for word, value in words.items()}
    shown = {value: word for word, value in words.items()}

    def read(cell: Cell) -> str:
        try:
            return folded[as_text(cell).casefold()]
        except KeyError as error:
            raise NotReadable from error

    return Kind(
        read, say("one of: {words}", words=" / ".join(words)), lambda value: shown[value], words=tuple(words)
    )


def _show_yes_no(value: bool) -> str:
    return "yes" if value else "no"


YES_NO = Kind(_yes_no, say("yes or no"), _show_yes_no, words=("yes", "no"))
COUNT = whole(1, 100_000)
HOURS = Kind(_hours, say("hours, 0 to 8760"), _show_hours, is_text=False)
LENGTH = Kind(_length, say("a length as 2.3 mm or 4 ft"), _show_length)
DAY = Kind(_day, say("a day as 2026-05-14"), is_text=False)
MOMENT = Kind(_moment, say("a time on the site's clock as 2026-05-14 07:30"), is_text=False)
WEEK = Kind(_week, say("hours as Mon-Fri 06:30-18:00; Sat 08:00-12:00"), print_week)
ZONE = Kind(_zone, say("the time zone of a place, as Europe/Paris"))
MAIL = Kind(_mail, say("an e-mail address"))
LIST = Kind(_list, say("words parted by semicolons"))
SPANS = Kind(_spans, say("days as 2026-12-24..2027-01-02 winter break; 2026-05-14 fair"))
TEMPERATURE = _between(-40, 60, _temperature, say("°C from -40 to 60, or a temperature as 64 °F"))
HUMIDITY = _between(0, 100, _number_with("%"), say("percent from 0 to 100"))
KELVIN = _between(0.1, 20, lambda cell: float(_decimal(cell)), say("kelvin from 0.1 to 20"))
