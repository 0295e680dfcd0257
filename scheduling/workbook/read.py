"""From uploaded bytes to tables of cells: an XLSX file, a CSV file named like its sheet, or a ZIP of these."""

from __future__ import annotations

import csv
import io
import re
import warnings
import zipfile
import zlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import PurePath
from typing import Any

from defusedxml import DefusedXmlException
from openpyxl.reader.excel import ExcelReader
from openpyxl.utils.exceptions import InvalidFileException
from openpyxl.workbook import Workbook
from openpyxl.worksheet.worksheet import Worksheet

from jobs.core.words import say
from scheduling.workbook.cells import Cell, Uncalculated, as_text
from scheduling.workbook.layout import BY_NAME, READ_ME, SHEETS, Sheet
from scheduling.workbook.wrong import Unusable, Wrong

LARGEST_FILE = 10 * 1024 * 1024
#: What a ZIP or an XLSX (which is one) may unpack to.
LARGEST_UNPACKED = 50 * 1024 * 1024
MOST_MEMBERS = 500
MOST_ROWS = 20_000
#: With the heading and rows of notes.
MOST_LINES = MOST_ROWS + 100
MOST_SHEETS = 40
MOST_COLUMNS = 60
#: The last row that a spreadsheet program knows.
LAST_ROW = 1_048_576

_OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_ZIP = b"PK"
#: Lines that may hold something, each with its number as the person's program counts, from 1.
Lines = list[tuple[int, Sequence[Cell]]]

#: What programs put into a ZIP beside what was meant.
_LITTER = re.compile(r"(^|/)(__MACOSX/|\.|Thumbs\.db$|desktop\.ini$)")
#: What openpyxl raises on bytes that are no workbook, or a broken one.
_BROKEN = (
    ArithmeticError,
    AttributeError,
    InvalidFileException,
    LookupError,
    OSError,
    SyntaxError,
    TypeError,
    ValueError,
    zipfile.BadZipFile,
)


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a sheet, in the order of its headings; `number` as the person's program counts it, from 1."""

    number: int
    cells: tuple[Cell, ...]


@dataclass(frozen=True, slots=True)
class Table:
    """A sheet as it was read: its headings in small letters, its rows that are not empty."""

    sheet: Sheet
    heads: tuple[str, ...]
    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True)
class Tables:
    """The tables of a file by sheet name, and what could be no table of ours."""

    tables: Mapping[str, Table]
    wrongs: tuple[Wrong, ...] = ()


def packed(files: Sequence[tuple[str, bytes]]) -> tuple[str, bytes]:
    """Return the name and bytes of one file; several CSV files become one ZIP, the same for the same files.

    Raises:
        Unusable: several files that are not all CSV.
    """
    if len(files) == 1:
        return files[0]
    odd = [name for name, _body in files if not name.casefold().endswith(".csv")]
    if odd:
        why = say("Choose one workbook, or several CSV files; “{name}” is no CSV file.", name=odd[0])
        raise Unusable(why)
    archive = io.BytesIO()
    with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED) as made:
        for name, body in sorted(files):
            made.writestr(zipfile.ZipInfo(name), body, zipfile.ZIP_DEFLATED)
    return "workbook.zip", archive.getvalue()


def read_tables(name: str, body: bytes) -> Tables:
    """Return the tables of a file.

    Raises:
        Unusable: too large, not what its name says, locked, damaged, or nothing in it.
    """
    if len(body) > LARGEST_FILE:
        raise Unusable(say("“{name}” is larger than 10 MB; a job workbook is not.", name=name))
    tables: dict[str, Table] = {}
    wrongs: list[Wrong] = []
    for title, lines in _sheets(name, body):
        known = BY_NAME.get(title.strip().casefold())
        if known is None:
            wrongs += _unknown(title, lines)
        elif known.name in tables:
            wrongs.append(Wrong(known.name, None, "", title, say("each sheet once")))
        else:
            tables[known.name] = _table(known, lines)
    if not any(table.heads for table in tables.values()) and not wrongs:
        raise Unusable(say("There is nothing in “{name}”.", name=name))
    return Tables(tables, tuple(wrongs))


def _unknown(title: str, lines: Lines) -> list[Wrong]:
    """Return what is wrong with a sheet of another name: nothing, if it is empty or our own words."""
    if title.strip().casefold() == READ_ME.casefold() or not any(
        any(map(as_text, line)) for _number, line in lines
    ):
        return []
    names = ", ".join(sheet.name for sheet in SHEETS)
    return [Wrong(title, None, "", "", say("a sheet called one of: {names}", names=names))]


# ---- what kind of file it is ----


def _sheets(name: str, body: bytes) -> Iterator[tuple[str, Lines]]:
    """Return each sheet's name and lines, whatever the kind of file."""
    ending = PurePath(name).suffix.casefold()
    if ending not in (".xlsx", ".csv", ".zip"):
        raise Unusable(say("“{name}” is none of XLSX, CSV and ZIP.", name=name))
    if body.startswith(_OLE):
        why = say(
            "“{name}” is locked with a password, or of an old kind. Save it as an open XLSX.", name=name
        )
        raise Unusable(why)
    if not body.startswith(_ZIP):
        if ending != ".csv":
            kind = ending[1:].upper()
            raise Unusable(say("“{name}” is called {kind} and is none.", name=name, kind=kind))
        return iter([_csv(name, body)])
    archive = _checked_archive(name, body)
    is_workbook = any(member.startswith("xl/") for member in archive.namelist())
    if is_workbook != (ending == ".xlsx") or ending == ".csv":
        kind = "XLSX" if is_workbook else "ZIP"
        raise Unusable(
            say("“{name}” is in truth of the kind {kind}; give it that ending.", name=name, kind=kind)
        )
    return _xlsx(name, body) if is_workbook else _zipped(archive)


def _checked_archive(name: str, body: bytes) -> zipfile.ZipFile:
    """Return the archive if what it unpacks to is small enough to read."""
    try:
        archive = zipfile.ZipFile(io.BytesIO(body))
        members = archive.infolist()
        if any(member.flag_bits & 1 for member in members):
            raise Unusable(say("“{name}” is locked with a password.", name=name))
        if len(members) > MOST_MEMBERS or sum(member.file_size for member in members) > LARGEST_UNPACKED:
            raise Unusable(say("“{name}” unpacks to more than 50 MB; it is not read.", name=name))
        # The directory's sizes are only said: reading shows them, and stops at what was said.
        for member in members:
            with archive.open(member) as stream:
                while stream.read(1 << 20):
                    pass
    except (zipfile.BadZipFile, EOFError, NotImplementedError, OSError, RuntimeError, zlib.error) as error:
        raise Unusable(say("“{name}” is damaged.", name=name)) from error
    return archive


def _zipped(archive: zipfile.ZipFile) -> Iterator[tuple[str, Lines]]:
    for member in archive.infolist():
        name = member.filename
        if member.is_dir() or _LITTER.search(name):
            continue
        if not name.casefold().endswith(".csv"):
            raise Unusable(say("“{name}” in the ZIP is no CSV file.", name=name))
        yield _csv(name, archive.read(member))


# ---- XLSX ----


def _xlsx(name: str, body: bytes) -> Iterator[tuple[str, Lines]]:
    try:
        with warnings.catch_warnings():
            # Of styles and extensions that it will not write again: nothing is written.
            warnings.simplefilter("ignore")
            yield from _sheets_of(body)
    except _BROKEN as error:
        if isinstance(error, Unusable):
            raise
        if _forbids(error):
            why = say("“{name}” refers to things outside itself, or to itself; it is not read.", name=name)
            raise Unusable(why) from error
        raise Unusable(say("“{name}” is damaged.", name=name)) from error


def _forbids(error: BaseException | None) -> bool:
    """Return whether an entity is behind an error; openpyxl wraps it in one of its own."""
    return error is not None and (isinstance(error, DefusedXmlException) or _forbids(error.__cause__))


def _sheets_of(body: bytes) -> list[tuple[str, Lines]]:
    """Return the names and lines of a workbook's sheets; its parts are read to the end here."""
    shown, typed = _opened(body, data_only=True), _opened(body, data_only=False)
    if len(shown.worksheets) > MOST_SHEETS:
        raise Unusable(
            say(
                "A job workbook has {n} sheets, and this file has more than {most}.",
                n=len(SHEETS),
                most=MOST_SHEETS,
            )
        )
    return [
        (one.title, _lines(one, other)) for one, other in zip(shown.worksheets, typed.worksheets, strict=True)
    ]


def _opened(body: bytes, *, data_only: bool) -> Workbook:
    """Return a workbook of which every sheet is there.

    Raises:
        KeyError: it names a sheet that it does not hold; openpyxl alone would pass over it.
    """
    reader = ExcelReader(io.BytesIO(body), read_only=True, data_only=data_only, keep_links=False)
    reader.read()
    named = [sheet.name for sheet, _relation in reader.parser.find_sheets()]
    missing = [name for name in named if name not in reader.wb.sheetnames]
    if missing:
        raise KeyError(missing[0])
    return reader.wb


def _lines(shown: Worksheet, typed: Worksheet) -> Lines:
    """Return the lines of a sheet that hold anything, as shown; a formula never calculated as its own text.

    Raises:
        Unusable: there are far too many.
    """
    lines: Lines = []
    limits: dict[str, Any] = {"max_col": MOST_COLUMNS, "max_row": LAST_ROW, "values_only": True}
    pairs = zip(shown.iter_rows(**limits), typed.iter_rows(**limits), strict=True)
    for number, (values, formulas) in enumerate(pairs, start=1):
        if formulas.count(None) < len(formulas):
            lines.append((number, _computed(values, formulas)))
            if len(lines) > MOST_LINES:
                raise _too_many(shown.title)
    return lines


def _computed(shown: Sequence[Any], typed: Sequence[Any]) -> list[Cell]:
    cells = [
        Uncalculated(getattr(formula, "text", formula)) if value is None and formula is not None else value
        for value, formula in zip(shown, typed, strict=True)
    ]
    while cells and cells[-1] is None:
        cells.pop()
    return cells


# ---- CSV ----


def _csv(name: str, body: bytes) -> tuple[str, Lines]:
    """Return the sheet that a file is named like (`Rooms.csv`, `anything - Rooms.csv`), and its lines."""
    stem = PurePath(name).stem.rsplit(" - ", 1)[-1].strip()
    if BY_NAME.get(stem.casefold()) is None:
        names = ", ".join(f"{sheet.name}.csv" for sheet in SHEETS)
        raise Unusable(say("“{name}” is named like no sheet: {names}.", name=name, names=names))
    try:
        text = body.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise Unusable(say("“{name}” is not in UTF-8. Save it as “CSV UTF-8”.", name=name)) from error
    if "\0" in text:
        raise Unusable(say("“{name}” is no text. Save it as “CSV UTF-8”.", name=name))
    head = next((line for line in text.splitlines() if line.strip()), "")
    delimiter = max(",;\t", key=head.count)
    try:
        lines = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
        return stem, list(enumerate(lines, start=1))
    except csv.Error as error:
        why = say("“{name}” is not whole: {why}.", name=name, why=str(error))
        raise Unusable(why) from error


# ---- tables ----


def _table(sheet: Sheet, lines: Lines) -> Table:
    heads: tuple[str, ...] = ()
    rows: list[Row] = []
    for number, line in lines:
        cells = tuple(None if as_text(cell) == "" else cell for cell in line)
        if not any(cell is not None for cell in cells):
            continue
        if not heads:
            heads = tuple(" ".join(as_text(cell).casefold().split()) for cell in cells)
            continue
        if _is_note(cells):
            continue
        if len(rows) == MOST_ROWS:
            raise _too_many(sheet.name)
        rows.append(Row(number, cells))
    return Table(sheet, _without_tail(heads), tuple(rows))


def _too_many(sheet: str) -> Unusable:
    return Unusable(say("{sheet} has more than {most} rows.", sheet=sheet, most=f"{MOST_ROWS}"))


def _is_note(cells: Sequence[Cell]) -> bool:
    """Return whether a row says what its columns want: all that stands in it stands in brackets."""
    words = [as_text(cell) for cell in cells if cell is not None]
    return all(word.startswith("(") and word.endswith(")") for word in words)


def _without_tail(heads: tuple[str, ...]) -> tuple[str, ...]:
    last = max((at for at, head in enumerate(heads) if head), default=-1)
    return heads[: last + 1]
