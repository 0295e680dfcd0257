"""What there will be after a workbook is loaded: the records of the database, with the file's rows over them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from jobs.core.conditions import Band
from jobs.models import Firm, Job, Person, Room, Site, Zone
from materials.models import Order, Product, Requirement
from scheduling.models import Crew
from scheduling.workbook.layout import (
    CREWS,
    JOBS,
    PEOPLE,
    PRODUCTS,
    REQUIREMENTS,
    ROOMS,
    SHARES_PCT,
    SITES,
    SUPPLIERS,
    ZONES,
)
from scheduling.workbook.rows import Rows, Typed


@dataclass(frozen=True, slots=True)
class KnownJob:
    """A job; `row` is its row in the file, None where the file does not speak of it."""

    site: str
    is_closed: bool = False
    row: int | None = None


@dataclass(frozen=True, slots=True)
class KnownZone:
    """A zone with its working band; None where the file's is no band."""

    band: Band | None
    row: int | None = None


@dataclass(frozen=True, slots=True)
class KnownProduct:
    """A product by the names of its record's fields: what they will be."""

    fields: Mapping[str, Any]
    row: int | None = None

    @property
    def kind(self) -> str:
        """Return its kind; empty where the file's cannot be read."""
        return str(self.fields.get("kind", ""))

    @property
    def is_panel(self) -> bool:
        """Return whether it is set on walls."""
        return self.kind in Product.PANELS

    @property
    def rest_band(self) -> Band | None:
        """Return the air it may rest in; None where it asks for no rest, or its limits are not whole."""
        if not self.fields.get("rest_required_s"):
            return None
        return band_of(self.fields, "t_min", "t_max", "rh_min", "rh_max")


@dataclass(frozen=True, slots=True)
class KnownRoom:
    """A room; empty words where the file's cannot be read."""

    zone: str
    fixing: str
    row: int | None = None


@dataclass(frozen=True, slots=True)
class KnownPerson:
    """Somebody with an account, in one of the firms."""

    firm: str
    is_suppliers: bool
    #: Whether only the file knows of them.
    is_new: bool = False


@dataclass(slots=True)
class Known:
    """All that rows may refer to, by what they are called."""

    sites: dict[str, str] = field(default_factory=dict)
    jobs: dict[str, KnownJob] = field(default_factory=dict)
    zones: dict[tuple[str, str], KnownZone] = field(default_factory=dict)
    products: dict[str, KnownProduct] = field(default_factory=dict)
    suppliers: set[str] = field(default_factory=set)
    contractors: set[str] = field(default_factory=set)
    rooms: dict[tuple[str, str], KnownRoom] = field(default_factory=dict)
    #: Job, room, product → row of the file, or None.
    requirements: dict[tuple[str, str, str], int | None] = field(default_factory=dict)
    #: Number → job and supplier, of the database only.
    orders: dict[str, tuple[str, str]] = field(default_factory=dict)
    #: By address in small letters.
    people: dict[str, KnownPerson] = field(default_factory=dict)
    crews: set[str] = field(default_factory=set)
    closed_crews: set[str] = field(default_factory=set)


def known_with(rows: Rows) -> Known:
    """Return what will be there when these rows are loaded; ten queries, whatever the file says."""
    known = _stored()
    _add_places(known, rows)
    _add_materials(known, rows)
    _add_people(known, rows)
    return known


def band_of(fields: Mapping[str, Any], *names: str) -> Band | None:
    """Return the band of four fields; None where one is missing or they are out of order."""
    t_min, t_max, rh_min, rh_max = (fields.get(name) for name in names)
    if t_min is None or t_max is None or rh_min is None or rh_max is None:
        return None
    return Band(t_min, t_max, rh_min, rh_max) if t_min <= t_max and rh_min <= rh_max else None


def _stored() -> Known:
    firms = list(Firm.objects.all())
    people = Person.objects.select_related("firm")
    zones = Zone.objects.select_related("job")
    rooms = Room.objects.select_related("job", "zone")
    orders = Order.objects.select_related("job", "supplier")
    requirements = Requirement.objects.values_list("room__job__number", "room__name", "product__name")
    crews = list(Crew.objects.all())
    return Known(
        sites=dict(Site.objects.values_list("name", "time_zone")),
        jobs={
            one.number: KnownJob(one.site.name, one.closed_at is not None)
            for one in Job.objects.select_related("site")
        },
        zones={
            (one.job.number, one.name): KnownZone(Band(one.t_min, one.t_max, one.rh_min, one.rh_max))
            for one in zones
        },
        products={one.name: KnownProduct(_fields_of(one)) for one in Product.objects.all()},
        suppliers={one.name for one in firms if one.kind == Firm.Kind.SUPPLIER},
        contractors={one.name for one in firms if one.kind == Firm.Kind.CONTRACTOR},
        rooms={(one.job.number, one.name): KnownRoom(one.zone.name, one.fixing) for one in rooms},
        requirements=dict.fromkeys(requirements),
        orders={one.number: (one.job.number, one.supplier.name) for one in orders},
        people={
            one.email.casefold(): KnownPerson(one.firm.name, one.firm.kind == Firm.Kind.SUPPLIER)
            for one in people
        },
        crews={one.name for one in crews},
        closed_crews={one.name for one in crews if one.closed_at is not None},
    )


def _fields_of(product: Product) -> dict[str, Any]:
    return {column.field: getattr(product, column.field) for column in PRODUCTS.columns}


def _add_places(known: Known, rows: Rows) -> None:
    for row in _keyed(rows, SITES.name, "site"):
        known.sites[row["site"]] = row.values.get("time zone", known.sites.get(row["site"], ""))
    for row in _keyed(rows, JOBS.name, "job"):
        was = known.jobs.get(row["job"], KnownJob(""))
        known.jobs[row["job"]] = replace(was, site=row.values.get("site", was.site), row=row.number)
    for row in _keyed(rows, ZONES.name, "job", "zone"):
        band = band_of(row.values, "air from", "air to", "humidity from", "humidity to")
        is_percent = band is not None and band.rh_max > SHARES_PCT
        known.zones[row["job"], row["zone"]] = KnownZone(band if is_percent else None, row.number)
    for row in _keyed(rows, ROOMS.name, "job", "room"):
        zone, fixing = (row.values.get(name, "") for name in ("zone", "fixing"))
        known.rooms[row["job"], row["room"]] = KnownRoom(zone, fixing, row.number)


def _add_materials(known: Known, rows: Rows) -> None:
    for row in _keyed(rows, PRODUCTS.name, "product"):
        was = known.products.get(row["product"])
        fields = dict(was.fields) if was else {one.field: one.default for one in PRODUCTS.columns}
        said = {one.field: row[one.name] for one in PRODUCTS.columns if row.has(one.name)}
        known.products[row["product"]] = KnownProduct(fields | said, row.number)
    for row in _keyed(rows, SUPPLIERS.name, "supplier"):
        known.suppliers.add(row["supplier"])
    for row in _keyed(rows, REQUIREMENTS.name, *REQUIREMENTS.key):
        known.requirements[row["job"], row["room"], row["product"]] = row.number


def _add_people(known: Known, rows: Rows) -> None:
    for row in _keyed(rows, PEOPLE.name, "e-mail"):
        supplier = row.values.get("supplier", "")
        known.people.setdefault(row["e-mail"].casefold(), KnownPerson(supplier, bool(supplier), is_new=True))
    for row in _keyed(rows, CREWS.name, "crew"):
        known.crews.add(row["crew"])


def _keyed(rows: Rows, sheet: str, *key: str) -> list[Typed]:
    return [row for row in rows.get(sheet, ()) if row.has(*key)]
