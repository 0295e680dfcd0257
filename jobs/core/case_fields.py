"""One JSON object of a case, read field by field: what the contract does not allow is refused at its path.

An adapter reads like the contract's table.  `end()` refuses every field that was not read by then:

    def work_dew(case: Fields) -> dict[str, object]:
        t_c = case.number("t_c", -20, 60)
        rh_pct = case.number("rh_pct", above=0, most=100)
        clearance_k = case.optional("clearance_k", 0.0, case.number, 0, 10)
        case.end()
        ...

| in the contract            | read by                                                                     |
| -------------------------- | --------------------------------------------------------------------------- |
| required                   | `case.number("t_c", -20, 60)`, `case.instant("now")`, `case.text("zone")` … |
| with a default             | `case.optional("fine_gap_s", HOUR, case.seconds, 1, 604_800)`               |
| null by default            | `case.nullable("opened_at", case.instant)`: left out is null                |
| null allowed, no default   | `case.require("done_at")`, then `case.nullable("done_at", case.instant)`    |
| an object                  | `case.part("rule", rule_of)` with `rule_of(rule: Fields)`; ends by itself   |
| a list of objects          | `case.parts("readings", reading_of)` gives a tuple                          |
| a list of other things     | `case.each("checks", Fields.text)`: any `read(items, name)` will do         |
| an object with free names  | `case.entries("calendars", read)` gives a dict, `read(entries, name)`; see  |
|                            | `id_named` and `day_named`                                                  |
| a list with a default      | `case.optional("memories", (), case.parts, memory_of)`                      |
| ids that must differ       | `case.distinct("acts", [act.id for act in acts])`                           |
| a refusal by meaning       | `raise case.refusal("presence[1].out_at", "is not after in_at")`            |

`kind`, `id` and `note` are allowed in every case; inside a part they are fields like any other.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Mapping
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal, InvalidOperation
from typing import Concatenate, ParamSpec, TypeVar
from zoneinfo import ZoneInfo

from jobs.core import units, worktime

T = TypeVar("T")
D = TypeVar("D")
P = ParamSpec("P")

ID_CHARACTERS = 64
# Longer than any span between two instants of a case, and short enough to be added to one of them.
MOST_SECONDS = 10**10
# A double holds no more; a longer text is a mistake or an attack, never a measurement.
MOST_DIGITS = 400

_FREE = ("kind", "id", "note")
_INSTANT = re.compile(r"([0-9]{4})-[0-9]{2}-[0-9]{2}T([0-9]{2}):[0-9]{2}:[0-9]{2}(Z|[+-][0-9]{2}:[0-5][0-9])")
_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")


class Refused(Exception):
    """A case that the contract does not allow: `at` is the path of the wrong field, `why` a short reason."""

    def __init__(self, at: str, why: str) -> None:
        super().__init__(f"{at}: {why}")
        self.at = at
        self.why = why


class _Object(dict[str, object]):
    """A JSON object that remembers the first name it was given twice."""

    twice: str | None = None


class _NoNumber:
    """A JSON number that cannot be one: NaN, infinite, or of a size nothing here can have."""

    def __init__(self, why: str) -> None:
        self.why = why


class Fields:
    """The fields of one JSON object, or the items of one list named `[0]`, `[1]` …, at a path of the case."""

    def __init__(self, values: Mapping[str, object], at: str = "", free: tuple[str, ...] = ()) -> None:
        self.at = at
        self._values = values
        self._read: set[str] = set()
        twice = values.twice if isinstance(values, _Object) else None
        if twice is not None:
            raise self.refusal(twice, "is given twice")
        for name in free:
            if name in values:
                self._string(name)

    def refusal(self, name: str, why: str) -> Refused:
        """Return the refusal of a field; `name` may go on: `acts[2].calendar`."""
        return Refused(self._path(name), why)

    def end(self) -> None:
        """Refuse a field that nothing has read."""
        for name in self._values:
            if name not in self._read:
                raise self.refusal(name, "is not a field here")

    def require(self, *names: str) -> None:
        """Refuse the object if one of these is left out, whatever its value."""
        for name in names:
            if name not in self._values:
                raise self.refusal(name, "is missing")

    def is_list(self, name: str) -> bool:
        """Return whether the field is a list: of one that may be a list or something else."""
        self.require(name)
        return isinstance(self._values[name], list)

    def names(self) -> tuple[str, ...]:
        """Return the names that are there, in the order written."""
        return tuple(self._values)

    def optional(
        self, name: str, default: D, read: Callable[Concatenate[str, P], T], *args: P.args, **kwargs: P.kwargs
    ) -> T | D:
        """Return what `read` makes of the field, or `default` if it is left out; null is not left out."""
        return read(name, *args, **kwargs) if name in self._values else default

    def nullable(
        self, name: str, read: Callable[Concatenate[str, P], T], *args: P.args, **kwargs: P.kwargs
    ) -> T | None:
        """Return what `read` makes of the field, or None if it is null or left out."""
        if self._values.get(name) is None:
            self._read.add(name)
            return None
        return read(name, *args, **kwargs)

    def boolean(self, name: str) -> bool:
        """Return true or false."""
        value = self._value(name)
        if not isinstance(value, bool):
            raise self.refusal(name, "must be true or false")
        return value

    def text(self, name: str, most: int = ID_CHARACTERS) -> str:
        """Return a string that is not empty and has at most `most` characters: an id, a zone, a name."""
        return self._sized(name, self._string(name), most)

    def id_named(self, name: str) -> str:
        """Return the id that is the *name* of the field."""
        return self._sized(name, self._whole(name, name), ID_CHARACTERS)

    def choice(self, name: str, *options: str) -> str:
        """Return one of `options`."""
        value = self._string(name)
        if value not in options:
            raise self.refusal(name, "must be one of " + ", ".join(options))
        return value

    def integer(self, name: str, least: int | None = None, most: int | None = None) -> int:
        """Return a whole number from `least` to `most`, written without a point or an exponent."""
        value = self._value(name)
        if isinstance(value, _NoNumber):
            raise self.refusal(name, value.why)
        if isinstance(value, bool) or not isinstance(value, int):
            raise self.refusal(name, "must be a whole number")
        self._limits(name, value, least, most)
        return value

    def decimal(
        self,
        name: str,
        least: float | None = None,
        most: float | None = None,
        *,
        above: float | None = None,
    ) -> Decimal:
        """Return a number exactly as its decimal text says, from `least` (or more than `above`) to `most`."""
        value = self._value(name)
        if isinstance(value, _NoNumber):
            raise self.refusal(name, value.why)
        if isinstance(value, bool) or not isinstance(value, int | Decimal):
            raise self.refusal(name, "must be a number")
        self._limits(name, value, least, most)
        if above is not None and not value > above:
            raise self.refusal(name, f"must be more than {above}")
        return Decimal(value)

    def number(
        self,
        name: str,
        least: float | None = None,
        most: float | None = None,
        *,
        above: float | None = None,
    ) -> float:
        """Return a number as a float; the limits hold for the decimal text, `above` for the float too."""
        value = float(self.decimal(name, least, most, above=above))
        if above is not None and not value > above:
            raise self.refusal(name, f"must be more than {above}")
        return value

    def seconds(self, name: str, least: int = 0, most: int = MOST_SECONDS) -> timedelta:
        """Return a duration written in whole seconds."""
        return timedelta(seconds=self.integer(name, least, most))

    def instant(self, name: str) -> datetime:
        """Return an instant in UTC, written with an offset, in whole seconds, of the years 2000 to 2099."""
        value = self._string(name)
        written = _INSTANT.fullmatch(value)
        if not written:
            raise self.refusal(name, "must be an instant with its offset: 2026-03-08T01:30:00Z")
        if not 2000 <= int(written[1]) <= 2099:
            raise self.refusal(name, "must lie in the years 2000 to 2099")
        if int(written[2]) > 23:
            raise self.refusal(name, "has an hour that no day has")
        try:
            return datetime.fromisoformat(value).astimezone(UTC)
        except ValueError:
            raise self.refusal(name, "is an instant that no calendar has") from None

    def day(self, name: str) -> date:
        """Return a date, written 2026-06-30."""
        return self._day(name, self._string(name))

    def day_named(self, name: str) -> date:
        """Return the date that is the *name* of the field."""
        return self._day(name, name)

    def time_zone(self, name: str) -> ZoneInfo:
        """Return the time zone of an IANA name."""
        try:
            return worktime.time_zone(self.text(name))
        except ValueError:
            raise self.refusal(name, "is no time zone of the zone database") from None

    def length(self, name: str) -> int:
        """Return a length of 0 to 100 m in nanometres, written as their number or as "11 ft 7 3/4 in"."""
        value = self._value(name)
        if isinstance(value, str):
            try:
                value = units.parse_case_length(value)
            except ValueError as error:
                raise self.refusal(name, str(error)) from None
            self._limits(name, value, 0, units.LONGEST_NM)
            return value
        return self.integer(name, 0, units.LONGEST_NM)

    def part(self, name: str, read: Callable[[Fields], T]) -> T:
        """Return what `read` makes of an object; a field of it that `read` leaves unread is refused."""
        value = self._value(name)
        if not isinstance(value, dict):
            raise self.refusal(name, "must be an object")
        fields = Fields(value, self._path(name))
        result = read(fields)
        fields.end()
        return result

    def parts(self, name: str, read: Callable[[Fields], T]) -> tuple[T, ...]:
        """Return what `read` makes of each object of a list."""
        return self.each(name, lambda items, item: items.part(item, read))

    def each(self, name: str, read: Callable[[Fields, str], T]) -> tuple[T, ...]:
        """Return what `read(items, "[i]")` makes of each item of a list."""
        value = self._value(name)
        if not isinstance(value, list):
            raise self.refusal(name, "must be a list")
        items = Fields({f"[{i}]": item for i, item in enumerate(value)}, self._path(name))
        return tuple(read(items, item) for item in items.names())

    def entries(self, name: str, read: Callable[[Fields, str], T]) -> dict[str, T]:
        """Return what `read(fields, key)` makes of each entry of an object whose names are its own."""
        return self.part(name, lambda fields: {key: read(fields, key) for key in fields.names()})

    def distinct(self, name: str, ids: Iterable[str], field: str = "id") -> None:
        """Refuse an id that the list `name` uses twice, at its second use."""
        seen = set()
        for i, used in enumerate(ids):
            if used in seen:
                raise self.refusal(f"{name}[{i}].{field}", "is used twice")
            seen.add(used)

    def _path(self, name: str) -> str:
        joint = "" if not self.at or name.startswith("[") else "."
        return f"{self.at}{joint}{name}"

    def _value(self, name: str) -> object:
        self.require(name)
        self._read.add(name)
        return self._values[name]

    def _string(self, name: str) -> str:
        value = self._value(name)
        if not isinstance(value, str):
            raise self.refusal(name, "must be a string")
        return self._whole(name, value)

    def _whole(self, name: str, written: str) -> str:
        if any("\ud800" <= character <= "\udfff" for character in written):
            raise self.refusal(name, "has half a character in it (an unpaired surrogate)")
        return written

    def _sized(self, name: str, written: str, most: int) -> str:
        if not 0 < len(written) <= most:
            raise self.refusal(name, f"must have 1 to {most} characters")
        return written

    def _day(self, name: str, written: str) -> date:
        try:
            if _DAY.fullmatch(written):
                return date.fromisoformat(written)
        except ValueError:
            raise self.refusal(name, "is a day that no calendar has") from None
        raise self.refusal(name, "must be a day: 2026-06-30")

    def _limits(self, name: str, value: int | Decimal, least: float | None, most: float | None) -> None:
        # A limit is the decimal that it is written as: the float 0.01 lies above 0.01.
        if least is not None and value < Decimal(str(least)):
            raise self.refusal(name, f"must not be less than {least}")
        if most is not None and value > Decimal(str(most)):
            raise self.refusal(name, f"must not be more than {most}")


def case_of(data: bytes) -> Fields:
    """Return the case in a JSON text: the object, or its `case` if it has one (a worked example)."""
    whole = parse(data)
    if not isinstance(whole, dict):
        raise Refused("$", "is no JSON object")
    if "case" not in whole:
        return Fields(whole, free=_FREE)
    inner = whole["case"]
    if not isinstance(inner, dict) or getattr(whole, "twice", None) == "case":
        raise Refused("case", "must be one object")
    return Fields(inner, free=_FREE)


def parse(data: bytes) -> object:
    """Return the value of a JSON text in UTF-8, decimals exact; refuse it at `$` if it is none."""
    try:
        return json.loads(
            data.decode("utf-8-sig"),
            object_pairs_hook=_object,
            parse_float=_number,
            parse_int=_whole_number,
            parse_constant=lambda written: _NoNumber(f"must be a number, not {written}"),
        )
    except UnicodeDecodeError:
        raise Refused("$", "is no text in UTF-8") from None
    except RecursionError:
        raise Refused("$", "is nested too deep") from None
    except ValueError as error:
        raise Refused("$", f"is no JSON: {error}") from None


def written(at: datetime | None) -> str | None:
    """Return an instant as the contract prefers it, in UTC with a Z; None stays None."""
    return None if at is None else at.astimezone(UTC).replace(tzinfo=None).isoformat(timespec="seconds") + "Z"


def _object(pairs: list[tuple[str, object]]) -> _Object:
    made = _Object()
    for name, value in pairs:
        if name in made and made.twice is None:
            made.twice = name
        made[name] = value
    return made


def _whole_number(text: str) -> int | _NoNumber:
    return int(text) if len(text) <= MOST_DIGITS else _NoNumber("has too many digits")


def _number(text: str) -> Decimal | _NoNumber:
    try:
        value = Decimal(text)
    except InvalidOperation:
        return _NoNumber("is out of every range")
    if not value:
        return Decimal(0)
    if not -MOST_DIGITS < value.adjusted() < MOST_DIGITS or len(text) > MOST_DIGITS:
        return _NoNumber("is out of every range")
    if float(value) in (float("inf"), float("-inf")):
        return _NoNumber("is out of every range")
    return value
