"""From bytes to tables: kinds of file, their limits, and every way in which one is no workbook."""

from __future__ import annotations

import io
import struct
import zipfile

import pytest
from openpyxl import Workbook

from scheduling.workbook.cells import Uncalculated
from scheduling.workbook.layout import SHEETS
from scheduling.workbook.read import LARGEST_FILE, MOST_ROWS, packed, read_tables
from scheduling.workbook.write import empty_workbook
from scheduling.workbook.wrong import Unusable
from tests.scheduling.workbook_files import csv_of, saved, small, xlsx, zipped


def why_unusable(name, body):
    with pytest.raises(Unusable) as refused:
        read_tables(name, body)
    return refused.value.why.text


def test_a_workbook_has_a_table_for_each_sheet_with_its_rows_numbered_as_the_program_does():
    read = read_tables("clinic.xlsx", xlsx(small()))

    assert set(read.tables) == {sheet.name for sheet in SHEETS}
    rooms = read.tables["Rooms"]
    assert rooms.heads == ("job", "zone", "room", "substrate", "fixing", "crew-hours")
    assert [(row.number, row.cells[2]) for row in rooms.rows] == [(2, "Kitchen 1"), (3, "Kitchen 2")]


def test_csv_files_in_a_zip_say_the_same_as_the_workbook():
    sheets = small()
    members = {f"{name}.csv": csv_of(rows) for name, rows in sheets.items()}

    read = read_tables("clinic.zip", zipped(members))

    assert set(read.tables) == set(sheets)
    assert read.tables["Rooms"].rows[1].cells[-1] == "6.5"


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_a_csv_file_is_read_with_each_delimiter_and_with_a_byte_order_mark(delimiter):
    body = csv_of(small()["Rooms"], delimiter=delimiter, encoding="utf-8-sig")

    read = read_tables("Rooms.csv", body)

    assert read.tables["Rooms"].heads[0] == "job"
    assert len(read.tables["Rooms"].rows) == 2


def test_a_csv_file_exported_from_a_workbook_keeps_the_name_of_its_sheet():
    read = read_tables("clinic june - rooms.csv", csv_of(small()["Rooms"]))

    assert set(read.tables) == {"Rooms"}


def test_several_csv_files_are_kept_as_one_and_the_same_files_as_the_same_bytes():
    files = [(f"{name}.csv", csv_of(rows)) for name, rows in small().items()]

    name, body = packed(files)

    assert set(read_tables(name, body).tables) == set(small())
    assert packed(list(reversed(files))) == (name, body)


def test_several_files_that_are_not_all_csv_are_refused():
    with pytest.raises(Unusable):
        packed([("Rooms.csv", b""), ("clinic.xlsx", b"")])


def test_the_empty_workbook_is_read_as_tables_without_rows():
    read = read_tables("empty.xlsx", empty_workbook())

    assert read.wrongs == ()
    assert set(read.tables) == {sheet.name for sheet in SHEETS}
    assert all(table.heads == table.sheet.heads and table.rows == () for table in read.tables.values())


def test_rows_of_notes_and_empty_rows_are_passed_over_and_still_counted():
    book = Workbook()
    page = book.active
    page.title = "Suppliers"
    for line in (["supplier", "lead days"], ["(its name)", "(whole days)"], [], ["Halden", 7], [" ", None]):
        page.append(line)

    read = read_tables("s.xlsx", saved(book))

    assert [(row.number, row.cells) for row in read.tables["Suppliers"].rows] == [(4, ("Halden", 7))]


def test_a_sheet_nobody_knows_is_named_unless_it_is_empty():
    book = Workbook()
    book.active.title = "Sheet1"
    book.create_sheet("Room").append(["room"])

    read = read_tables("s.xlsx", saved(book))

    assert [(wrong.sheet, wrong.row) for wrong in read.wrongs] == [("Room", None)]
    assert "Rooms" in str(read.wrongs[0].right.values["names"])


def test_a_sheet_that_comes_twice_is_named():
    rows = csv_of(small()["Rooms"])

    read = read_tables("two.zip", zipped({"Rooms.csv": rows, "rooms.csv": rows}))

    assert [(wrong.sheet, wrong.right.text) for wrong in read.wrongs] == [("Rooms", "each sheet once")]


def test_what_programs_put_beside_the_files_in_a_zip_is_passed_over():
    members = {
        "book/Rooms.csv": csv_of(small()["Rooms"]),
        "__MACOSX/book/._Rooms.csv": b"\x00\x05\x16\x07",
        "book/.DS_Store": b"\x00",
        "book/Thumbs.db": b"\x00",
    }

    assert set(read_tables("book.zip", zipped(members)).tables) == {"Rooms"}


def test_a_formula_that_nobody_calculated_is_kept_apart_from_text():
    book = Workbook()
    page = book.active
    page.title = "Suppliers"
    page.append(["supplier", "lead days"])
    page.append(["Halden", "=3+4"])

    (row,) = read_tables("s.xlsx", saved(book)).tables["Suppliers"].rows

    assert isinstance(row.cells[1], Uncalculated)
    assert row.cells[1] == "=3+4"


# ---- what is refused ----


def test_a_file_of_more_than_ten_megabytes_is_refused_before_it_is_unpacked():
    assert "10 MB" in why_unusable("big.xlsx", b"PK" + bytes(LARGEST_FILE))


def test_a_zip_bomb_is_refused_by_what_it_says_it_unpacks_to():
    bomb = zipped({"Rooms.csv": bytes(51 * 1024 * 1024)})
    assert len(bomb) < 100_000

    assert "50 MB" in why_unusable("bomb.zip", bomb)


def test_a_zip_bomb_that_lies_about_its_size_is_refused_while_it_is_read():
    bomb = bytearray(zipped({"Rooms.csv": bytes(51 * 1024 * 1024)}))
    directory = bomb.rindex(b"PK\x01\x02")
    # PKWARE APPNOTE 4.3.12: the uncompressed size stands 24 bytes into an entry of the central directory.
    bomb[directory + 24 : directory + 28] = struct.pack("<I", 1000)

    assert "damaged" in why_unusable("bomb.zip", bytes(bomb))


def test_a_bomb_of_very_many_members_is_refused():
    members = {f"{number}/Rooms.csv": b"" for number in range(501)}

    assert "unpacks" in why_unusable("many.zip", zipped(members))


def test_a_zip_locked_with_a_password_is_named_as_such():
    body = bytearray(zipped({"Rooms.csv": b"job,room\n"}))
    # PKWARE APPNOTE 4.4.4: bit 0 of the general purpose flag, 8 bytes into an entry of the central directory.
    directory = body.rindex(b"PK\x01\x02")
    body[directory + 8] |= 1

    assert "password" in why_unusable("locked.zip", bytes(body))


@pytest.mark.parametrize("name", ["old.xlsx", "old.csv"])
def test_a_workbook_that_is_locked_or_of_the_old_kind_is_named_as_such(name):
    # Both lie in a compound file, which begins like this ([MS-CFB] 2.2).
    assert "password" in why_unusable(name, bytes.fromhex("D0CF11E0A1B11AE1") + bytes(512))


@pytest.mark.parametrize("name", ["clinic.pdf", "clinic.xls", "clinic", "clinic.ods"])
def test_an_ending_of_another_kind_is_refused(name):
    assert "none of XLSX, CSV and ZIP" in why_unusable(name, b"whatever")


def test_a_file_that_is_not_what_its_ending_says_is_refused():
    workbook, archive = xlsx(small()), zipped({"Rooms.csv": csv_of(small()["Rooms"])})

    assert "in truth" in why_unusable("clinic.zip", workbook)
    assert "in truth" in why_unusable("Rooms.csv", workbook)
    assert "in truth" in why_unusable("clinic.xlsx", archive)
    assert "is called" in why_unusable("clinic.xlsx", b"job,room\n")


def without(body, member, replaced=None):
    """Return the ZIP with one member left out, or replaced."""
    written = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(body)) as old, zipfile.ZipFile(written, "w") as new:
        for name in old.namelist():
            if name != member:
                new.writestr(name, old.read(name))
            elif replaced is not None:
                new.writestr(name, replaced)
    return written.getvalue()


def test_a_workbook_that_refers_to_things_outside_itself_is_not_read():
    sheet = (
        b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/passwd">]>'
        b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData><row r="1">'
        b'<c r="A1" t="inlineStr"><is><t>&e;</t></is></c></row></sheetData></worksheet>'
    )
    body = without(xlsx({"Rooms": small()["Rooms"]}), "xl/worksheets/sheet1.xml", sheet)

    assert "outside itself" in why_unusable("clinic.xlsx", body)


def test_entities_that_grow_are_not_read():
    lots = "".join(f'<!ENTITY e{n} "{f"&e{n - 1};" * 10}">' for n in range(1, 10))
    book = f'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY e0 "ha">{lots}]><workbook>&e9;</workbook>'.encode()
    body = without(xlsx({"Rooms": small()["Rooms"]}), "xl/workbook.xml", book)

    assert "outside itself" in why_unusable("clinic.xlsx", body)


@pytest.mark.parametrize(
    "member",
    ["xl/workbook.xml", "[Content_Types].xml", "xl/worksheets/sheet1.xml", "xl/_rels/workbook.xml.rels"],
)
def test_a_workbook_with_a_part_missing_is_damaged(member):
    body = without(xlsx(small()), member)

    assert "damaged" in why_unusable("clinic.xlsx", body)


def test_a_workbook_cut_short_is_damaged():
    body = xlsx(small())

    assert "damaged" in why_unusable("clinic.xlsx", body[: len(body) // 2])


def test_csv_that_is_not_in_utf_8_or_no_text_is_refused_with_how_to_save_it():
    assert "UTF-8" in why_unusable("Rooms.csv", "job,room\nJ1,Küche\n".encode("cp1252"))
    assert "UTF-8" in why_unusable("Rooms.csv", "job,room\n".encode("utf-16"))


def test_csv_named_like_no_sheet_is_refused_with_the_names_there_are():
    assert "named like no sheet" in why_unusable("data.csv", b"job,room\n")


def test_csv_with_an_open_quotation_is_not_whole():
    assert "not whole" in why_unusable("Rooms.csv", b'job,room\nJ1,"Kitchen 1\n')


@pytest.mark.parametrize(
    ("name", "body"), [("Rooms.csv", b""), ("Rooms.csv", b"\n \n"), ("x.zip", zipped({}))]
)
def test_a_file_with_nothing_in_it_is_refused(name, body):
    assert "nothing" in why_unusable(name, body)


def test_a_stray_file_in_a_zip_is_named():
    assert "no CSV" in why_unusable("x.zip", zipped({"Rooms.csv": b"job\n", "notes.txt": b"x"}))


def test_more_rows_than_a_workbook_has_are_refused():
    body = b"supplier\n" + b"Halden\n" * MOST_ROWS
    assert len(read_tables("Suppliers.csv", body).tables["Suppliers"].rows) == MOST_ROWS

    assert "more than" in why_unusable("Suppliers.csv", body + b"Halden\n")


def test_a_row_at_the_foot_of_a_very_long_sheet_is_not_lost():
    book = Workbook()
    page = book.active
    page.title = "Suppliers"
    page["A1"] = "supplier"
    page["A1048576"] = "Halden"

    (row,) = read_tables("s.xlsx", saved(book)).tables["Suppliers"].rows

    assert (row.number, row.cells) == (1_048_576, ("Halden",))
