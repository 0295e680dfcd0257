"""How a logger's file writes a time: the shapes of dates, times of day and offsets that are understood."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from enum import Enum, auto

#: The orders in which day, month and year may stand.
ORDERS = ("dmy", "mdy", "ymd")
#: No logger wrote a file before, and none will be read after.
YEARS = range(1990, 2100)
#: A year of two digits is one of these: a reading that makes it another is not what the file means.
SHORT_YEARS = range(2020, 2060)
_LONGEST_CELL = 60


def _words(text: str) -> list[str]:
    return text.split()


# English, German, French, Spanish, Italian, Dutch, Portuguese, Swedish, Danish, Norwegian and Polish, without
# accents; none means two months.
_MONTHS: Mapping[str, int] = {
    name: number
    for number, names in enumerate(
        (
            "jan january januar janvier janv enero ene gennaio gen januari janeiro sty stycznia",
            "feb february februar fevrier fevr febrero febbraio februari fevereiro fev lut lutego",
            "mar march marz maerz mrz mars marzo maart mrt marco marts marca",
            "apr april avril avr abril abr aprile kwi kwietnia",
            "may mai mayo maggio mag mei maio maj maja",
            "jun june juni juin junio giugno giu junho cze czerwca",
            "jul july juli juillet juil julio luglio lug julho lip lipca",
            "aug august aout agosto ago augustus sie sierpnia augusti",
            "sep sept september septembre septiembre settembre set setembro wrz wrzesnia",
            "oct october okt oktober octobre octubre ottobre ott outubro out paz pazdziernika",
            "nov november novembre noviembre novembro lis listopada",
            "dec december dez dezember decembre diciembre dic dicembre dezembro gru grudnia des desember",
        ),
        start=1,
    )
    for name in _words(names)
}
_WEEKDAYS = frozenset(
    _words(
        "mon monday tue tues tuesday wed wednesday thu thur thurs thursday fri friday sat saturday sun "
        "sunday mo di mi do fr sa so montag dienstag mittwoch donnerstag freitag samstag sonnabend sonntag "
        "lun lundi mar mardi mer mercredi jeu jeudi ven vendredi sam samedi dim dimanche"
    )
)
#: Names of clocks, and what they are called in the zone database.
ABBREVIATIONS: Mapping[str, str] = {
    **{
        name: name
        for name in _words(
            "WET WEST CET CEST EET EEST BST IST MSK EST EDT CST CDT MST MDT PST PDT AKST AKDT HST AST ADT "
            "NST NDT AEST AEDT ACST ACDT AWST NZST NZDT JST KST SAST"
        )
    },
    "MEZ": "CET",
    "MESZ": "CEST",
}

_WORD = r"[^\W\d_]{2,12}"
_DATE = (
    r"[0-9]{4}[-/.] ?[0-9]{1,2}[-/.] ?[0-9]{1,2}"
    r"|[0-9]{1,2}[-/.] ?[0-9]{1,2}[-/.] ?[0-9]{2}(?:[0-9]{2})?"
    r"|[0-9]{8}"
    rf"|[0-9]{{1,2}}[-/. ] ?{_WORD}[-/., ] ?[0-9]{{2}}(?:[0-9]{{2}})?"
    rf"|[0-9]{{1,2}} {_WORD}\. [0-9]{{4}}"
    rf"|[0-9]{{4}}[-/ ]{_WORD}[-/ ][0-9]{{1,2}}"
    rf"|{_WORD}\.?[-/ ][0-9]{{1,2}},?[-/ ][0-9]{{4}}"
)
_DAY_NAME = rf"(?:(?P<weekday>{_WORD})\.?,? )?"
# One mark throughout: 05:00.0 is minutes and seconds to some programs, and so no time of day.
_CLOCK = (
    r"(?P<h>[0-9]{1,2})(?P<mark>[%s])(?P<m>[0-9]{2})"
    r"(?:(?P=mark)(?P<s>[0-9]{2})(?:[.,][0-9]{1,9}|:[0-9]{3})?)?"
)
# A word that is none of ours (`vm.`) is a half of the day too, until its rows or a person say otherwise.
_HALF = (
    r"(?: ?(?:(?P<half>[AaPp])\.? ?(?:[Mm]\.?)?"
    r"|(?P<word>Uhr|[A-Z]{2}|[^\W\d_A-Z][^\W\d_]{0,5}\.?(?: ?[^\W\d_A-Z]{1,3}\.)?))(?![^\W\d_]))?"
)
_BEFORE = r"(?:(?P<before>[AaPp]\.?[Mm]\.?|[^\W\d_\x00-\x7f]{1,4}) ?)?"
_NO_HALF = r"(?P<before>)(?P<half>)(?P<word>)"
_OFFSET = (
    r"Z|z|[+\-−][0-9]{1,2}(?::?[0-9]{2})?|(?:UTC|GMT)(?: ?[+\-−] ?[0-9]{1,2}(?::?[0-9]{2})?)?|[A-Z]{3,5}"
    r"|[A-Z][A-Za-z_]+/[A-Z][A-Za-z_/+\-]+"
)
_ZONE = rf"(?: ?\(?(?P<zone>{_OFFSET})\)?)?"
_TIME = re.compile(_BEFORE + _CLOCK % ":h" + _HALF + _ZONE)
_DAY = re.compile(rf"{_DAY_NAME}(?P<date>{_DATE})")
_STAMP = re.compile(
    rf"{_DAY_NAME}(?P<date>{_DATE})(?:[,.]? |,|T|t|_| T | - | at | um )"
    + _BEFORE
    + _CLOCK % ":.h"
    + _HALF
    + _ZONE
)
_TIME_FIRST = re.compile(_BEFORE + _CLOCK % ":" + _HALF + rf",? {_DAY_NAME}(?P<date>{_DATE})" + _ZONE)
_BASIC = re.compile(
    r"(?P<date>[0-9]{8})[Tt ]?(?P<h>[0-9]{2})(?P<m>[0-9]{2})(?:(?P<s>[0-9]{2})(?:[.,][0-9]{1,9})?)?"
    rf"(?P<weekday>){_NO_HALF}{_ZONE}"
)
_DASHED = re.compile(
    r"(?P<date>[0-9]{4}-[0-9]{2}-[0-9]{2})[T_ ](?P<h>[0-9]{2})-(?P<m>[0-9]{2})-(?P<s>[0-9]{2})"
    rf"(?P<weekday>){_NO_HALF}(?P<zone>)"
)
_FIELDS = ("weekday", "date", "zone", "h", "m", "s", "before", "half", "word")
_SIGNED = re.compile(r"(?:UTC|GMT)? ?(?P<sign>[+\-−]) ?(?P<h>[0-9]{1,2})(?::?(?P<m>[0-9]{2}))?")
_UNSEEN = re.compile("[\u200b\u200e\u200f\ufeff]")
_BLANKS = re.compile(r"\s+")
_PARTS = re.compile(r"[-/., ]+")
_DATE_SIGNS = str.maketrans({"年": "-", "月": "-", "日": " "})
_MORNINGS = frozenset(("上午", "午前", "오전", "πμ"))
_AFTERNOONS = frozenset(("下午", "午後", "오후", "μμ"))
#: Words behind a time that say nothing of it.
_OCLOCK = frozenset(("uhr", "h", "hr", "hrs", "uur", "klo"))


class Kind(Enum):
    """What a cell is by its look."""

    STAMP = auto()
    DATE = auto()
    TIME = auto()
    OTHER = auto()


@dataclass(frozen=True, slots=True)
class Stamp:
    """A time as written: the date's text, seconds into the day (86,400 for 24:00), and the offset's text.

    `half` is `a` or `p` for am and pm, empty without, or a word whose meaning is open: then the hour counts as
    it stands.
    """

    date: str
    seconds: int
    zone: str | None
    half: str
    has_seconds: bool = False


@dataclass(frozen=True, slots=True)
class Day:
    """The days (proleptic ordinals) that a date's text may mean, by the order of its parts."""

    by_order: Mapping[str, int]

    @property
    def is_plain(self) -> bool:
        """Whether it means one day in whatever order."""
        return len(self.by_order) == len(ORDERS) and len(set(self.by_order.values())) == 1


def tidy(cell: str) -> str:
    """Return the cell with plain blanks, one at a time, and without marks that cannot be seen."""
    if cell.isascii() and "  " not in cell and "\t" not in cell:
        return cell.strip()
    return _BLANKS.sub(" ", _UNSEEN.sub("", cell)).strip()


def kind_of(cell: str) -> Kind:
    """Return what a cell looks like; a date that no calendar has is still a date by its look."""
    text = _plain_signs(tidy(cell))
    if not text or len(text) > _LONGEST_CELL:
        return Kind.OTHER
    if _TIME.fullmatch(text):
        return Kind.TIME
    if (found := _DAY.fullmatch(text)) and _is_day_look(found):
        return Kind.DATE
    return Kind.STAMP if _stamp_match(text) else Kind.OTHER


def _is_day_look(found: re.Match[str]) -> bool:
    # A bare number of eight digits is a date only if it makes one.
    return not found["date"].isdigit() or bool(day_of(found["date"]).by_order)


def _stamp_match(text: str) -> re.Match[str] | None:
    return (
        _STAMP.fullmatch(text) or _basic_match(text) or _DASHED.fullmatch(text) or _TIME_FIRST.fullmatch(text)
    )


def _basic_match(text: str) -> re.Match[str] | None:
    found = _BASIC.fullmatch(text)
    # Digits alone may be any number: they are a time only if there is such a day.
    if found and text[8] not in "Tt" and not day_of(found["date"]).by_order:
        return None
    return found


def _plain_signs(text: str) -> str:
    """Return the text with the signs behind year, month and day as plain marks."""
    return text if text.isascii() else _BLANKS.sub(" ", text.translate(_DATE_SIGNS)).strip()


def stamp_of(text: str) -> Stamp | None:
    """Return what a tidy text of date and time says, or None where it is none."""
    if len(text) > _LONGEST_CELL:
        return None
    if not text.isascii():
        text = _plain_signs(text)
    found = _STAMP.fullmatch(text) or _stamp_match(text)
    if not found:
        return None
    weekday, written, zone, h, m, s, before, half, word = found.group(*_FIELDS)
    if weekday and not is_weekday(weekday):
        return None
    if zone and zone[0] in "-−" and s is None and "T" not in text:
        # 06:00-07:00 may as well be the hour from six to seven.
        return None
    noon = _half(before, half or word) if before or half or word else ""
    if noon is None:
        return None
    seconds = _seconds(int(h), int(m), int(s or 0), noon)
    return None if seconds is None else Stamp(written, seconds, zone or None, noon, s is not None)


def _half(before: str | None, behind: str | None) -> str | None:
    """Return `a`, `p`, an unknown word, or nothing, by what stands about a time; None where both sides say."""
    if before and behind:
        return None
    said = re.sub(r"[. ]", "", before or behind or "").casefold()
    if said in ("a", "am") or said in _MORNINGS:
        return "a"
    if said in ("p", "pm") or said in _AFTERNOONS:
        return "p"
    return "" if said in _OCLOCK else said


def _seconds(hour: int, minute: int, second: int, half: str) -> int | None:
    """Return the seconds into the day; None where no clock shows this."""
    if half in ("a", "p"):
        is_morning = half == "a"
        if hour > 12 or (hour == 0 and not is_morning):
            return None
        hour = hour % 12 + (0 if is_morning else 12)
    if minute > 59 or second > 59 or hour > 24 or (hour == 24 and (minute or second)):
        return None
    return hour * 3600 + minute * 60 + second


# ---- dates ----


def is_weekday(word: str) -> bool:
    """Return whether a word is the name of a day of the week."""
    return _plain(word.strip(" .")) in _WEEKDAYS


def day_of(text: str) -> Day:
    """Return the days that the text of a date may mean; none where there is no such day."""
    if text.isdigit():
        return _same(_ordinal(int(text[:4]), int(text[4:6]), int(text[6:])))
    parts = [part for part in _PARTS.split(text) if part]
    if len(parts) != 3:
        return Day({})
    named = [at for at, part in enumerate(parts) if not part.isdigit()]
    if named:
        return _day_of_named(parts, named[0])
    first, middle, last = (int(part) for part in parts)
    if len(parts[0]) == 4:
        return _same(_ordinal(first, middle, last))
    if len(parts[2]) == 4:
        return _day(dmy=_ordinal(last, middle, first), mdy=_ordinal(last, first, middle))
    return _day(
        dmy=_short(last, middle, first, parts[2]),
        mdy=_short(last, first, middle, parts[2]),
        ymd=_short(first, middle, last, parts[0]),
    )


def _day_of_named(parts: list[str], at: int) -> Day:
    month = _MONTHS.get(_plain(parts[at]), 0)
    first, last = (part for place, part in enumerate(parts) if place != at)
    if at == 0 or len(last) == 4:
        return _same(_ordinal(int(last), month, int(first)))
    if len(first) == 4:
        return _same(_ordinal(int(first), month, int(last)))
    return _same(_short(int(last), month, int(first), last))


def _day(**by_order: int | None) -> Day:
    return Day({order: ordinal for order, ordinal in by_order.items() if ordinal is not None})


def _same(ordinal: int | None) -> Day:
    return _day(**dict.fromkeys(ORDERS, ordinal))


def _ordinal(year: int, month: int, day: int) -> int | None:
    if year not in YEARS:
        return None
    try:
        return date(year, month, day).toordinal()
    except ValueError:
        return None


def _short(year: int, month: int, day: int, written: str) -> int | None:
    if len(written) != 2 or 2000 + year not in SHORT_YEARS:
        return None
    return _ordinal(2000 + year, month, day)


def _plain(word: str) -> str:
    """Return the word in small letters without accents."""
    return "".join(c for c in unicodedata.normalize("NFKD", word.casefold()) if not unicodedata.combining(c))


# ---- offsets ----


def offset_of(text: str) -> int | None:
    """Return the seconds that an offset's text is ahead of UTC; None for the name of a clock or a place."""
    if text in ("Z", "z", "UTC", "GMT"):
        return 0
    found = _SIGNED.fullmatch(text)
    if not found:
        return None
    hours, minutes = int(found["h"]), int(found["m"] or 0)
    if minutes > 59 or hours * 60 + minutes > 14 * 60:
        return None
    return (hours * 3600 + minutes * 60) * (1 if found["sign"] == "+" else -1)


def offset_words(seconds: int) -> str:
    """Return `UTC+02:00`."""
    hours, rest = divmod(abs(seconds), 3600)
    return f"UTC{'-' if seconds < 0 else '+'}{hours:02d}:{rest // 60:02d}"
