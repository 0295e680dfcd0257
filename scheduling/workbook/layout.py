"""The sheets of the job workbook and their columns: our own layout, the one place that knows it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from jobs.core.prep import Fixing, Substrate
from jobs.core.words import Say, say
from scheduling.workbook import cells
from scheduling.workbook.cells import Kind


@dataclass(frozen=True, slots=True)
class Column:
    """One column: its heading, how its cells are read, and what an empty one means (`required`: it may not be).

    `field` is the column of the record that it fills; empty where the loader does more than that.
    """

    name: str
    kind: Kind
    field: str = ""
    required: bool = False
    default: object = None
    #: What the template says of it.
    note: Say | None = None


@dataclass(frozen=True, slots=True)
class Sheet:
    """One sheet: its name, its columns, and those that make a row what it is."""

    name: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]

    def column(self, name: str) -> Column:
        """Return the column of this heading."""
        return next(column for column in self.columns if column.name == name)

    @property
    def heads(self) -> tuple[str, ...]:
        """Return the headings in order."""
        return tuple(column.name for column in self.columns)


def _must(name: str, kind: Kind, note: Say | None = None, *, field: str = "") -> Column:
    return Column(name, kind, field, required=True, note=note)


def _may(
    name: str, kind: Kind, note: Say | None = None, *, field: str = "", default: object = None
) -> Column:
    return Column(name, kind, field, default=default, note=note)


def _same(words: Iterable[str]) -> Kind:
    return cells.choice({word: word for word in words})


_JOB = _must("job", cells.text(40), say("its number"))
_ROOM = _must("room", cells.text(160))
_PRODUCT = _must("product", cells.text())

SITES = Sheet(
    "Sites",
    (
        _must("site", cells.text(), field="name"),
        _must("address", cells.text(300), field="address"),
        _may("way in", cells.text(300), say("gate, floor, whom to ring"), field="way_in", default=""),
        _must("time zone", cells.ZONE, field="time_zone"),
        _must("let in", cells.WEEK, say("when people may enter"), field="week"),
        _may("closed", cells.SPANS, default=()),
    ),
    ("site",),
)
JOBS = Sheet(
    "Jobs",
    (
        _must("job", cells.text(40), say("your number of it"), field="number"),
        _must("name", cells.text(160), field="name"),
        _must("site", cells.text()),
        _may("units", _same(("metric", "customary")), field="units", default="metric"),
        _may("site agent", cells.text(), say("who answers for the others"), field="site_agent", default=""),
        _may(
            "statements count",
            cells.YES_NO,
            say("does a signed word count where no meter stood?"),
            field="accepts_statements",
            default=False,
        ),
    ),
    ("job",),
)
ZONES = Sheet(
    "Zones",
    (
        _JOB,
        _must("zone", cells.text(), say("rooms that share one air"), field="name"),
        _must("air from", cells.TEMPERATURE, field="t_min"),
        _must("air to", cells.TEMPERATURE, field="t_max"),
        _must("humidity from", cells.HUMIDITY, field="rh_min"),
        _must("humidity to", cells.HUMIDITY, field="rh_max"),
    ),
    ("job", "zone"),
)
PRODUCTS = Sheet(
    "Products",
    (
        _must("product", cells.text(), field="name"),
        _must(
            "kind",
            _same(("sheet", "backed", "adhesive", "fastener", "moulding", "sealant")),
            say("sheet: glued; backed: fastened to studs"),
            field="kind",
        ),
        _must("unit", cells.text(20), say("sheets, kg, tubes, m"), field="unit"),
        _may(
            "one batch",
            cells.YES_NO,
            say("panels: set from one batch only"),
            field="is_batch_matched",
            default=False,
        ),
        _may("water-borne", cells.YES_NO, say("adhesives"), field="is_water_borne", default=False),
        _may("rest hours", cells.HOURS, say("0: none is asked"), field="rest_required_s", default=86_400),
        _may(
            "longest gap hours",
            cells.HOURS,
            say("between two readings that prove"),
            field="rest_max_gap_s",
            default=64_800,
        ),
        _may(
            "fine gap hours",
            cells.HOURS,
            say("from here on shown as bridged"),
            field="rest_fine_gap_s",
            default=3_600,
        ),
        _may(
            "restart after hours",
            cells.HOURS,
            say("out of band for longer: back to zero"),
            field="rest_restart_after_s",
            default=14_400,
        ),
        _may("restart on", _same(("temperature", "any")), field="rest_restart_on", default="temperature"),
        _may(
            "must be opened",
            cells.YES_NO,
            say("before its rest counts"),
            field="rest_needs_opening",
            default=True,
        ),
        _may("air from", cells.TEMPERATURE, say("air it may rest in"), field="t_min", default=5.0),
        _may("air to", cells.TEMPERATURE, field="t_max", default=35.0),
        _may("humidity from", cells.HUMIDITY, field="rh_min", default=20.0),
        _may("humidity to", cells.HUMIDITY, field="rh_max", default=80.0),
        _may(
            "set air from",
            cells.TEMPERATURE,
            say("the label's setting band: all four or none"),
            field="set_t_min",
        ),
        _may("set air to", cells.TEMPERATURE, field="set_t_max"),
        _may("set humidity from", cells.HUMIDITY, field="set_rh_min"),
        _may("set humidity to", cells.HUMIDITY, field="set_rh_max"),
        _may(
            "reading fresh hours",
            cells.HOURS,
            say("how old a reading may be at the start"),
            field="set_fresh_s",
            default=7_200,
        ),
        _may(
            "shelf life days",
            cells.whole(0, 36_500),
            say("from the day it was made"),
            field="shelf_life_days",
        ),
        _may("thickness", cells.LENGTH, say("of one panel"), field="thickness_nm", default=2_300_000),
        _may("width", cells.LENGTH, field="sheet_w_nm", default=1_219_200_000),
        _may("height", cells.LENGTH, field="sheet_h_nm", default=2_438_400_000),
        _may(
            "core tolerance",
            cells.KELVIN,
            say("kelvin from the room: the middle of a stack is warm"),
            field="core_tolerance_k",
            default=2.0,
        ),
        _may(
            "core binds",
            cells.YES_NO,
            say("no rest is done while the middle is cold"),
            field="core_is_binding",
            default=False,
        ),
        _may(
            "backing moisture from",
            cells.HUMIDITY,
            say("what the maker allows a pin meter: both or none"),
            field="moisture_min_pct",
        ),
        _may("backing moisture to", cells.HUMIDITY, field="moisture_max_pct"),
        _may("cure hours", cells.HOURS, say("adhesives: the air is watched so long"), field="cure_s"),
        _may("no washing hours", cells.HOURS, say("after the setting"), field="no_washing_s"),
        _may("no cooling hours", cells.HOURS, say("of a cold store"), field="no_cooling_s"),
    ),
    ("product",),
)
SUPPLIERS = Sheet(
    "Suppliers",
    (
        _must("supplier", cells.text(), field="name"),
        _may("e-mail", cells.MAIL, field="email", default=""),
        _may("lead days", cells.whole(0, 1_000), say("from order to arrival"), field="lead_days"),
    ),
    ("supplier",),
)
ROOMS = Sheet(
    "Rooms",
    (
        _JOB,
        _must("zone", cells.text()),
        _must("room", cells.text(160), field="name"),
        _must("substrate", cells.choice({one.label: one.value for one in Substrate}), field="substrate"),
        _must("fixing", _same(one.value for one in Fixing), field="fixing"),
        _must(
            "crew-hours",
            cells.amount(2, 9_999),
            say("hours that one crew works here"),
            field="crew_hours",
        ),
    ),
    ("job", "room"),
)
REQUIREMENTS = Sheet(
    "Requirements",
    (_JOB, _ROOM, _PRODUCT, _must("sheets", cells.COUNT, field="sheets")),
    ("job", "room", "product"),
)
CONSUMABLES = Sheet(
    "Consumables",
    (
        _JOB,
        _ROOM,
        _PRODUCT,
        _must("quantity", cells.amount(3, 999_999), say("in the product's unit"), field="quantity"),
    ),
    ("job", "room", "product"),
)
MILESTONES = Sheet(
    "Milestones",
    (
        _JOB,
        _must("milestone", cells.text(), say("work by others that rooms wait for"), field="name"),
        _may("before", _same(("install", "finish")), field="before", default="install"),
        _may("rooms", cells.LIST, say("parted by semicolons; empty: every room of the job"), default=()),
        _may("expected", cells.MOMENT),
    ),
    ("job", "milestone", "before"),
)
ORDERS = Sheet(
    "Orders",
    (
        _must("order", cells.text(40), say("its number; one row a line")),
        _JOB,
        _must("supplier", cells.text()),
        _may("ordered on", cells.DAY),
        _PRODUCT,
        _may("room", cells.text(160), say("empty: for no room yet"), default=""),
        _must("sheets", cells.COUNT, field="sheets"),
    ),
    ("order", "product", "room"),
)
PEOPLE = Sheet(
    "People",
    (
        _must("name", cells.text(), field="name"),
        _must("e-mail", cells.MAIL),
        _may("supplier", cells.text(), say("empty: one of your own"), default=""),
        _may("roles", cells.LIST, say("manager; crew lead; supplier"), default=()),
        _must("time zone", cells.ZONE, field="time_zone"),
    ),
    ("e-mail",),
)
CREWS = Sheet(
    "Crews",
    (
        _must("crew", cells.text(80), field="name"),
        _must("home time zone", cells.ZONE, field="home_zone"),
        _must("shifts", cells.WEEK, say("read on the clock of the site"), field="week"),
        _may("hands", cells.whole(1, 1_000), say("how many people"), field="hands", default=2),
        _may("people", cells.LIST, say("e-mail addresses, parted by semicolons"), default=()),
        _may("off", cells.SPANS, default=()),
        _may("jobs", cells.LIST, say("numbers of the jobs it is attached to"), default=()),
    ),
    ("crew",),
)

#: In the order they are loaded: each refers only to those before it.
SHEETS = (
    SITES,
    JOBS,
    ZONES,
    PRODUCTS,
    SUPPLIERS,
    ROOMS,
    REQUIREMENTS,
    CONSUMABLES,
    MILESTONES,
    ORDERS,
    PEOPLE,
    CREWS,
)
BY_NAME = {sheet.name.casefold(): sheet for sheet in SHEETS}
READ_ME = "Read me"
#: What the cell `roles` may say, and the column of the person that each sets.
ROLE_FIELDS = {"manager": "is_manager", "crew lead": "is_crew_lead", "supplier": "is_supplier"}
#: A humidity that was written as a share of one ends here at the latest.
SHARES_PCT = 1
