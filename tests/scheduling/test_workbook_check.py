"""Every kind of thing that can be wrong in a workbook: found at once, named by sheet, row and column."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal

import pytest
from openpyxl import Workbook

from jobs.core.words import Say
from jobs.models import MilestoneReport
from jobs.services import seen
from scheduling.printing import plain
from scheduling.workbook import cells
from scheduling.workbook.check import check
from scheduling.workbook.load import load
from scheduling.workbook.read import read_tables
from scheduling.workbook.write import sample_workbook
from tests import make
from tests.conftest import NOW
from tests.scheduling.workbook_files import csv_of, saved, small, xlsx

pytestmark = pytest.mark.django_db


@pytest.fixture
def boss():
    return make.manager()


def checked(sheets, boss):
    return check(read_tables("clinic.xlsx", xlsx(sheets)), by=boss, now=NOW)


def places(sheets, boss):
    """Return where something is wrong, and what stands there."""
    return [(wrong.sheet, wrong.row, wrong.column, wrong.seen) for wrong in checked(sheets, boss).wrongs]


def rights(sheets, boss):
    return [plain(wrong.right, zone=UTC) for wrong in checked(sheets, boss).wrongs]


def loaded(sheets, boss, now=NOW):
    load(checked(sheets, boss).rows, name="first.xlsx", digest="0", by=boss, now=now)


def test_nothing_is_wrong_in_a_whole_workbook(boss):
    assert places(small(), boss) == []


@pytest.mark.parametrize("today", [date(2026, 2, 28), date(2026, 3, 28), date(2026, 12, 31)])
def test_nothing_is_wrong_in_the_sample_on_any_day(boss, today):
    now = datetime.combine(today, time(12), UTC)

    assert check(read_tables("s.xlsx", sample_workbook(today)), by=boss, now=now).wrongs == ()


# ---- headings ----


def test_a_missing_column_is_named_once_and_not_again_in_what_refers_to_it(boss):
    sheets = small()
    for row in sheets["Sites"]:
        row["sight"] = row.pop("site")

    assert places(sheets, boss) == [("Sites", None, "site", ""), ("Sites", None, "sight", "sight")]
    assert rights(sheets, boss)[0] == "a column with the heading “site”"
    assert "one of the headings: site, address" in rights(sheets, boss)[1]


def test_a_heading_that_stands_twice_is_named(boss):
    body = b"supplier,lead days,supplier\nHalden,7,Other\n"

    wrongs = check(read_tables("Suppliers.csv", body), by=boss, now=NOW).wrongs

    assert [(wrong.row, wrong.column) for wrong in wrongs] == [(None, "supplier")]


def test_a_value_without_a_heading_is_named_by_its_column(boss):
    body = b"supplier,lead days\nHalden,7,Oslo\n"

    wrongs = check(read_tables("Suppliers.csv", body), by=boss, now=NOW).wrongs

    assert [(wrong.row, wrong.column, wrong.seen) for wrong in wrongs] == [(2, "C", "Oslo")]


# ---- cells ----

CELLS = [
    ("Sites", "site", None, "", "one line of text"),
    ("Sites", "address", "1 Quay Street\nParis", "1 Quay Street\nParis", "one line of text"),
    ("Sites", "address", "x" * 301, "x" * 80 + "…", "at most 300 letters"),
    ("Sites", "time zone", "Etc/GMT+2", "Etc/GMT+2", "the time zone of a place, as Europe/Paris"),
    ("Sites", "time zone", "CET+1", "CET+1", "as Europe/Paris"),
    ("Sites", "let in", "Mon-Fri", "Mon-Fri", "Mon-Fri 06:30-18:00"),
    ("Sites", "let in", "Mon 18:00-06:00", "Mon 18:00-06:00", "Mon-Fri 06:30-18:00"),
    ("Sites", "closed", "24 Dec to 2 Jan", "24 Dec to 2 Jan", "2026-12-24..2027-01-02"),
    ("Sites", "closed", "2027-01-02..2026-12-24", "2027-01-02..2026-12-24", "2026-12-24..2027-01-02"),
    ("Jobs", "units", "yards", "yards", "one of: metric / customary"),
    ("Jobs", "statements count", "perhaps", "perhaps", "yes or no"),
    ("Zones", "air from", "cold", "cold", "°C from -40 to 60, or a temperature as 64 °F"),
    ("Zones", "air from", -273, "-273", "°C from -40 to 60"),
    ("Zones", "humidity to", 130, "130", "percent from 0 to 100"),
    ("Zones", "humidity to", "nan", "nan", "percent from 0 to 100"),
    ("Products", "kind", "panel", "panel", "sheet / backed / adhesive"),
    ("Products", "rest hours", -1, "-1", "hours, 0 to 8760"),
    ("Suppliers", "lead days", 7.5, "7.5", "a whole number from 0 to 1000"),
    ("Suppliers", "e-mail", "halden", "halden", "an e-mail address"),
    ("Rooms", "substrate", "cheese", "cheese", "gypsum board"),
    ("Rooms", "fixing", "nailed", "nailed", "one of: glued / backed"),
    ("Rooms", "crew-hours", 0, "0", "a number above 0"),
    ("Rooms", "crew-hours", 7.333, "7.333", "with at most 2 decimals"),
    ("Rooms", "crew-hours", "1,250", "1,250", "a number above 0"),
    ("Requirements", "sheets", -4, "-4", "a whole number from 1 to 100000"),
    ("Requirements", "sheets", 39.5, "39.5", "a whole number from 1"),
    ("Requirements", "sheets", True, "yes", "a whole number from 1"),
    ("Requirements", "sheets", "#REF!", "#REF!", "The formula here gives an error"),
    ("Consumables", "quantity", "24 kg", "24 kg", "a number above 0"),
    ("Milestones", "before", "lunch", "lunch", "one of: install / finish"),
    ("Milestones", "expected", "12/06/2026", "12/06/2026", "2026-05-14 07:30"),
    ("Milestones", "expected", "2026-06-31 08:00", "2026-06-31 08:00", "2026-05-14 07:30"),
    ("Orders", "ordered on", "03/04/2026", "03/04/2026", "a day as 2026-05-14"),
    ("People", "e-mail", "noor", "noor", "an e-mail address"),
    ("Crews", "hands", 0, "0", "a whole number from 1"),
]


@pytest.mark.parametrize(("sheet", "column", "cell", "shown", "right"), CELLS)
def test_a_cell_that_holds_nothing_of_its_kind_is_named_with_what_would_be_right(
    boss, sheet, column, cell, shown, right
):
    sheets = small()
    sheets[sheet][0][column] = cell

    (wrong,) = [one for one in checked(sheets, boss).wrongs if (one.sheet, one.column) == (sheet, column)]

    assert (wrong.row, wrong.seen) == (2, shown)
    assert right in plain(wrong.right, zone=UTC)


def test_a_formula_that_was_never_calculated_is_named_as_such(boss):
    sheets = small()
    sheets["Requirements"][0]["sheets"] = "=20+20"

    (wrong,) = checked(sheets, boss).wrongs

    assert wrong.seen == "=20+20"
    assert "Nobody has calculated this formula" in plain(wrong.right, zone=UTC)


def test_what_spreadsheets_and_people_write_is_read(boss):
    book = Workbook()
    page = book.active
    page.title = "Milestones"
    page.append(["Job", " Milestone ", "EXPECTED"])
    page.append([7, "Heating", datetime(2026, 6, 12, 15, 0)])  # noqa: DTZ001 - a spreadsheet's wall time
    page.append([7.0, "Grid", date(2026, 6, 12)])
    page.append(["007", "Floor", "2026-06-12T15:00"])

    rows = check(read_tables("m.xlsx", saved(book)), by=boss, now=NOW).rows["Milestones"]

    assert [row["job"] for row in rows] == ["7", "7", "007"]
    assert [row["expected"].isoformat() for row in rows] == [
        "2026-06-12T15:00:00",
        "2026-06-12T00:00:00",
        "2026-06-12T15:00:00",
    ]


@pytest.mark.parametrize(
    ("kind", "cell", "value"),
    [
        (cells.amount(2, 100), "7,5", Decimal("7.5")),
        # As spreadsheets compute 0.1 + 0.2 in binary (IEEE 754): it is shown, and read, as 0.3.
        (cells.amount(2, 100), 0.30000000000000004, Decimal("0.3")),
        (cells.HOURS, 1.5, 5400),
        (cells.TEMPERATURE, "\N{MINUS SIGN}5", -5.0),
        (cells.TEMPERATURE, "18 °C", 18.0),
        # (64 - 32) / 1.8, the definition of the degree Fahrenheit (NIST SP 811, B.9).
        (cells.TEMPERATURE, "64.4°F", 18.0),
        (cells.TEMPERATURE, "64.4 f", 18.0),
        (cells.TEMPERATURE, "F", None),
        (cells.HUMIDITY, "55 %", 55.0),
        (cells.HUMIDITY, "%", None),
        (cells.YES_NO, True, True),
        (cells.YES_NO, "No", False),
        (cells.COUNT, 40.0, 40),
        (cells.LIST, "a; b;\na;", ("a", "b")),
        (cells.SPANS, datetime(2026, 5, 14), (cells.Span(date(2026, 5, 14), date(2026, 5, 14), ""),)),  # noqa: DTZ001
        (
            cells.SPANS,
            "2026-12-24..2027-01-02 winter break; 2026-05-14",
            (
                cells.Span(date(2026, 12, 24), date(2027, 1, 2), "winter break"),
                cells.Span(date(2026, 5, 14), date(2026, 5, 14), ""),
            ),
        ),
        (cells.text(), "Cafe\N{COMBINING ACUTE ACCENT}", "Caf\N{LATIN SMALL LETTER E WITH ACUTE}"),
        (cells.text(), "\N{NO-BREAK SPACE}East ", "East"),
        (cells.MOMENT, timedelta(0), None),
    ],
)
def test_a_cell_is_read_as_what_it_means(kind, cell, value):
    if value is None:
        with pytest.raises(cells.NotReadable):
            kind.read(cell)
    else:
        assert kind.read(cell) == (pytest.approx(value) if isinstance(value, float) else value)


def test_a_wrong_cell_does_not_make_its_row_unknown_to_others(boss):
    sheets = small()
    sheets["Rooms"][0]["crew-hours"] = "eight"

    assert places(sheets, boss) == [("Rooms", 2, "crew-hours", "eight")]


# ---- rows ----


def test_the_same_key_twice_in_one_sheet_is_named_with_the_row_above(boss):
    sheets = small()
    sheets["Rooms"].append({**sheets["Rooms"][0], "crew-hours": 9})
    sheets["People"].append({**sheets["People"][0], "e-mail": "NOOR@crew.example"})

    assert places(sheets, boss) == [
        ("Rooms", 4, "job, room", "J1, Kitchen 1"),
        ("People", 4, "e-mail", "NOOR@crew.example"),
    ]
    assert rights(sheets, boss)[0] == "each once; row 2 says it already"


REFERENCES = [
    ("Jobs", "site", "Harbor clinic", "Sites", "Harbour clinic"),
    ("Zones", "job", "j1", "Jobs", "J1"),
    ("Rooms", "job", "J9", "Jobs", None),
    ("Rooms", "zone", "Est", "Zones", "East"),
    ("Requirements", "job", "J9", "Jobs", None),
    ("Requirements", "room", "Kitchen 3", "Rooms", "Kitchen"),
    ("Requirements", "product", "White sheets", "Products", "White sheet"),
    ("Consumables", "product", "Gleu", "Products", None),
    ("Milestones", "job", "J9", "Jobs", None),
    ("Milestones", "rooms", "Kitchen 3", "Rooms", "Kitchen"),
    ("Orders", "job", "J9", "Jobs", None),
    ("Orders", "supplier", "Halden panels", "Suppliers", "Halden Panels"),
    ("Orders", "product", "white sheet", "Products", "White sheet"),
    ("Orders", "room", "Kitchen 9", "Rooms", "Kitchen"),
    ("Crews", "people", "nour@crew.example", "People", "noor@crew.example"),
    ("Crews", "jobs", "J2", "Jobs", None),
]


@pytest.mark.parametrize(("sheet", "column", "name", "to", "near"), REFERENCES)
def test_a_name_that_is_nowhere_is_named_with_the_nearest(boss, sheet, column, name, to, near):
    sheets = small()
    sheets[sheet][0][column] = name

    wrongs = [wrong for wrong in checked(sheets, boss).wrongs if (wrong.sheet, wrong.row) == (sheet, 2)]

    assert [(wrong.column, wrong.seen) for wrong in wrongs][:1] == [(column, name)]
    right = plain(wrongs[0].right, zone=UTC)
    assert f"of the sheet {to}" in right
    assert near is None or near in right


def test_what_a_sheet_refers_to_may_be_in_the_database_instead(boss):
    loaded(small(), boss)
    sheets = {"Requirements": [{"job": "J1", "room": "Kitchen 1", "product": "White sheet", "sheets": 38}]}

    assert places(sheets, boss) == []


def test_all_errors_come_at_once_in_the_order_of_the_file(boss):
    sheets = small()
    sheets["Sites"][0]["time zone"] = "Nowhere"
    sheets["Rooms"][1]["zone"] = "West"
    sheets["Rooms"][1]["crew-hours"] = "many"
    sheets["Crews"][0]["shifts"] = "always"

    assert places(sheets, boss) == [
        ("Sites", 2, "time zone", "Nowhere"),
        ("Rooms", 3, "zone", "West"),
        ("Rooms", 3, "crew-hours", "many"),
        ("Crews", 2, "shifts", "always"),
    ]


# ---- bands and products ----


def test_a_band_that_ends_below_its_beginning_is_named(boss):
    sheets = small()
    sheets["Zones"][0]["air from"] = 26
    sheets["Products"][0] |= {"humidity from": 60, "humidity to": 40}

    assert places(sheets, boss) == [
        ("Zones", 2, "air to", "24"),
        ("Products", 2, "humidity to", "40"),
    ]
    assert rights(sheets, boss)[0] == "a number from 26 on, as “air from” says"


def test_a_humidity_written_as_a_share_of_one_is_named(boss):
    sheets = small()
    sheets["Zones"][0] |= {"humidity from": 0.35, "humidity to": 0.55}

    assert places(sheets, boss) == [("Zones", 2, "humidity to", "0.55")]


def test_a_setting_band_is_whole_or_not_there(boss):
    sheets = small()
    sheets["Products"][2] |= {"set air from": 10, "set air to": 30, "set humidity from": None}

    assert places(sheets, boss) == [
        ("Products", 4, "set humidity from", ""),
        ("Products", 4, "set humidity to", ""),
    ]


def test_what_a_maker_allows_in_the_backing_is_whole_or_not_there(boss):
    sheets = small()
    sheets["Products"][0] |= {"backing moisture from": 6}

    assert places(sheets, boss) == [("Products", 2, "backing moisture to", "")]


@pytest.mark.parametrize(
    ("column", "cell"), [("thickness", "2.3"), ("width", "0 mm"), ("height", "1/3 in"), ("core tolerance", 0)]
)
def test_a_size_without_a_unit_or_of_nothing_is_refused(boss, column, cell):
    sheets = small()
    sheets["Products"][0] |= {column: cell}

    assert places(sheets, boss) == [("Products", 2, column, str(cell))]


@pytest.mark.parametrize("name", ["longest gap hours", "fine gap hours", "reading fresh hours"])
def test_a_rule_of_no_time_at_all_is_refused(boss, name):
    sheets = small()
    sheets["Products"][0][name] = 0

    assert places(sheets, boss) == [("Products", 2, name, "0")]


@pytest.mark.parametrize("name", ["longest gap hours", "fine gap hours"])
def test_a_gap_is_a_week_at_most(boss, name):
    sheets = small()
    sheets["Products"][0][name] = 168
    assert places(sheets, boss) == []

    sheets["Products"][0][name] = 169

    assert places(sheets, boss) == [("Products", 2, name, "169")]


def test_only_panels_are_set_from_one_batch_and_only_adhesives_are_water_borne(boss):
    sheets = small()
    sheets["Products"][2]["one batch"] = "yes"
    sheets["Products"][0]["water-borne"] = "yes"

    assert places(sheets, boss) == [
        ("Products", 2, "water-borne", "yes"),
        ("Products", 4, "one batch", "yes"),
    ]


def test_a_panel_is_no_consumable_and_a_consumable_no_panel(boss):
    sheets = small()
    sheets["Requirements"][0]["product"] = "Glue"
    sheets["Consumables"][0]["product"] = "White sheet"
    sheets["Orders"][0]["product"] = "Glue"

    assert places(sheets, boss) == [
        ("Requirements", 2, "product", "Glue"),
        ("Consumables", 2, "product", "White sheet"),
        ("Orders", 2, "product", "Glue"),
    ]
    assert "kind adhesive and belongs to the sheet Consumables" in rights(sheets, boss)[0]


def test_a_room_fixed_to_studs_takes_no_glued_sheet_and_a_glued_one_no_backed_panel(boss):
    sheets = small()
    sheets["Requirements"][0]["product"] = "Backed panel"
    sheets["Requirements"][1]["product"] = "White sheet"

    assert places(sheets, boss) == [
        ("Requirements", 2, "product", "Backed panel"),
        ("Requirements", 3, "product", "White sheet"),
    ]


def test_a_change_of_fixing_is_held_against_what_the_room_needs_already(boss):
    loaded(small(), boss)
    sheets = {"Rooms": [{**small()["Rooms"][0], "fixing": "backed"}]}

    assert places(sheets, boss) == [("Rooms", 2, "fixing", "backed")]


def test_panels_that_can_never_rest_in_their_zone_are_named(boss):
    sheets = small()
    sheets["Products"][0] |= {"air from": 25, "air to": 35}

    assert places(sheets, boss) == [("Requirements", 2, "product", "White sheet")]
    assert "East has 18–24 °C, 35–55 %" in rights(sheets, boss)[0]

    sheets["Products"][0]["rest hours"] = 0
    assert places(sheets, boss) == []


def test_a_changed_zone_is_held_against_what_its_rooms_need_already(boss):
    loaded(small(), boss)
    sheets = {"Zones": [{**small()["Zones"][0], "air from": 36, "air to": 40}]}

    assert places(sheets, boss)[0] == ("Zones", 2, "air from", "36–40 °C, 35–55 %")


# ---- milestones, orders ----


def test_a_time_more_than_five_years_ahead_is_a_slip_of_the_year(boss):
    sheets = small()
    sheets["Milestones"][1]["expected"] = "2062-06-12 15:00"

    assert places(sheets, boss) == [("Milestones", 3, "expected", "2062-06-12 15:00")]


def test_nothing_new_is_expected_in_a_closed_job_but_what_was_said_before_may_stand_there(boss):
    loaded(small(), boss)
    job = MilestoneReport.objects.get().milestone.job
    job.closed_at = NOW
    job.save()
    sheets = small()
    assert places(sheets, boss) == []

    sheets["Milestones"][1]["expected"] = "2026-06-13 15:00"

    assert places(sheets, boss) == [("Milestones", 3, "expected", "2026-06-13 15:00")]


def test_the_lines_of_one_order_tell_the_same_of_it(boss):
    sheets = small()
    sheets["Suppliers"].append({"supplier": "Other"})
    sheets["Orders"].append(
        {**sheets["Orders"][0], "room": None, "supplier": "Other", "ordered on": "2026-05-21"}
    )

    assert places(sheets, boss) == [
        ("Orders", 3, "supplier", "Other"),
        ("Orders", 3, "ordered on", "2026-05-21"),
    ]


def test_a_known_order_stays_with_its_job_and_supplier(boss):
    loaded(small(), boss)
    sheets = small()
    sheets["Suppliers"].append({"supplier": "Other"})
    sheets["Orders"][0]["supplier"] = "Other"

    assert places(sheets, boss) == [("Orders", 2, "supplier", "Other")]


# ---- people and crews ----


@pytest.mark.parametrize(
    ("fields", "column", "shown"),
    [
        ({"roles": "foreman"}, "roles", "foreman"),
        ({"roles": "supplier"}, "supplier", ""),
        ({"roles": None}, "roles", ""),
        ({"roles": "supplier; crew lead", "supplier": "Halden Panels"}, "roles", "supplier; crew lead"),
        ({"supplier": "Nobody"}, "supplier", "Nobody"),
    ],
)
def test_roles_that_a_person_cannot_have_are_named(boss, fields, column, shown):
    sheets = small()
    sheets["People"][0] |= fields
    sheets["Crews"] = []

    assert places(sheets, boss)[0] == ("People", 2, column, shown)


def test_a_person_may_be_manager_and_crew_lead_whatever_the_case(boss):
    sheets = small()
    sheets["People"][0]["roles"] = "Manager; CREW LEAD"

    assert places(sheets, boss) == []


def test_nobody_takes_the_managers_role_from_themselves(boss):
    sheets = small()
    sheets["People"].append(
        {"name": "Boss", "e-mail": boss.email.upper(), "roles": "crew lead", "time zone": "Europe/Paris"}
    )

    assert places(sheets, boss) == [("People", 4, "roles", "crew lead")]


def test_a_known_person_does_not_change_firms(boss):
    loaded(small(), boss)
    sheets = small()
    sheets["People"][0] |= {"supplier": "Halden Panels", "roles": "supplier"}
    sheets["Crews"] = []

    assert places(sheets, boss) == [("People", 2, "supplier", "Halden Panels")]


def test_ones_own_firm_is_no_supplier(boss):
    sheets = small()
    sheets["Suppliers"].append({"supplier": boss.firm.name})

    assert places(sheets, boss) == [("Suppliers", 3, "supplier", boss.firm.name)]


def test_a_suppliers_person_is_in_no_crew(boss):
    sheets = small()
    sheets["Crews"][0]["people"] = "noor@crew.example; marit@halden.example"

    assert places(sheets, boss) == [("Crews", 2, "people", "marit@halden.example")]


def test_a_closed_crew_is_not_opened_by_a_file(boss):
    crew = make.crew(name="Crew A")
    crew.closed_at = NOW
    crew.save()

    assert places(small(), boss) == [("Crews", 2, "crew", "Crew A")]


def test_the_words_of_what_would_be_right_are_sentences_to_translate(boss):
    sheets = small()
    sheets["Sites"][0]["time zone"] = None

    (wrong,) = checked(sheets, boss).wrongs

    assert isinstance(wrong.right, Say)


def test_a_file_with_very_many_errors_is_checked_in_a_few_seconds(boss, django_assert_max_num_queries):
    rows = [{"job": "J1", "room": f"Room {n}", "product": f"Sheet {n}", "sheets": "x"} for n in range(5_000)]
    tables = read_tables("Requirements.csv", csv_of(rows))

    with django_assert_max_num_queries(12):
        wrongs = check(tables, by=boss, now=NOW).wrongs

    assert len(wrongs) == 3 * 5_000


def test_a_milestone_reported_by_hand_is_no_reason_to_refuse(boss):
    loaded(small(), boss)
    report = MilestoneReport.objects.get()
    seen.report_milestone(make.envelope(boss), milestone=report.milestone, is_done=True)

    assert places(small(), boss) == []
