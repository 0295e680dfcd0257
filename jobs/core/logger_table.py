"""The bytes of a logger's file as a table: encoding, delimiter, rows, and where the readings begin."""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice

from jobs.core.logger_stamps import Kind, kind_of
from jobs.core.logger_values import Refused
from jobs.core.words import Say, say

MAX_LINES = 1_000_000
#: Readings must begin within so many rows.
HEAD_ROWS = 400
DELIMITERS = (";", "\t", "|", ",")
#: Runs of blanks, or single ones; tried where no mark separates columns.
BLANKS = ("  ", " ")

Cells = list[str]
Row = tuple[int, Cells]

_NUMBER = re.compile(
    r"[+\-−]?(?:[0-9]{1,5}(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eE][+\-]?[0-9]{1,2})?\s*[^0-9]{0,8}"
)
_COUNT = re.compile(r"[0-9]{1,14}(?:[.,][0-9]+)?")
_TOLD_SEPARATOR = re.compile(r'\ufeff?"?sep=(.)"?\s*', re.IGNORECASE)
_EPOCH = re.compile(r"epoch|unix|posix", re.IGNORECASE)
_TIME_HEADER = re.compile(
    r"(?<![^\W_])(?:date|time|datetime|timestamp|stamp|ts|datum|zeit|datumzeit|zeitpunkt|zeitstempel|uhrzeit|heure"
    r"|fecha|hora|data|ora|tid|tijd|aika)(?![^\W_])",
    re.IGNORECASE,
)
_SPLITS = {"  ": re.compile(r"\s{2,}|\t\s*"), " ": re.compile(r"\s+")}
#: All that a row of units may hold: units, forms of dates, nothing, or a dash.
_UNIT = re.compile(
    r"[(\[]?\s*(?:[^\w%]{0,2}\s?[cfk]|deg\.?\s?[cf]|celsius|fahrenheit|kelvin|%\s*(?:rh|rf|hr|r\.\s?[hf]\.)?|rh|[-=_]+|"
    r"(?:yy|dd|mm|hh|tt|jj)[\w\s:/.\-]*|[+\-]?[0-9]{1,2}:[0-9]{2}|utc|gmt|)\s*[)\]]?",
    re.IGNORECASE,
)
_LONGEST_UNIT = 40
_LETTER = re.compile(r"[^\W\d_]")
_CONTROL = re.compile(rb"[\x00-\x08\x0b\x0e-\x1f\x7f]")
_NOT_1252 = re.compile(rb"[\x81\x8d\x8f\x90\x9d]")
_STEP = 1 << 20
_DAMAGED = say("The file is damaged here, or no text. If other programs show it well, save it as UTF-8.")
_NO_TABLES: tuple[tuple[bytes, Say], ...] = (
    (b"PK", say("This is a spreadsheet or a ZIP archive, not a CSV file. Save it as CSV and give that.")),
    (b"\xd0\xcf\x11\xe0", say("This is an old spreadsheet, not a CSV file. Save it as CSV and give that.")),
    (b"%PDF", say("This is a PDF, not a CSV file. Export the readings as CSV.")),
    (b"\x1f\x8b", say("This file is compressed. Unpack it first.")),
    (b"\x89PNG", say("This is a picture, not a CSV file.")),
    (b"\xff\xd8\xff", say("This is a picture, not a CSV file.")),
    (b"{\\rtf", say("This is a document with its own formatting, not a CSV file. Save it as plain text.")),
    (b"{", say("This is JSON, not a CSV file. Export the readings as CSV.")),
    (b"[{", say("This is JSON, not a CSV file. Export the readings as CSV.")),
    (b"<", say("This is a web page or XML, not a CSV file. Export the readings as CSV.")),
)


@dataclass(frozen=True, slots=True)
class Text:
    """A text file's bytes and how they are written."""

    data: bytes
    encoding: str

    def lines(self) -> io.TextIOWrapper:
        """Return the lines, decoded as they are read; any of CR LF, LF and CR ends one."""
        return io.TextIOWrapper(io.BytesIO(self.data), encoding=self.encoding, newline="")

    def rows(self, delimiter: str) -> Iterator[Row]:
        """Yield each row with the line it begins on, from 1; never the whole file at once.

        Raises:
            Refused: bytes that are no text, a quotation mark that is not closed, or too many lines.
        """
        split = _SPLITS.get(delimiter)
        reader = (
            csv.reader(self.lines(), delimiter=delimiter, skipinitialspace=True, strict=True)
            if split is None
            else _Blanks(self.lines(), split)
        )
        line = 0
        try:
            for cells in reader:
                yield line + 1, cells
                line = reader.line_num
                if line > MAX_LINES:
                    raise Refused(say("The file has more than {most} lines.", most=MAX_LINES), row=line)
        except csv.Error as error:
            why = say("From here on a quotation mark is not closed, or stands where none may stand.")
            raise Refused(why, row=line + 1) from error
        except UnicodeError as error:
            raise Refused(_DAMAGED, row=line + 1) from error

    @property
    def is_open(self) -> bool:
        """Whether nothing ends the last line: it may be broken off."""
        last = self.data[-2:].replace(b"\0", b"") if self.encoding.startswith("utf-16") else self.data[-1:]
        return last not in (b"\n", b"\r")


class _Blanks:
    """Lines whose columns blanks separate, as `csv.reader` gives those that a mark separates."""

    def __init__(self, lines: Iterable[str], split: re.Pattern[str]) -> None:
        self.lines = lines
        self.split = split
        self.line_num = 0

    def __iter__(self) -> Iterator[Cells]:
        for line in self.lines:
            self.line_num += 1
            text = line.strip()
            yield self.split.split(text) if text else []


@dataclass(frozen=True, slots=True)
class Table:
    """A file laid open: `head` are its first rows, `start` the index in it of the first row of readings.

    `kinds` says what the cells of the first good one look like; `epoch` is the index of the column whose header
    says that it counts seconds since 1970, `counted` of one that counts the time in a way it does not say.
    `is_paired`: the file has one value a row, and they were put side by side.
    """

    text: Text
    delimiter: str
    head: tuple[Row, ...]
    start: int
    kinds: tuple[Kind, ...]
    epoch: int | None = None
    counted: int | None = None
    is_paired: bool = False

    @property
    def first(self) -> Row:
        """The first row of readings."""
        return self.head[self.start]

    def above(self) -> list[Cells]:
        """Return the rows above the readings that are not blank: preamble, then header rows."""
        return [cells for _line, cells in self.head[: self.start] if filled(cells)]

    def readings(self) -> Iterator[Row]:
        """Yield the rows from the first reading on without the blank ones."""
        first = self.first[0]
        for line, cells in self.text.rows(self.delimiter):
            if line >= first and any(map(str.strip, cells)):
                yield line, cells

    def samples(self, column: int, *, most: int = 20) -> list[str]:
        """Return the first cells of a column (index from 0) among the readings, empty ones left out."""
        cells = (row[column].strip() for _line, row in self.head[self.start :] if column < len(row))
        return list(islice(filter(None, cells), most))


def filled(cells: Cells) -> int:
    """Return how many cells are not blank."""
    return sum(bool(cell.strip()) for cell in cells)


def is_number_like(cell: str) -> bool:
    """Return whether a cell looks like a value, perhaps with its unit."""
    return bool(_NUMBER.fullmatch(cell.strip()))


def is_count(cell: str) -> bool:
    """Return whether a cell is a bare count, of seconds for instance."""
    return bool(_COUNT.fullmatch(cell.strip()))


def is_unit_row(cells: Cells) -> bool:
    """Return whether a row only says units, as the second of two header rows does."""
    return all(len(cell) <= _LONGEST_UNIT and _UNIT.fullmatch(cell.strip()) for cell in cells)


# ---- bytes to text ----


def text_of(data: bytes) -> Text:
    """Return the file as text: UTF-8, UTF-16, or else Windows-1252.

    Raises:
        Refused: empty, or no text at all.
    """
    begin = data[:64].removeprefix(codecs.BOM_UTF8).lstrip()
    for magic, why in _NO_TABLES:
        if begin.startswith(magic):
            raise Refused(why)
    # Old systems end a text with Ctrl-Z.
    if data.endswith(b"\x1a"):
        data = data.rstrip(b"\x1a")
    encoding = _encoding(data)
    if encoding.startswith("utf-16"):
        return Text(data, encoding)
    # A card that lost its power leaves zero bytes behind the last row.
    data = data.rstrip(b"\0")
    if not data.removeprefix(codecs.BOM_UTF8).strip():
        raise Refused(say("The file is empty."))
    _refuse_controls(data, encoding)
    return Text(data, encoding)


def _encoding(data: bytes) -> str:
    if data.startswith((codecs.BOM_UTF32_LE, codecs.BOM_UTF32_BE)):
        raise Refused(say("The file is written in UTF-32. Save it as UTF-8 and give that."))
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    # Without a mark UTF-16 shows by its zero bytes: every second byte of plain letters and digits.
    even, odd = data[:4000:2].count(0), data[1:4000:2].count(0)
    if odd > len(data[:4000]) // 4 and not even:
        return "utf-16-le"
    if even > len(data[:4000]) // 4 and not odd:
        return "utf-16-be"
    wrong = _not_utf8(data)
    if data.startswith(codecs.BOM_UTF8):
        if wrong is not None:
            raise Refused(_DAMAGED, row=_line_at(data, wrong))
        return "utf-8-sig"
    return "utf-8" if wrong is None else "cp1252"


def _not_utf8(data: bytes) -> int | None:
    """Return where the bytes stop being UTF-8, or None; the whole is never decoded at once."""
    decoder = codecs.getincrementaldecoder("utf-8")()
    held = 0
    for at in range(0, len(data), _STEP):
        try:
            decoder.decode(data[at : at + _STEP], final=at + _STEP >= len(data))
        except UnicodeDecodeError as error:
            return at - held + error.start
        held = len(decoder.getstate()[0])
    return None


def _refuse_controls(data: bytes, encoding: str) -> None:
    if found := _CONTROL.search(data):
        raise Refused(_DAMAGED, row=_line_at(data, found.start()))
    if encoding == "cp1252" and (found := _NOT_1252.search(data)):
        raise Refused(_DAMAGED, row=_line_at(data, found.start()))


def _line_at(data: bytes, at: int) -> int:
    before = data[:at]
    return 1 + before.count(b"\n") + before.count(b"\r") - before.count(b"\r\n")


# ---- text to table ----


def table_of(text: Text) -> Table:
    """Return the table that the text holds, under the one delimiter that makes rows of readings of it.

    Raises:
        Refused: no delimiter does, or more than one.
    """
    try:
        told = _TOLD_SEPARATOR.fullmatch(text.lines().readline())
    except UnicodeError as error:
        raise Refused(_DAMAGED, row=1) from error
    found, troubles = _found(text, [told[1]] if told else DELIMITERS, skip=1 if told else 0)
    if not found and not troubles and not told and (inner := _unwrapped(text)) is not None:
        return table_of(inner)
    if not found and not troubles and not told:
        for delimiter in BLANKS:
            blanks, _none = _found(text, [delimiter], skip=0)
            found = found or [table for table in blanks if _numbers(table.first[1]) >= 2]
    if len(found) == 1:
        return found[0]
    if found:
        raise Refused(say("It is not clear what separates the columns."), row=found[0].first[0])
    raise max(troubles, key=_row_of, default=None) or Refused(_why_none(text))


def _found(text: Text, delimiters: Iterable[str], *, skip: int) -> tuple[list[Table], list[Refused]]:
    """Return the tables under these delimiters, and what is wrong under those that give none."""
    found: list[Table] = []
    troubles: list[Refused] = []
    for delimiter in delimiters:
        try:
            found += _tables(text, delimiter, skip=skip)
        except Refused as trouble:
            # Under a wrong delimiter quotation marks seem to stand wrong; it matters if no other does better.
            troubles.append(trouble)
    # A time and two numbers in one row make a table; only without any such row do a time and other text.
    is_sure = [
        table.counted is None and (table.epoch is not None or _numbers(table.first[1]) >= 2)
        for table in found
    ]
    return [table for table, sure in zip(found, is_sure, strict=True) if sure] or found, troubles


def _unwrapped(text: Text) -> Text | None:
    """Return the lines without their quotation marks where each stands in one, as a single cell, else None."""
    if not text.lines().read(4).lstrip("\ufeff").startswith('"'):
        return None
    lines = [cells for _line, cells in text.rows("\x1f")]
    if any(len(cells) > 1 for cells in lines) or not any(
        mark in cell for cells in lines for cell in cells for mark in DELIMITERS
    ):
        return None
    return Text("".join(f"{''.join(cells)}\n" for cells in lines).encode(), "utf-8")


def _row_of(trouble: Refused) -> int:
    return trouble.error.row or 0


def _tables(text: Text, delimiter: str, *, skip: int) -> list[Table]:
    """Return the table under this delimiter, or none where it makes no rows with a time in them."""
    head = [
        row if at >= skip else (row[0], []) for at, row in enumerate(islice(text.rows(delimiter), HEAD_ROWS))
    ]
    start = _first_timed(head)
    if start is not None:
        kinds = tuple(map(kind_of, head[start][1]))
        return [Table(text, delimiter, tuple(head), _up_to_header(head, start, kinds), kinds)]
    return _counted_tables(text, delimiter, head, _EPOCH) or _counted_tables(
        text, delimiter, head, _TIME_HEADER
    )


def _counted_tables(text: Text, delimiter: str, head: Sequence[Row], header: re.Pattern[str]) -> list[Table]:
    """Return the table whose header names a column of time, and whose rows have bare numbers in it, or none."""
    for at, (_line, cells) in enumerate(head):
        for column, cell in enumerate(cells):
            start = _first_counted(head, at + 1, column) if header.search(cell) else None
            if start is None or (header is _TIME_HEADER and min(len(cells), len(head[start][1])) < 3):
                continue
            kinds = tuple(map(kind_of, head[start][1]))
            if header is _EPOCH:
                return [Table(text, delimiter, tuple(head), start, kinds, epoch=column)]
            return [Table(text, delimiter, tuple(head), start, kinds, counted=column)]
    return []


def _first_timed(head: Sequence[Row]) -> int | None:
    """Return the index of the first row with a time and two numbers, else of one with a time and text.

    The most rows say in which columns a time stands: one that has it elsewhere is no row of readings.
    """
    timed = [at for at, (_line, cells) in enumerate(head) if _is_timed(cells)]
    strict = [at for at in timed if _numbers(head[at][1]) >= 2]
    loose = [at for at in timed if len(head[at][1]) >= 2]
    places = [(_places(head[at][1]), at) for at in strict or loose]
    if not places:
        return None
    usual = Counter(place for place, _at in places).most_common(1)[0][0]
    return min(at for place, at in places if place == usual)


def _places(cells: Cells) -> tuple[int, ...]:
    return tuple(at for at, cell in enumerate(cells) if kind_of(cell) in (Kind.STAMP, Kind.DATE, Kind.TIME))


def _is_timed(cells: Cells) -> bool:
    kinds = set(map(kind_of, cells))
    return Kind.STAMP in kinds or {Kind.DATE, Kind.TIME} <= kinds


def _numbers(cells: Cells) -> int:
    return sum(is_number_like(cell) and kind_of(cell) is Kind.OTHER for cell in cells)


def _first_counted(head: Sequence[Row], start: int, column: int) -> int | None:
    """Return the index of the first row below a header and its units, if that column counts anywhere."""
    below = [at for at in range(start, len(head)) if filled(head[at][1]) and not is_unit_row(head[at][1])]
    counts = any(column < len(head[at][1]) and is_count(head[at][1][column]) for at in below)
    return below[0] if counts else None


def _up_to_header(head: Sequence[Row], start: int, kinds: Sequence[Kind]) -> int:
    """Return where the readings begin: one with a bad time or bad values is never taken for a header."""
    reading = head[start][1]
    for at in range(start - 1, -1, -1):
        cells = head[at][1]
        if not filled(cells):
            continue
        if not _is_bad_reading(cells, reading, kinds):
            break
        start = at
    return start


def _is_bad_reading(cells: Cells, below: Cells, kinds: Sequence[Kind]) -> bool:
    """Return whether a row is a reading too: time or values where the one below has them, or no words."""
    for at, cell in enumerate(cells[: len(kinds)]):
        if kinds[at] in (Kind.STAMP, Kind.DATE) and kind_of(cell) is kinds[at]:
            return True
        if kinds[at] is Kind.OTHER and is_number_like(below[at]) and is_number_like(cell):
            return True
    return not any(map(_LETTER.search, cells)) and not is_unit_row(cells)


def _why_none(text: Text) -> Say:
    lines = islice(text.lines(), HEAD_ROWS)
    if not any(sum(map(is_number_like, re.split("[;,|\t]", line))) >= 2 for line in lines):
        return say(
            "There are no readings here: of the first {n} rows none has a time and numbers.", n=HEAD_ROWS
        )
    return say(
        "No row has a date, a time of day, a temperature and a humidity in columns of their own. "
        "A bare number counts as a time only below a header such as time, date or epoch."
    )
