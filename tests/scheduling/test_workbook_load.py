"""Loading a workbook: once and twice, changed, with its history, and what follows for the rooms."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

import pytest

from jobs.access import may_record_site
from jobs.models import Change, Closure, Entry, Job, Milestone, MilestoneReport, Person, Room, Site, Zone
from jobs.services import seen
from materials.models import ConsumableNeed, Order, OrderLine, Product, Requirement
from scheduling import feeds, states
from scheduling.models import Crew, CrewFeed, JobCrew, RoomState, TimeOff
from scheduling.services import crews
from scheduling.workbook.check import check
from scheduling.workbook.load import Count, Edit, LoadRefused, load, preview
from scheduling.workbook.read import read_tables
from scheduling.workbook.rows import Typed
from scheduling.workbook.write import sample_workbook
from tests import make
from tests.conftest import NOW
from tests.scheduling.workbook_files import small, xlsx

pytestmark = pytest.mark.django_db
LATER = NOW + timedelta(hours=1)
#: Rows of the small workbook, counted by hand: 1 + 1 + 1 + 3 + 1 + 2 + 2 + 1 + 2 + 1 + 2 + 1.
ROWS = 18


@pytest.fixture
def boss():
    return make.manager()


def rows_of(sheets, boss, now=NOW):
    checked = check(read_tables("clinic.xlsx", xlsx(sheets)), by=boss, now=now)
    assert checked.wrongs == ()
    return checked.rows


def load_small(sheets, boss, *, now=NOW, digest="a"):
    return load(rows_of(sheets, boss, now), name="clinic.xlsx", digest=digest, by=boss, now=now)


def versions():
    return dict(Room.objects.values_list("name", "facts_version"))


def edits_of(loaded):
    return [(row.sheet, row.number, edit) for row in loaded.edited for edit in row.edits]


def test_a_workbook_becomes_the_records_it_speaks_of(boss):
    total = load_small(small(), boss).total

    assert total == Count("", ROWS, 0, 0)
    site = Site.objects.get()
    assert (site.name, site.time_zone, site.week["fri"]) == (
        "Harbour clinic",
        "Europe/Paris",
        [["06:00", "18:00"]],
    )
    job = Job.objects.get()
    assert (job.number, job.site, job.units, job.accepts_statements) == ("J1", site, "metric", False)
    zone = Zone.objects.get()
    assert (zone.t_min, zone.t_max, zone.rh_min, zone.rh_max) == (18, 24, 35, 55)
    kitchen = Room.objects.get(name="Kitchen 1")
    assert (kitchen.zone, kitchen.substrate, kitchen.fixing, kitchen.crew_hours) == (
        zone,
        "gypsum_board",
        "glued",
        Decimal(8),
    )
    sheet = Product.objects.get(name="White sheet")
    assert (sheet.is_batch_matched, sheet.rest_required_s, sheet.set_t_min) == (True, 24 * 3600, None)
    assert Requirement.objects.get(room=kitchen).sheets == 40
    assert ConsumableNeed.objects.get(room=kitchen).quantity == Decimal("24.5")
    line = OrderLine.objects.get()
    assert (line.order.number, line.order.ordered_on, line.room, line.sheets) == (
        "O1",
        date(2026, 5, 20),
        kitchen,
        42,
    )
    noor, marit = Person.objects.get(name="Noor"), Person.objects.get(name="Marit")
    assert (noor.firm, noor.is_crew_lead, noor.is_manager) == (boss.firm, True, False)
    assert (marit.firm.name, marit.firm.lead_days, marit.is_supplier) == ("Halden Panels", 7, True)
    crew = Crew.objects.get()
    assert (crew.week["mon"], crew.hands, list(crew.people.all())) == ([["07:00", "15:30"]], 2, [noor])
    assert TimeOff.objects.get().to_on == date(2026, 8, 14)
    assert may_record_site(noor, job, now=NOW)


def test_a_milestone_without_rooms_is_waited_for_by_every_room_of_the_job(boss):
    load_small(small(), boss)

    rooms = {one.name: sorted(one.rooms.values_list("name", flat=True)) for one in Milestone.objects.all()}
    assert rooms == {"Ceiling grid": ["Kitchen 1"], "Heating on": ["Kitchen 1", "Kitchen 2"]}


def test_an_expected_milestone_is_a_fact_on_the_clock_of_its_site(boss):
    load_small(small(), boss)

    report = MilestoneReport.objects.get()
    # 15:00 in Paris, in summer two hours ahead of UTC.
    assert report.expected_at == datetime(2026, 6, 12, 13, 0, tzinfo=UTC)
    assert (report.is_done, report.recorded_by, report.happened_at) == (False, boss, NOW)
    assert Entry.objects.get().fact == report.pk


def test_the_same_file_again_changes_nothing(boss):
    load_small(small(), boss)
    states.refresh_due(now=NOW)
    before = (versions(), Change.objects.count(), Entry.objects.count(), MilestoneReport.objects.count())

    total = load_small(small(), boss, now=LATER).total

    assert total == Count("", 0, 0, ROWS)
    assert before == (
        versions(),
        Change.objects.count(),
        Entry.objects.count(),
        MilestoneReport.objects.count(),
    )
    assert not states.stale(now=LATER).exists()


def test_the_sample_again_on_the_same_day_changes_nothing(boss):
    rows = check(read_tables("s.xlsx", sample_workbook(NOW.date())), by=boss, now=NOW).rows
    first = load(rows, name="s.xlsx", digest="a", by=boss, now=NOW).total
    rows = check(read_tables("s.xlsx", sample_workbook(NOW.date())), by=boss, now=NOW).rows

    again = load(rows, name="s.xlsx", digest="b", by=boss, now=LATER).total

    assert (again.new, again.changed, again.same) == (0, 0, first.new)


def test_each_record_has_its_history_and_the_edited_one_what_it_said_before(boss):
    load_small(small(), boss)
    room = Room.objects.get(name="Kitchen 1")
    sheets = small()
    sheets["Rooms"][0]["crew-hours"] = 6

    loaded = load_small(sheets, boss, now=LATER)

    assert loaded.total == Count("", 0, 1, ROWS - 1)
    assert edits_of(loaded) == [("Rooms", 2, Edit("crew-hours", "8", "6"))]
    added, edited = Change.objects.filter(record="jobs.room", record_pk=str(room.pk)).order_by("pk")
    assert (added.before, added.after["name"], added.by) == ({}, "Kitchen 1", boss)
    assert (edited.before, edited.after, edited.at) == ({"crew_hours": "8.00"}, {"crew_hours": "6.00"}, LATER)
    assert "clinic.xlsx" in edited.reason


CHANGES = [
    ("Sites", 0, "address", "2 Quay Street", {"Kitchen 1", "Kitchen 2"}),
    ("Sites", 0, "closed", "2026-07-14 holiday", {"Kitchen 1", "Kitchen 2"}),
    ("Jobs", 0, "statements count", "yes", {"Kitchen 1", "Kitchen 2"}),
    ("Zones", 0, "air to", 25, {"Kitchen 1", "Kitchen 2"}),
    ("Products", 0, "rest hours", 48, {"Kitchen 1"}),
    ("Products", 2, "shelf life days", 180, {"Kitchen 1"}),
    ("Suppliers", 0, "lead days", 14, {"Kitchen 1"}),
    ("Rooms", 1, "substrate", "steel studs", {"Kitchen 2"}),
    ("Requirements", 1, "sheets", 13, {"Kitchen 2"}),
    ("Consumables", 0, "quantity", 30, {"Kitchen 1"}),
    ("Milestones", 0, "rooms", "Kitchen 2", {"Kitchen 1", "Kitchen 2"}),
    ("Milestones", 1, "expected", "2026-06-13 15:00", {"Kitchen 1", "Kitchen 2"}),
    ("Orders", 0, "sheets", 44, {"Kitchen 1"}),
    ("Orders", 0, "ordered on", "2026-05-21", {"Kitchen 1"}),
    ("People", 0, "name", "Noor H.", set()),
    ("Crews", 0, "shifts", "Mon-Sat 07:00-15:30", set()),
]


@pytest.mark.parametrize(("sheet", "at", "column", "value", "touched"), CHANGES)
def test_a_changed_value_raises_the_versions_of_the_rooms_it_touches_and_of_no_others(
    boss, sheet, at, column, value, touched
):
    load_small(small(), boss)
    before = versions()
    sheets = small()
    sheets[sheet][at][column] = value

    loaded = load_small(sheets, boss, now=LATER, digest="b")

    assert loaded.total == Count("", 0, 1, ROWS - 1)
    assert {name for name, version in versions().items() if version > before[name]} == touched


def test_a_crews_changed_shifts_touch_the_rooms_it_was_ever_given(boss):
    load_small(small(), boss)
    room, crew = Room.objects.get(name="Kitchen 1"), Crew.objects.get()
    crews.give_day(make.envelope(boss), room=room, crew=crew, first_on=date(2026, 6, 11))
    before = versions()
    sheets = small()
    sheets["Crews"][0]["shifts"] = "Mon-Fri 06:00-14:00"

    load_small(sheets, boss, now=LATER)

    assert {name for name, version in versions().items() if version > before[name]} == {"Kitchen 1"}


def test_a_changed_address_reaches_the_crews_calendar_with_a_later_stamp(boss):
    load_small(small(), boss)
    room, crew = Room.objects.get(name="Kitchen 1"), Crew.objects.get()
    crews.give_day(make.envelope(boss), room=room, crew=crew, first_on=date(2026, 6, 11))
    states.refresh_due(now=NOW)
    feeds.renew(crew, now=NOW)
    sheets = small()
    sheets["Sites"][0]["address"] = "2 Quay Street"

    load_small(sheets, boss, now=LATER)
    states.refresh_due(now=LATER)
    feeds.renew(crew, now=LATER)

    feed = CrewFeed.objects.get(crew=crew)
    assert b"2 Quay Street" in bytes(feed.body)
    assert feed.last_modified == LATER


def test_what_a_later_file_leaves_out_stays(boss):
    load_small(small(), boss)
    sheets = small()
    del sheets["Rooms"][1], sheets["Requirements"][1]
    sheets["Crews"][0] |= {"people": None, "off": None, "jobs": None}
    counts = [model.objects.count() for model in (Room, Requirement, TimeOff, JobCrew)]

    total = load_small(sheets, boss, now=LATER).total

    assert (total.new, total.changed) == (0, 0)
    assert counts == [model.objects.count() for model in (Room, Requirement, TimeOff, JobCrew)]
    assert list(Crew.objects.get().people.values_list("name", flat=True)) == ["Noor"]


def test_a_milestones_empty_rooms_are_all_rooms_again(boss):
    load_small(small(), boss)
    sheets = small()
    sheets["Milestones"][0]["rooms"] = None

    loaded = load_small(sheets, boss, now=LATER)

    assert edits_of(loaded) == [("Milestones", 2, Edit("rooms", "Kitchen 1", "Kitchen 1; Kitchen 2"))]
    change = Change.objects.filter(record="jobs.milestone").latest("pk")
    assert len(change.before["rooms"]) == 1
    assert len(change.after["rooms"]) == 2


def test_a_column_left_out_leaves_what_is_there_and_an_empty_cell_means_what_its_note_says(boss):
    sheets = small()
    sheets["Crews"][0]["hands"] = 4
    load_small(sheets, boss)

    load_small(small(), boss, now=LATER)
    assert Crew.objects.get().hands == 4

    sheets["Crews"][0]["hands"] = None
    load_small(sheets, boss, now=LATER)
    assert Crew.objects.get().hands == 2


def test_days_off_are_added_and_the_same_days_with_another_reason_renamed(boss):
    sheets = small()
    sheets["Sites"][0]["closed"] = "2026-12-24..2027-01-02 winter break"
    load_small(sheets, boss)
    sheets["Sites"][0]["closed"] = "2026-12-24..2027-01-02 plant stops; 2026-07-14"

    loaded = load_small(sheets, boss, now=LATER)

    assert edits_of(loaded) == [
        ("Sites", 2, Edit("closed", "winter break", "plant stops")),
        ("Sites", 2, Edit("closed", "", "2026-07-14")),
    ]
    closures = Closure.objects.order_by("from_on").values_list("from_on", "to_on", "reason")
    assert list(closures) == [
        (date(2026, 7, 14), date(2026, 7, 14), "closed"),
        (date(2026, 12, 24), date(2027, 1, 2), "plant stops"),
    ]


def test_an_expected_time_that_goes_and_comes_back_is_recorded_each_time(boss):
    sheets, other = small(), small()
    other["Milestones"][1]["expected"] = "2026-06-13 15:00"
    load_small(sheets, boss, digest="a")
    load_small(other, boss, digest="b", now=NOW + timedelta(minutes=1))

    load_small(sheets, boss, digest="c", now=NOW + timedelta(minutes=2))

    reports = MilestoneReport.objects.order_by("happened_at")
    assert [one.expected_at.day for one in reports] == [12, 13, 12]


def test_the_very_same_file_does_not_undo_what_was_said_since(boss):
    load_small(small(), boss)
    milestone = MilestoneReport.objects.get().milestone
    seen.report_milestone(
        make.envelope(boss, now=LATER), milestone=milestone, is_done=False, expected_at=LATER
    )

    total = load_small(small(), boss, now=LATER + timedelta(hours=1)).total

    assert total == Count("", 0, 0, ROWS)


def test_what_is_done_is_not_expected_again(boss):
    load_small(small(), boss)
    milestone = MilestoneReport.objects.get().milestone
    seen.report_milestone(make.envelope(boss, now=LATER), milestone=milestone, is_done=True)

    load_small(small(), boss, now=LATER + timedelta(hours=1), digest="another")

    assert MilestoneReport.objects.count() == 2


def test_roles_are_edited_and_an_address_is_the_same_person_whatever_its_case(boss):
    load_small(small(), boss)
    sheets = small()
    sheets["People"][0] |= {"e-mail": "Noor@Crew.example", "roles": "crew lead; manager"}

    loaded = load_small(sheets, boss, now=LATER)

    assert edits_of(loaded) == [("People", 2, Edit("roles", "crew lead", "crew lead; manager"))]
    assert Person.objects.get(name="Noor").is_manager


def test_a_supplier_needs_no_word_for_its_role(boss):
    sheets = small()
    sheets["People"][1]["roles"] = None

    load_small(sheets, boss)

    assert Person.objects.get(name="Marit").is_supplier


def test_a_preview_says_what_loading_does_and_writes_nothing(boss):
    load_small(small(), boss)
    sheets = small()
    sheets["Rooms"][0]["crew-hours"] = 6
    sheets["Rooms"].append({**sheets["Rooms"][0], "room": "Kitchen 3"})
    rows = rows_of(sheets, boss)
    before = (versions(), Change.objects.count(), Entry.objects.count())

    shown = preview(rows, name="clinic.xlsx", digest="b", by=boss, now=LATER)

    assert before == (versions(), Change.objects.count(), Entry.objects.count())
    assert shown == load(rows, name="clinic.xlsx", digest="b", by=boss, now=LATER)
    # The new room, and the milestone that every room of the job waits for.
    assert shown.total == Count("", 1, 2, ROWS - 2)


def test_a_row_that_the_database_refuses_all_the_same_loads_nothing_and_is_named(boss):
    rows = dict(rows_of(small(), boss))
    odd = Typed(3, {**rows["Crews"][0].values, "crew": "x" * 100})
    rows["Crews"] = (*rows["Crews"], odd)

    with pytest.raises(LoadRefused) as refused:
        load(rows, name="clinic.xlsx", digest="a", by=boss, now=NOW)

    assert (refused.value.wrong.sheet, refused.value.wrong.row) == ("Crews", 3)
    assert not Site.objects.exists()


def test_the_rooms_of_a_loaded_workbook_are_judged_at_once(boss):
    load_small(small(), boss)

    states.refresh_due(now=NOW)

    assert RoomState.objects.count() == 2


def test_a_second_order_line_joins_its_order(boss):
    sheets = small()
    sheets["Orders"].append({**sheets["Orders"][0], "room": None, "sheets": 5})

    load_small(sheets, boss)

    order = Order.objects.get()
    lines = order.lines.order_by("sheets").values_list("room__name", "sheets")
    assert list(lines) == [(None, 5), ("Kitchen 1", 42)]


def test_queries_of_the_same_file_again_grow_only_with_what_touches_rooms(
    boss, django_assert_max_num_queries
):
    load_small(small(), boss)
    rows = rows_of(small(), boss)

    with django_assert_max_num_queries(40):
        load(rows, name="clinic.xlsx", digest="a", by=boss, now=LATER)
