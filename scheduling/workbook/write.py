"""Workbooks that we hand out: the empty one to fill in, and a filled one of an invented firm."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, time, timedelta

from django.utils.translation import gettext as _
from openpyxl import Workbook
from openpyxl.styles import Alignment, Font
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.datavalidation import DataValidation
from openpyxl.worksheet.worksheet import Worksheet

from jobs.core.words import Say
from scheduling.printing import plain
from scheduling.workbook.layout import READ_ME, SHEETS, Column, Sheet

#: Headings of a sheet that a sample row fills, with what stands there.
Filled = Mapping[str, object]
_FORMATS = {date: "yyyy-mm-dd", datetime: "yyyy-mm-dd hh:mm"}
_LAST_LISTED_ROW = 2_000

SAMPLE_ZONE = "Europe/Paris"


def empty_workbook() -> bytes:
    """Return an XLSX with every sheet, its headings, and under them in brackets what each column wants."""
    return _bytes({sheet.name: [] for sheet in SHEETS}, with_notes=True)


def sample_workbook(today: date) -> bytes:
    """Return a filled XLSX of an invented firm: one site in Europe/Paris, its dates around `today`.

    One room takes 40 sheets of one batch that rest 24 h; its order has two to spare for replacements.  Crew and
    site work every day, so that a day can be given whenever it is tried.
    """
    return _bytes(_sample(today), with_notes=False)


def _bytes(rows: Mapping[str, Sequence[Filled]], *, with_notes: bool) -> bytes:
    book = Workbook()
    first = book.active
    assert isinstance(first, Worksheet)
    _read_me(first)
    for sheet in SHEETS:
        _fill(book.create_sheet(sheet.name), sheet, rows[sheet.name], with_notes=with_notes)
    written = io.BytesIO()
    book.save(written)
    return written.getvalue()


def _fill(page: Worksheet, sheet: Sheet, rows: Sequence[Filled], *, with_notes: bool) -> None:
    page.append(list(sheet.heads))
    for cell in page[1]:
        cell.font = Font(bold=True)
    if with_notes:
        page.append([_note(column) for column in sheet.columns])
        for cell in page[2]:
            cell.font = Font(italic=True)
            cell.alignment = Alignment(wrap_text=True, vertical="top")
    for row in rows:
        page.append([row.get(head) for head in sheet.heads])
    for at, column in enumerate(sheet.columns, start=1):
        _lay_column(page, at, column)
    page.freeze_panes = "A2"


def _lay_column(page: Worksheet, at: int, column: Column) -> None:
    letter = get_column_letter(at)
    page.column_dimensions[letter].width = max(14, len(column.name) + 4)
    if column.kind.is_text:
        page.column_dimensions[letter].number_format = "@"
    for (cell,) in page[f"{letter}2:{letter}{page.max_row}"] if page.max_row > 1 else ():
        if isinstance(cell.value, date):
            cell.number_format = _FORMATS[type(cell.value)]
    if column.kind.words:
        listed = DataValidation(type="list", formula1=f'"{",".join(column.kind.words)}"', allow_blank=True)
        listed.error = plain(column.kind.right, zone=UTC)
        page.add_data_validation(listed)
        listed.add(f"{letter}2:{letter}{_LAST_LISTED_ROW}")


def _note(column: Column) -> str:
    """Return in brackets what a column wants; a row that is all in brackets is not read."""
    said = [_("needed")] if column.required else []
    said += [_words(one) for one in (column.note, column.kind.right) if one is not None]
    if column.default not in (None, "", ()):
        said.append(_("empty: %(value)s") % {"value": column.kind.show(column.default)})
    return f"({'; '.join(said)})"


def _words(said: Say) -> str:
    return plain(said, zone=UTC)


def _read_me(page: Worksheet) -> None:
    page.title = READ_ME
    page.column_dimensions["A"].width = 110
    for line in _read_me_lines():
        page.append([line])
        page.cell(page.max_row, 1).alignment = Alignment(wrap_text=True, vertical="top")
    page["A1"].font = Font(bold=True)


def _read_me_lines() -> list[str]:
    return [
        _("The job workbook"),
        _("This sheet is not read. The others are read row by row; a row that is all in brackets is a note."),
        _("Leave out the sheets and the columns you do not need; their order does not matter."),
        _("A row is known by its key: %(keys)s.")
        % {"keys": "; ".join(f"{sheet.name}: {', '.join(sheet.key)}" for sheet in SHEETS)},
        _(
            "Read the same file again and nothing changes. Change a row, and the record is edited; what it said"
            " before is kept."
        ),
        _(
            "A row left out takes nothing away. A column left out leaves what is there; an empty cell means what"
            " its note says."
        ),
        _(
            "In a cell that lists something (people, jobs, days off, closed days) the words are added, none is"
            " taken away; the rooms of a milestone are exactly those listed."
        ),
        _("Names refer to each other letter by letter: a job in Rooms is its number in Jobs."),
        _(
            "Instead of this file you may give CSV files named like the sheets (Rooms.csv), one by one or in a ZIP."
        ),
        _("The sheets, in the order they are loaded: %(sheets)s.")
        % {"sheets": ", ".join(sheet.name for sheet in SHEETS)},
    ]


# ---- the sample ----


def _sample(today: date) -> dict[str, list[Filled]]:
    job, place = "T-01", {"job": "T-01", "zone": "Kitchen wing"}
    sheet, glue, sealant = "Smooth sheet, white", "Two-part adhesive", "Sanitary sealant"
    lead, supplier = "noor@crew-tilleuls.example", "Halden Panels"
    return {
        "Sites": [
            {
                "site": "Tilleuls school",
                "address": "4 rue des Tilleuls, Lyon",
                "way in": "Gate by the loading dock; ring the site agent",
                "time zone": SAMPLE_ZONE,
                "let in": "Mon-Sun 06:00-20:00",
            }
        ],
        "Jobs": [
            {
                "job": job,
                "name": "School kitchen",
                "site": "Tilleuls school",
                "units": "metric",
                "site agent": "Site office, ground floor",
                "statements count": "no",
            }
        ],
        "Zones": [
            {**place, "air from": 18, "air to": 24, "humidity from": 35, "humidity to": 55},
        ],
        "Products": [
            {
                "product": sheet,
                "kind": "sheet",
                "unit": "sheets",
                "one batch": "yes",
                "rest hours": 24,
                "longest gap hours": 18,
                "restart after hours": 4,
                "restart on": "temperature",
                "must be opened": "yes",
            },
            {
                "product": glue,
                "kind": "adhesive",
                "unit": "kg",
                "water-borne": "no",
                "set air from": 12,
                "set air to": 28,
                "set humidity from": 25,
                "set humidity to": 65,
                "reading fresh hours": 2,
                "shelf life days": 365,
                "cure hours": 48,
                "no washing hours": 168,
            },
            {"product": sealant, "kind": "sealant", "unit": "tubes", "shelf life days": 540},
        ],
        "Suppliers": [{"supplier": supplier, "e-mail": "orders@halden-panels.example", "lead days": 7}],
        "Rooms": [
            {**place, "room": "Kitchen", "substrate": "gypsum board", "fixing": "glued", "crew-hours": 8},
            {**place, "room": "Wash-up", "substrate": "gypsum board", "fixing": "glued", "crew-hours": 6},
            {
                **place,
                "room": "Stores",
                "substrate": "cement or lime plaster",
                "fixing": "glued",
                "crew-hours": 4.5,
            },
        ],
        "Requirements": [
            {"job": job, "room": "Kitchen", "product": sheet, "sheets": 40},
            {"job": job, "room": "Wash-up", "product": sheet, "sheets": 12},
            {"job": job, "room": "Stores", "product": sheet, "sheets": 9},
        ],
        "Consumables": [
            {"job": job, "room": "Kitchen", "product": glue, "quantity": 96},
            {"job": job, "room": "Wash-up", "product": glue, "quantity": 30},
            {"job": job, "room": "Wash-up", "product": sealant, "quantity": 6},
            {"job": job, "room": "Stores", "product": glue, "quantity": 22.5},
        ],
        "Milestones": [
            {
                "job": job,
                "milestone": "Ceiling grid",
                "before": "install",
                "rooms": "Kitchen; Wash-up",
                "expected": datetime.combine(today + timedelta(days=1), time(15)),
            },
            {
                "job": job,
                "milestone": "Heating on",
                "before": "install",
                "expected": datetime.combine(today + timedelta(days=1), time(8)),
            },
            {"job": job, "milestone": "Flooring laid", "before": "finish", "rooms": "Kitchen"},
        ],
        "Orders": [
            {
                "order": "B-1001",
                "job": job,
                "supplier": supplier,
                "ordered on": today - timedelta(days=14),
                "product": sheet,
                "room": room,
                "sheets": sheets,
            }
            # Two more than the kitchen takes: for what is rejected.
            for room, sheets in (("Kitchen", 42), ("Wash-up", 12), ("Stores", 9))
        ],
        "People": [
            {"name": "Noor Haddad", "e-mail": lead, "roles": "crew lead", "time zone": SAMPLE_ZONE},
            {
                "name": "Marit Lund",
                "e-mail": "marit@halden-panels.example",
                "supplier": supplier,
                "roles": "supplier",
                "time zone": "Europe/Oslo",
            },
        ],
        "Crews": [
            {
                "crew": "Crew Tilleuls",
                "home time zone": SAMPLE_ZONE,
                "shifts": "Mon-Sun 07:00-15:30",
                "hands": 2,
                "people": lead,
                "jobs": job,
            }
        ],
    }
