"""From tables of cells to typed rows: everything that is wrong is found at once, and nothing is loaded before."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from openpyxl.utils import get_column_letter

from jobs.core.words import Say, say
from jobs.models import Person
from scheduling.workbook import agreement
from scheduling.workbook.cells import ERRORS, Cell, NotReadable, Uncalculated, as_text
from scheduling.workbook.known import known_with
from scheduling.workbook.layout import BY_NAME, SHEETS, Column, Sheet
from scheduling.workbook.read import Row, Table, Tables
from scheduling.workbook.rows import Rows, Typed
from scheduling.workbook.wrong import Wrong

#: Of what stands in a cell, so much is shown.
SEEN_LETTERS = 80


@dataclass(frozen=True, slots=True)
class Checked:
    """The rows of a workbook, in the order of the sheets, and all that is wrong with them."""

    rows: Rows
    wrongs: tuple[Wrong, ...]


def check(tables: Tables, *, by: Person, now: datetime) -> Checked:
    """Return the typed rows of a workbook, and each thing to be put right; reads the database, writes nothing.

    Args:
        by: who would load it; nobody locks themselves out.
    """
    wrongs = list(tables.wrongs)
    rows: dict[str, tuple[Typed, ...]] = {}
    keyless: set[str] = set()
    for sheet in SHEETS:
        table = tables.tables.get(sheet.name)
        if table is None or not table.heads:
            continue
        wrongs += _wrong_heads(table)
        read = [_typed(table, row) for row in table.rows]
        rows[sheet.name] = tuple(typed for typed, _wrong in read)
        wrongs += [wrong for _typed_row, found in read for wrong in found]
        wrongs += _repeated(sheet, rows[sheet.name])
        if not {*sheet.key} <= {*table.heads}:
            keyless.add(sheet.name)
    known = known_with(rows)
    wrongs += agreement.wrongs(rows, known, without=keyless, by=by, now=now)
    return Checked(rows, tuple(sorted(wrongs, key=_place)))


# ---- headings ----


def _wrong_heads(table: Table) -> Iterator[Wrong]:
    sheet = table.sheet
    for head, times in Counter(table.heads).items():
        if head and times > 1:
            yield Wrong(sheet.name, None, head, head, say("each heading once"))
        if head and head not in sheet.heads:
            yield Wrong(sheet.name, None, head, head, _a_heading(sheet))
    for column in sheet.columns:
        if column.required and column.name not in table.heads:
            yield Wrong(
                sheet.name, None, column.name, "", say("a column with the heading “{name}”", name=column.name)
            )


def _a_heading(sheet: Sheet) -> Say:
    return say("one of the headings: {names}", names=", ".join(sheet.heads))


# ---- rows ----


def _typed(table: Table, row: Row) -> tuple[Typed, list[Wrong]]:
    """Return a row's readable values, and what cannot be read in it."""
    values: dict[str, Any] = {}
    wrongs: list[Wrong] = []
    sheet = table.sheet
    for at, head in enumerate(table.heads):
        cell = row.cells[at] if at < len(row.cells) else None
        if not head and cell is not None:
            wrongs.append(_headless(sheet, row, at, cell))
        if head not in sheet.heads:
            continue
        column = sheet.column(head)
        try:
            values[head] = _value(column, cell)
        except NotReadable:
            wrongs.append(Wrong(sheet.name, row.number, head, _seen(cell), _right(column, cell)))
    for at in range(len(table.heads), len(row.cells)):
        if row.cells[at] is not None:
            wrongs.append(_headless(sheet, row, at, row.cells[at]))
    return Typed(row.number, values), wrongs


def _headless(sheet: Sheet, row: Row, at: int, cell: Cell) -> Wrong:
    letter = get_column_letter(at + 1)
    return Wrong(sheet.name, row.number, letter, _seen(cell), say("nothing, or a heading above it"))


def _value(column: Column, cell: Cell) -> Any:
    """Return what a cell says.

    Raises:
        NotReadable: it is empty and may not be, or holds nothing of its kind.
    """
    if isinstance(cell, Uncalculated) or as_text(cell) in ERRORS:
        raise NotReadable
    if cell is None:
        if column.required:
            raise NotReadable
        return column.default
    return column.kind.read(cell)


def _right(column: Column, cell: Cell) -> Say:
    if isinstance(cell, Uncalculated):
        return say(
            "{right}. Nobody has calculated this formula: open the file in a spreadsheet program and save it",
            right=column.kind.right,
        )
    if as_text(cell) in ERRORS:
        return say("{right}. The formula here gives an error", right=column.kind.right)
    return column.kind.right


def _seen(cell: Cell) -> str:
    text = as_text(cell)
    return text if len(text) <= SEEN_LETTERS else f"{text[:SEEN_LETTERS]}…"


def _repeated(sheet: Sheet, rows: Sequence[Typed]) -> Iterator[Wrong]:
    """Return the rows that speak of the same thing as one above."""
    first: dict[tuple[object, ...], int] = {}
    for row in rows:
        if not row.has(*sheet.key):
            continue
        key = tuple(_folded(sheet.column(name), row[name]) for name in sheet.key)
        if key in first:
            seen = ", ".join(str(row[name]) for name in sheet.key if row[name] != "")
            right = say("each once; row {row} says it already", row=first[key])
            yield Wrong(sheet.name, row.number, ", ".join(sheet.key), seen, right)
        first.setdefault(key, row.number)


def _folded(column: Column, value: object) -> object:
    """Return what makes two keys the same; an address is one whatever its case."""
    return value.casefold() if column.name == "e-mail" and isinstance(value, str) else value


def _place(wrong: Wrong) -> tuple[int, int, int, str]:
    """Return what puts wrongs in the order in which a person goes through the file."""
    sheet = BY_NAME.get(wrong.sheet.casefold())
    if sheet is None:
        return -1, 0, 0, wrong.sheet
    heads: Mapping[str, int] = {head: at for at, head in enumerate(sheet.heads)}
    return SHEETS.index(sheet), wrong.row or 0, heads.get(wrong.column, len(heads)), wrong.column
