"""Workbook files for tests: a small whole workbook as rows, and rows as the bytes of XLSX, CSV and ZIP."""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Mapping, Sequence
from copy import deepcopy
from typing import Any

from openpyxl import Workbook

Sheets = dict[str, list[dict[str, Any]]]

_SMALL: Sheets = {
    "Sites": [
        {
            "site": "Harbour clinic",
            "address": "1 Quay Street",
            "time zone": "Europe/Paris",
            "let in": "Mon-Fri 06:00-18:00",
        }
    ],
    "Jobs": [{"job": "J1", "name": "Clinic kitchens", "site": "Harbour clinic"}],
    "Zones": [
        {
            "job": "J1",
            "zone": "East",
            "air from": 18,
            "air to": 24,
            "humidity from": 35,
            "humidity to": 55,
        }
    ],
    "Products": [
        {"product": "White sheet", "kind": "sheet", "unit": "sheets", "one batch": "yes"},
        {"product": "Backed panel", "kind": "backed", "unit": "sheets"},
        {"product": "Glue", "kind": "adhesive", "unit": "kg"},
    ],
    "Suppliers": [{"supplier": "Halden Panels", "lead days": 7}],
    "Rooms": [
        {
            "job": "J1",
            "zone": "East",
            "room": "Kitchen 1",
            "substrate": "gypsum board",
            "fixing": "glued",
            "crew-hours": 8,
        },
        {
            "job": "J1",
            "zone": "East",
            "room": "Kitchen 2",
            "substrate": "timber studs",
            "fixing": "backed",
            "crew-hours": 6.5,
        },
    ],
    "Requirements": [
        {"job": "J1", "room": "Kitchen 1", "product": "White sheet", "sheets": 40},
        {"job": "J1", "room": "Kitchen 2", "product": "Backed panel", "sheets": 12},
    ],
    "Consumables": [{"job": "J1", "room": "Kitchen 1", "product": "Glue", "quantity": 24.5}],
    "Milestones": [
        {"job": "J1", "milestone": "Ceiling grid", "before": "install", "rooms": "Kitchen 1"},
        {"job": "J1", "milestone": "Heating on", "expected": "2026-06-12 15:00"},
    ],
    "Orders": [
        {
            "order": "O1",
            "job": "J1",
            "supplier": "Halden Panels",
            "ordered on": "2026-05-20",
            "product": "White sheet",
            "room": "Kitchen 1",
            "sheets": 42,
        }
    ],
    "People": [
        {"name": "Noor", "e-mail": "noor@crew.example", "roles": "crew lead", "time zone": "Europe/Paris"},
        {
            "name": "Marit",
            "e-mail": "marit@halden.example",
            "supplier": "Halden Panels",
            "roles": "supplier",
            "time zone": "Europe/Oslo",
        },
    ],
    "Crews": [
        {
            "crew": "Crew A",
            "home time zone": "Europe/Paris",
            "shifts": "Mon-Fri 07:00-15:30",
            "people": "noor@crew.example",
            "off": "2026-08-03..2026-08-14 summer",
            "jobs": "J1",
        }
    ],
}


def small() -> Sheets:
    """Return a whole workbook in which nothing is wrong: 17 rows, to be changed at will."""
    return deepcopy(_SMALL)


def heads_of(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    return list(dict.fromkeys(head for row in rows for head in row))


def xlsx(sheets: Sheets) -> bytes:
    """Return an XLSX with these sheets, each headed by what its rows have."""
    book = Workbook()
    del book["Sheet"]
    for name, rows in sheets.items():
        page = book.create_sheet(name)
        heads = heads_of(rows)
        page.append(heads)
        for row in rows:
            page.append([row.get(head) for head in heads])
    return saved(book)


def saved(book: Workbook) -> bytes:
    written = io.BytesIO()
    book.save(written)
    return written.getvalue()


def csv_of(rows: Sequence[Mapping[str, Any]], *, delimiter: str = ",", encoding: str = "utf-8") -> bytes:
    written = io.StringIO(newline="")
    heads = heads_of(rows)
    writer = csv.DictWriter(written, heads, delimiter=delimiter)
    writer.writeheader()
    writer.writerows(rows)
    return written.getvalue().encode(encoding)


def zipped(members: Mapping[str, bytes]) -> bytes:
    written = io.BytesIO()
    with zipfile.ZipFile(written, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, body in members.items():
            archive.writestr(name, body)
    return written.getvalue()
