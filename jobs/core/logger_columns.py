"""What the columns of a logger's file hold: time, temperature with its unit, humidity, or nothing of ours."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from jobs.core.logger_counts import meanings
from jobs.core.logger_stamps import ABBREVIATIONS, Kind, is_weekday, kind_of, offset_of, stamp_of, tidy
from jobs.core.logger_table import BLANKS, Cells, Table, filled, is_number_like, is_unit_row
from jobs.core.logger_values import (
    Answers,
    Choice,
    Columns,
    Counts,
    Example,
    Key,
    Question,
    Refused,
    Unanswered,
    WrittenUnit,
)
from jobs.core.logger_words import (
    OTHER,
    SCALED,
    UNIT_NAMES,
    has_degrees,
    is_humidity,
    is_percent_alone,
    is_sure,
    is_temperature,
    letter_unit,
    names_both_units,
    names_quantity,
    unit_in,
    words_in,
    words_of,
)
from jobs.core.logger_zones import stated_zone
from jobs.core.words import Say, say

_ELAPSED = words_of("elapsed duration dauer laufzeit ecoule ecoulee interval intervall since runtime uptime")
_ZONE_WORDS = words_of("tz timezone zone zeitzone utcoffset gmtoffset offset fuseau huso tijdzone")
#: Headers of these words alone say which logger a row is of.
_WHO = words_of(
    "device logger sensor serial sn station location room probe channel ch name node gateway gerat standort ort "
    "raum capteur piece sala sonde kanal messstelle fuhler point source area tag"
)
#: Columns of these words may say one thing in one row and another in the next.
_REMARKS = words_of(
    "event events ereignis note notes notiz remark remarks bemerkung comment comments kommentar state zustand "
    "message meldung mode modus quality info type typ unit units day weekday tag wochentag jour dia month time date"
)
_WHO_TOO = words_of("id no nr number num address s n uid mac nummer")
#: More names than these are no loggers, but a text of each row's own.
_MOST_NAMES = 20
_TIMES = words_of(
    "time date datetime timestamp datum zeit uhrzeit zeitpunkt zeitstempel heure fecha hora data ora tid"
)
_MILLISECONDS = re.compile(r"(?<![a-z])ms(?![a-z])|milli", re.IGNORECASE)
_PLACE = re.compile(r"[A-Z][A-Za-z_]+/[A-Z][A-Za-z_/+\-]+")
_HALF = re.compile(r"[ap]\.? ?m\.?", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Layout:
    """Where things stand, as indexes from 0, and what the header says of them.

    `labels` name each column for a person; `header` is one text a column, of one or two header rows.  `half`
    and `zone` are columns of am/pm and of offsets, `unit_column` of units; `unit` is what the header says.
    `who` are columns that may say which logger a row is of; `counts` is what a bare number in place of a time
    counts.
    """

    header: tuple[str, ...]
    labels: tuple[str | int, ...]
    rows_above: tuple[Cells, ...]
    time: int
    date: int | None
    temperature: int
    humidity: int
    half: int | None
    zone: int | None
    unit: WrittenUnit | None
    unit_column: int | None
    who: tuple[int, ...]
    counts: Counts | None

    @property
    def time_headers(self) -> tuple[str, ...]:
        """The headers of the time, and of the date where it stands apart."""
        return tuple(self.header[at] for at in (self.time, self.date) if at is not None)

    @property
    def columns(self) -> Columns:
        """The columns as people number them."""
        date = None if self.date is None else self.date + 1
        return Columns(self.time + 1, self.temperature + 1, self.humidity + 1, date)


def layout_of(table: Table, answers: Answers) -> Layout:
    """Return what the columns hold, by their headers and then by the answers.

    Raises:
        Unanswered: the headers do not tell, or tell of two.
        Refused: a needed column does not exist, or an answer names a wrong one.
    """
    header, above = header_of(table)
    reader = _Reader(table, header, answers)
    time, date = reader.times()
    temperature = reader.value("temperature_column", is_temperature, has_degrees)
    humidity = reader.value("humidity_column", is_humidity, is_percent_alone)
    counts = reader.counts(time)
    if reader.questions:
        raise Unanswered(reader.questions)
    if temperature == humidity or {temperature, humidity} & {time, date}:
        raise Refused(say("One column cannot hold two things."), column=reader.labels[temperature])
    _refuse_scaled(reader, temperature, humidity)
    _refuse_shifted(reader, time, date)
    known = {time, date, temperature, humidity}
    return Layout(
        header=header,
        labels=reader.labels,
        rows_above=above,
        time=time,
        date=date,
        temperature=temperature,
        humidity=humidity,
        half=reader.only(lambda at: _all(table, at, _HALF.fullmatch)),
        zone=reader.only(lambda at: at not in (time, date) and _is_zone(header[at], table, at)),
        unit=_header_unit(header, temperature, {time, date, humidity}),
        unit_column=_unit_column(table, header, temperature),
        who=tuple(at for at in range(reader.width) if at not in known and _says_who(table, header[at], at)),
        counts=counts,
    )


def _refuse_scaled(reader: _Reader, *columns: int) -> None:
    """Refuse columns whose header says that they count tenths or thousandths."""
    for at in columns:
        if SCALED.search(reader.header[at]):
            why = say("These numbers seem to stand for parts, such as tenths; export them as they are.")
            raise Refused(why, column=reader.labels[at])


def _refuse_shifted(reader: _Reader, time: int, date: int | None) -> None:
    """Refuse a header that stands beside its columns: its word for time is over numbers, and not over the time."""
    words = [bool(words_in(text) & _TIMES) for text in reader.header]
    if words[time] or (date is not None and words[date]):
        return
    for at, is_time in enumerate(words):
        samples = reader.table.samples(at)
        if is_time and samples and all(map(is_number_like, samples)):
            why = say(
                "“{name}” stands over numbers, and the time over no such word: the header is shifted.",
                name=reader.header[at],
            )
            raise Refused(why, row=reader.table.first[0], column=reader.labels[at])


# ---- header rows ----


def header_of(table: Table) -> tuple[tuple[str, ...], tuple[Cells, ...]]:
    """Return one header text a column, empty without a header, and all rows above the readings."""
    above = table.above()
    width = max(len(table.first[1]), len(table.kinds))
    lower = above[-1] if above and filled(above[-1]) >= 2 else []
    upper = above[-2] if len(above) >= 2 and filled(above[-2]) >= 2 else []
    if lower and upper and (is_unit_row(lower) or is_unit_row(upper)):
        texts = _joined(upper, lower)
    elif lower and _names_groups(upper) and not any(map(names_quantity, lower)):
        # Names stand over groups of columns: `Temperature` over `now` and `highest`.
        texts = _joined(_spread(upper), lower)
    elif table.delimiter in BLANKS and len(lower) != len(table.first[1]):
        # Blanks within names make other columns of a header than of the rows below it.
        texts = []
    else:
        texts = [tidy(cell) for cell in lower]
    texts = texts + [""] * (width - len(texts))
    while len(texts) > width and not texts[-1]:
        texts.pop()
    return tuple(texts), tuple(above)


def _names_groups(upper: Cells) -> bool:
    """Return whether a row can be names over columns: it speaks of temperature, and of no value as settings do."""
    return any(map(names_quantity, upper)) and not any(map(is_number_like, upper))


def _joined(upper: Cells, lower: Cells) -> list[str]:
    width = max(len(upper), len(lower))
    pairs = zip(upper + [""] * (width - len(upper)), lower + [""] * (width - len(lower)), strict=True)
    return [tidy(f"{over} {under}") for over, under in pairs]


def _spread(upper: Cells) -> Cells:
    spread: Cells = []
    for cell in upper:
        spread.append(cell if cell.strip() or not spread else spread[-1])
    return spread


def _says_who(table: Table, text: str, at: int) -> bool:
    """Return whether a column may say which logger a row is of: by its header, or by names that come again."""
    words = words_in(text)
    names = {row[at].strip() if at < len(row) else "" for _line, row in table.head[table.start :]}
    if all(map(is_weekday, names)):
        return False
    if words & _WHO and words <= _WHO | _WHO_TOO:
        return True
    if words & (OTHER | _REMARKS | _ZONE_WORDS) or not 2 <= len(names) <= _MOST_NAMES or "" in names:
        return False
    if not all(any(map(str.isalpha, name)) and kind_of(name) is Kind.OTHER for name in names):
        return False
    return not any(is_number_like(name) or _says_zone(name) or _HALF.fullmatch(name) for name in names)


def _header_unit(header: Sequence[str], temperature: int, known: set[int | None]) -> WrittenUnit | None:
    """Return the unit that the temperature's header names; `known` are columns that hold something else."""
    text = header[temperature]
    if certain := unit_in(text):
        return certain
    if names_both_units(text):
        return None
    # Columns named A, B, C are no units: a bare letter counts only where all temperatures have one.
    others = [cell for at, cell in enumerate(header) if at not in known and is_temperature(cell)]
    if all(unit_in(cell) or letter_unit(cell) for cell in others):
        return letter_unit(text)
    return None


# ---- columns ----


class _Reader:
    """Finds columns one by one and gathers the questions on those that cannot be told."""

    def __init__(self, table: Table, header: tuple[str, ...], answers: Answers) -> None:
        self.table = table
        self.header = header
        self.answers = answers
        self.width = len(header)
        self.labels: tuple[str | int, ...] = tuple(text or at + 1 for at, text in enumerate(header))
        self.questions: list[Question] = []

    def only(self, fits: Callable[[int], object]) -> int | None:
        """Return the one column that fits, or None.

        Raises:
            Refused: two do, and nothing says which to believe.
        """
        found = [at for at in range(self.width) if fits(at)]
        if len(found) > 1:
            one, other = (str(self.labels[at]) for at in found[:2])
            raise Refused(say("{one} and {other} say the same; leave one of them out.", one=one, other=other))
        return found[0] if found else None

    def times(self) -> tuple[int, int | None]:
        """Return the columns of time and of the date where it stands apart."""
        if self.answers.time_column is not None:
            return self._answered_times(self.answers.time_column)
        if self.table.epoch is not None:
            return self.table.epoch, None
        if self.table.counted is not None:
            return self.table.counted, None
        stamps, dates, clocks = (self._of_kind(kind) for kind in (Kind.STAMP, Kind.DATE, Kind.TIME))
        if len(stamps) > 1:
            # Of local time and UTC, the one that says which clock it is.
            stamps = [at for at in stamps if stated_zone([self.header[at]], ()).zone is not None] or stamps
        if len(stamps) == 1 and not (clocks and self._is_midnight(stamps[0])):
            return stamps[0], None
        if not stamps and len(dates) == 1 and len(clocks) == 1:
            return clocks[0], dates[0]
        self._ask("time_column", say("Which column holds the time?"), [*stamps, *clocks])
        if clocks:
            apart = Choice("0", say("It is in the same column as the time"))
            text = say("Which column holds the date?")
            self._ask("date_column", text, [*dates, *stamps], apart)
        return 0, None

    def _answered_times(self, time_column: int) -> tuple[int, int | None]:
        time = self._checked(time_column, "time_column")
        if self.answers.date_column:
            return time, self._checked(self.answers.date_column, "date_column")
        if self.answers.date_column is None and time in self._of_kind(Kind.TIME):
            self._ask("date_column", say("Which column holds the date?"), self._of_kind(Kind.DATE))
        return time, None

    def _of_kind(self, kind: Kind) -> list[int]:
        found = [at for at, look in enumerate(self.table.kinds) if look is kind]
        running = [at for at in found if not words_in(self.header[at]) & _ELAPSED]
        return running or found

    def _is_midnight(self, at: int) -> bool:
        """Return whether a column of date and time only says midnight: then the time stands elsewhere."""
        stamps = [stamp_of(tidy(cell)) for cell in self.table.samples(at)]
        return all(stamp is not None and stamp.seconds == 0 for stamp in stamps)

    def value(self, key: Key, named: Callable[[str], bool], by_unit: Callable[[str], bool]) -> int:
        """Return the one column whose header names the quantity, or else its unit."""
        answered = (
            self.answers.temperature_column if key == "temperature_column" else self.answers.humidity_column
        )
        if answered == 0:
            raise Refused(say("Temperature and humidity of the air are both needed, and one is not there."))
        if answered is not None:
            return self._checked(answered, key)
        free = [
            at
            for at in range(self.width)
            if at >= len(self.table.kinds) or self.table.kinds[at] is Kind.OTHER
        ]
        named_ones = [at for at in free if named(self.header[at])]
        by_unit_too = [at for at in free if named(self.header[at]) or by_unit(self.header[at])]
        likely = None
        for found in (named_ones, by_unit_too):
            if len(found) == 1 and (found == by_unit_too or key == "humidity_column"):
                if is_sure(self.header[found[0]]):
                    return found[0]
                likely = likely or str(found[0] + 1)
        text = (
            say("Which column holds the temperature of the air?")
            if key == "temperature_column"
            else say("Which column holds the relative humidity?")
        )
        columns = by_unit_too if len(by_unit_too) > 1 else self._numeric(free)
        self._ask(key, text, columns, Choice("0", say("None of them")), likely=likely)
        return 0

    def counts(self, time: int) -> Counts | None:
        """Return what a bare number in place of a time counts: as the header says, or as answered."""
        if self.table.epoch == time:
            return "milliseconds" if _MILLISECONDS.search(self.header[time]) else "seconds"
        if self.table.counted != time:
            return None
        if self.answers.counts is not None:
            return self.answers.counts
        sample = next(iter(self.table.samples(time, most=1)), "")
        choices = [
            Choice(name, say("{meaning}: {at}", meaning=meaning, at=at))
            for name, meaning, at in meanings(sample)
        ]
        if not choices:
            raise Refused(say("“{seen}” is no time that can be read.", seen=sample), column=self.labels[time])
        text = say("What does {sample} in column {column} count?", sample=sample, column=self.labels[time])
        line, cells = self.table.first
        self.questions.append(Question("counts", text, tuple(choices), Example(line, "  ".join(cells))))
        return None

    def _numeric(self, free: Sequence[int]) -> list[int]:
        found = [at for at in free if any(map(is_number_like, self.table.samples(at)))]
        if len(found) < 2:
            why = say("Temperature and humidity are both needed, each in a column of its own.")
            if self._is_long():
                why = say(
                    "Each row holds one value of several. Temperature and humidity are needed side by side, "
                    "each in a column of its own."
                )
            raise Refused(why, row=self.table.first[0])
        return found

    def _is_long(self) -> bool:
        """Return whether a column's cells, not its header, name what is measured."""
        return any(any(map(names_quantity, self.table.samples(at))) for at in range(self.width))

    def _ask(
        self, key: Key, text: Say, columns: Sequence[int], *further: Choice, likely: str | None = None
    ) -> None:
        choices = [Choice(str(at + 1), self._column_words(at)) for at in columns]
        line, cells = self.table.first
        example = Example(line, "  ".join(cells))
        self.questions.append(Question(key, text, (*choices, *further), example, likely))

    def _column_words(self, at: int) -> Say:
        sample = next(iter(self.table.samples(at, most=1)), "")
        if self.header[at]:
            return say(
                "Column {number}, “{name}”: {sample}", number=at + 1, name=self.header[at], sample=sample
            )
        return say("Column {number}: {sample}", number=at + 1, sample=sample)

    def _checked(self, number: int, key: Key) -> int:
        if not 1 <= number <= self.width:
            raise Refused(say("There is no column {number}.", number=number), column=number)
        return number - 1


def _all(table: Table, column: int, fits: Callable[[str], object]) -> bool:
    cells = table.samples(column)
    return bool(cells) and all(map(fits, cells))


def _is_zone(text: str, table: Table, at: int) -> bool:
    """Return whether a column holds offsets or names of clocks, by its header or by its cells."""
    compact = re.sub(r"[\s_]+", "", text.casefold())
    if words_in(text) & _ZONE_WORDS and not is_temperature(text) and not is_humidity(text):
        return compact in _ZONE_WORDS or _all(table, at, _says_zone)
    return bool(re.fullmatch(r"(?:utc|gmt)[+\-−]?[\d:]*", compact)) or _all(table, at, _says_zone)


def _says_zone(cell: str) -> bool:
    text = cell.strip()
    if is_number_like(text):
        return False
    return offset_of(text) is not None or text in ABBREVIATIONS or bool(_PLACE.fullmatch(text))


def _unit_column(table: Table, header: Sequence[str], temperature: int) -> int | None:
    """Return the column that gives each temperature's unit: right of it, or the only one."""
    found = [at for at in range(len(header)) if at != temperature and _holds_units(table, header, at)]
    return temperature + 1 if temperature + 1 in found else found[0] if len(found) == 1 else None


def _holds_units(table: Table, header: Sequence[str], at: int) -> bool:
    if _all(table, at, unit_in):
        return all(not is_number_like(cell) for cell in table.samples(at))
    is_named = bool(words_in(header[at]) & UNIT_NAMES)
    # One good cell is enough: a bad one is refused at its row.
    return is_named and any(unit_in(cell) or cell.casefold() in ("c", "f") for cell in table.samples(at))
