"""Whether the rows of a workbook agree: with each other, with what is known already, and with the trade."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Hashable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from difflib import get_close_matches

from django.core.exceptions import ValidationError

from jobs.core.conditions import Band
from jobs.core.prep import Fixing
from jobs.core.words import Say, say
from jobs.facts import check_expected
from jobs.models import Milestone, MilestoneReport, Person
from materials.models import Product
from scheduling.workbook.known import Known, KnownProduct, KnownRoom, KnownZone
from scheduling.workbook.layout import (
    CONSUMABLES,
    CREWS,
    JOBS,
    MILESTONES,
    ORDERS,
    PEOPLE,
    PRODUCTS,
    REQUIREMENTS,
    ROLE_FIELDS,
    ROOMS,
    SHARES_PCT,
    SITES,
    SUPPLIERS,
    ZONES,
    Sheet,
)
from scheduling.workbook.moments import instant_of
from scheduling.workbook.rows import Rows, Typed
from scheduling.workbook.wrong import Wrong

BANDS = (
    ("air from", "air to"),
    ("humidity from", "humidity to"),
    ("set air from", "set air to"),
    ("set humidity from", "set humidity to"),
    ("backing moisture from", "backing moisture to"),
)
#: Two readings further apart prove nothing of the time between, whatever a product says.
WEEK_S = 7 * 86_400
#: Columns that are filled in together or not at all, and what they are.
WHOLE = (
    (
        ("set air from", "set air to", "set humidity from", "set humidity to"),
        say("the label's band is written whole or not at all"),
    ),
    (
        ("backing moisture from", "backing moisture to"),
        say("what the maker allows is written whole or not at all"),
    ),
)


#: Sheet, row of the file (None: not in it), column, what stands there.
_Place = tuple[Sheet, int | None, str, str]

#: For so many names that are nowhere the nearest is sought; it takes time, and a page shows no more.
MOST_HINTS = 100


@dataclass(slots=True)
class _Book:
    """A workbook's rows with what they may refer to; sheets `without` a readable key are not asked again."""

    rows: Rows
    known: Known
    without: Collection[str]
    by: Person
    now: datetime
    zones_of: dict[str, set[str]] = field(default_factory=lambda: defaultdict(set))
    rooms_of: dict[str, set[str]] = field(default_factory=lambda: defaultdict(set))
    hints: dict[tuple[str, str], str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for of, name in self.known.zones:
            self.zones_of[of].add(name)
        for of, name in self.known.rooms:
            self.rooms_of[of].add(name)

    def of(self, sheet: Sheet) -> tuple[Typed, ...]:
        return self.rows.get(sheet.name, ())

    def one_of(self, name: str, names: Collection[str], to: Sheet) -> Say:
        """Return what a reference should be, with the nearest name."""
        key = (to.name, name)
        if key not in self.hints and len(self.hints) < MOST_HINTS:
            self.hints[key] = _nearest(name, names)
        thing = to.key[-1]
        if near := self.hints.get(key):
            return say("a {thing} of the sheet {sheet}: “{near}”?", thing=thing, sheet=to.name, near=near)
        return say("a {thing} of the sheet {sheet}, or one known already", thing=thing, sheet=to.name)


def wrongs(
    rows: Rows, known: Known, *, without: Collection[str], by: Person, now: datetime
) -> Iterator[Wrong]:
    """Return what does not agree, in no order.

    Args:
        without: names of sheets whose key columns are missing: that nothing is found in them was said already.
        by: who would load the workbook.
    """
    book = _Book(rows, known, without, by, now)
    for part in (_places, _products, _suppliers, _needs, _panels, _milestones, _orders, _people, _crews):
        yield from part(book)


# ---- references ----


def _refers(
    book: _Book, sheet: Sheet, row: Typed, column: str, names: Collection[str], to: Sheet
) -> Iterator[Wrong]:
    """Say that a cell names nothing that is there."""
    if row.has(column) and row[column]:
        yield from _named(book, sheet, row, column, row[column], names, to)


def _named(
    book: _Book, sheet: Sheet, row: Typed, column: str, name: str, names: Collection[str], to: Sheet
) -> Iterator[Wrong]:
    if name not in names and to.name not in book.without:
        yield Wrong(sheet.name, row.number, column, name, book.one_of(name, names, to))


def _nearest(name: str, names: Collection[str]) -> str:
    """Return the name that was probably meant, or nothing."""
    same = (one for one in names if one.casefold() == name.casefold())
    return next(same, "") or next(iter(get_close_matches(name, names, n=1, cutoff=0.7)), "")


# ---- places ----


def _places(book: _Book) -> Iterator[Wrong]:
    known = book.known
    for row in book.of(JOBS):
        yield from _refers(book, JOBS, row, "site", known.sites, SITES)
    for row in book.of(ZONES):
        yield from _refers(book, ZONES, row, "job", known.jobs, JOBS)
        yield from _band(ZONES, row)
    for row in book.of(ROOMS):
        yield from _refers(book, ROOMS, row, "job", known.jobs, JOBS)
        if row.has("job") and row["job"] in known.jobs:
            yield from _refers(book, ROOMS, row, "zone", book.zones_of[row["job"]], ZONES)


def _band(sheet: Sheet, row: Typed) -> Iterator[Wrong]:
    """Say that a band ends below its beginning, or that its humidity is no percentage."""
    for low, high in BANDS:
        if low not in sheet.heads or not row.has(low, high) or row[low] is None or row[high] is None:
            continue
        if row[low] > row[high]:
            right = say("a number from {low} on, as “{name}” says", low=row[low], name=low)
            yield Wrong(sheet.name, row.number, high, sheet.column(high).kind.show(row[high]), right)
        elif "humidity" in high and row[high] <= SHARES_PCT:
            right = say("percent: 55, not 0.55")
            yield Wrong(sheet.name, row.number, high, sheet.column(high).kind.show(row[high]), right)


# ---- products ----


def _products(book: _Book) -> Iterator[Wrong]:
    for row in book.of(PRODUCTS):
        yield from _band(PRODUCTS, row)
        if row.has("product"):
            yield from _product(row, book.known.products[row["product"]])


def _product(row: Typed, product: KnownProduct) -> Iterator[Wrong]:
    for names, why in WHOLE:
        yield from _in_part(row, product, names, why)
    for name in ("longest gap hours", "fine gap hours", "reading fresh hours"):
        if row.has(name) and row[name] == 0:
            yield Wrong(PRODUCTS.name, row.number, name, "0", say("more than 0 hours"))
    for name in ("longest gap hours", "fine gap hours"):
        if row.has(name) and row[name] > WEEK_S:
            seen = PRODUCTS.column(name).kind.show(row[name])
            yield Wrong(PRODUCTS.name, row.number, name, seen, say("at most 168 hours: a week"))
    if row.values.get("one batch") and product.kind and not product.is_panel:
        right = say("no, or empty: only panels are set from one batch")
        yield Wrong(PRODUCTS.name, row.number, "one batch", "yes", right)
    if row.values.get("water-borne") and product.kind not in ("", Product.Kind.ADHESIVE):
        right = say("no, or empty: only adhesives are water-borne")
        yield Wrong(PRODUCTS.name, row.number, "water-borne", "yes", right)


def _in_part(row: Typed, product: KnownProduct, names: Sequence[str], why: Say) -> Iterator[Wrong]:
    said = [name for name in names if product.fields.get(PRODUCTS.column(name).field) is not None]
    if not 0 < len(said) < len(names):
        return
    for name in names:
        if name not in said and (row.has(name) or name not in row.values):
            right = say("{right}: {why}", right=PRODUCTS.column(name).kind.right, why=why)
            yield Wrong(PRODUCTS.name, row.number, name, "", right)


def _suppliers(book: _Book) -> Iterator[Wrong]:
    for row in book.of(SUPPLIERS):
        if row.has("supplier") and row["supplier"] in book.known.contractors:
            right = say("another firm: this is your own")
            yield Wrong(SUPPLIERS.name, row.number, "supplier", row["supplier"], right)


# ---- what rooms need ----


def _needs(book: _Book) -> Iterator[Wrong]:
    for sheet in (REQUIREMENTS, CONSUMABLES):
        for row in book.of(sheet):
            yield from _refers(book, sheet, row, "job", book.known.jobs, JOBS)
            yield from _room_of(book, sheet, row)
            yield from _refers(book, sheet, row, "product", book.known.products, PRODUCTS)
            yield from _kind_of(book, sheet, row, is_panel=sheet is REQUIREMENTS)


def _room_of(book: _Book, sheet: Sheet, row: Typed) -> Iterator[Wrong]:
    if row.has("job") and row["job"] in book.known.jobs:
        yield from _refers(book, sheet, row, "room", book.rooms_of[row["job"]], ROOMS)


def _kind_of(book: _Book, sheet: Sheet, row: Typed, *, is_panel: bool) -> Iterator[Wrong]:
    """Say that a panel stands among the consumables, or something else among the panels."""
    product = book.known.products.get(row.values.get("product", ""))
    if product is None or not product.kind or product.is_panel == is_panel:
        return
    kinds = {"kind": product.kind, "sheet": CONSUMABLES.name}
    right = say("a panel: this is of the kind {kind} and belongs to the sheet {sheet}", **kinds)
    if not is_panel:
        kinds["sheet"] = REQUIREMENTS.name
        right = say("no panel: this is of the kind {kind} and belongs to the sheet {sheet}", **kinds)
    yield Wrong(sheet.name, row.number, "product", row["product"], right)


def _panels(book: _Book) -> Iterator[Wrong]:
    """Say which panels a room cannot take: fixed in another way, or never at rest in its zone's air."""
    known = book.known
    for (job, name, product_name), at in known.requirements.items():
        room, product = known.rooms.get((job, name)), known.products.get(product_name)
        if room is not None and product is not None and product.is_panel:
            needs = (REQUIREMENTS, at, "product", product_name)
            yield from _fixed(room, product, needs, name)
            yield from _rests(room, product, needs, known.zones.get((job, room.zone)))


def _fixed(room: KnownRoom, product: KnownProduct, needs: _Place, name: str) -> Iterator[Wrong]:
    wanted = Product.Kind.BACKED if room.fixing == Fixing.BACKED else Product.Kind.SHEET
    if not room.fixing or product.kind == wanted:
        return
    names = {"room": name, "product": needs[3]}
    right = say("a sheet to be glued: {room} is glued, and {product} is a backed panel", **names)
    if wanted is Product.Kind.BACKED:
        right = say("a backed panel: {room} is fixed to studs, and {product} is a sheet to be glued", **names)
    around = ((ROOMS, room.row, "fixing", room.fixing), (PRODUCTS, product.row, "kind", product.kind))
    yield from _at_first((needs, *around), right)


def _rests(room: KnownRoom, product: KnownProduct, needs: _Place, zone: KnownZone | None) -> Iterator[Wrong]:
    if zone is None or zone.band is None or product.rest_band is None or zone.band.within(product.rest_band):
        return
    air, limits = _band_text(zone.band), _band_text(product.rest_band)
    right = say(
        "air that both allow: {zone} has {air}, and {product} rests only in {limits}",
        zone=room.zone,
        air=air,
        product=needs[3],
        limits=limits,
    )
    around = (
        (ROOMS, room.row, "zone", room.zone),
        (ZONES, zone.row, "air from", air),
        (PRODUCTS, product.row, "air from", limits),
    )
    yield from _at_first((needs, *around), right)


def _at_first(places: Iterable[_Place], right: Say) -> Iterator[Wrong]:
    """Say it at the first of the places that is in the file: the requirement, else what changes around it."""
    for sheet, row, column, seen in places:
        if row is not None:
            yield Wrong(sheet.name, row, column, seen, right)
            return


def _band_text(band: Band) -> str:
    return f"{band.t_min:g}–{band.t_max:g} °C, {band.rh_min:g}–{band.rh_max:g} %"


# ---- milestones ----


def _milestones(book: _Book) -> Iterator[Wrong]:
    for row in book.of(MILESTONES):
        yield from _refers(book, MILESTONES, row, "job", book.known.jobs, JOBS)
        if not row.has("job") or row["job"] not in book.known.jobs:
            continue
        rooms = book.rooms_of[row["job"]]
        for name in row.values.get("rooms", ()):
            yield from _named(book, MILESTONES, row, "rooms", name, rooms, ROOMS)
        if row.values.get("expected") is not None:
            yield from _expected(book, row)


def _expected(book: _Book, row: Typed) -> Iterator[Wrong]:
    job = book.known.jobs[row["job"]]
    site_zone = book.known.sites.get(job.site)
    if not site_zone:
        return
    seen = row["expected"].strftime("%Y-%m-%d %H:%M")
    at = instant_of(row["expected"], site_zone)
    try:
        check_expected(at, now=book.now)
    except ValidationError:
        right = say("a time at most five years ahead; look at the year")
        yield Wrong(MILESTONES.name, row.number, "expected", seen, right)
    if job.is_closed and at not in _reported(row):
        right = say("nothing new: job {job} is closed, and nothing more is recorded for it", job=row["job"])
        yield Wrong(MILESTONES.name, row.number, "expected", seen, right)


def _reported(row: Typed) -> set[datetime | None]:
    """Return when a milestone was ever said to be expected."""
    milestones = Milestone.objects.filter(
        job__number=row["job"], name=row.values.get("milestone", ""), before=row.get(MILESTONES, "before")
    )
    reports = MilestoneReport.objects.filter(milestone__in=milestones)
    return set(reports.values_list("expected_at", flat=True))


# ---- orders ----


def _orders(book: _Book) -> Iterator[Wrong]:
    known = book.known
    heads: dict[Hashable, Typed] = {}
    for row in book.of(ORDERS):
        yield from _refers(book, ORDERS, row, "job", known.jobs, JOBS)
        yield from _refers(book, ORDERS, row, "supplier", known.suppliers, SUPPLIERS)
        yield from _refers(book, ORDERS, row, "product", known.products, PRODUCTS)
        yield from _kind_of(book, ORDERS, row, is_panel=True)
        yield from _room_of(book, ORDERS, row)
        if row.has("order"):
            yield from _same_order(row, heads.setdefault(row["order"], row))
            yield from _same_as_known(row, known.orders.get(row["order"]))


def _same_order(row: Typed, first: Typed) -> Iterator[Wrong]:
    """Say that two lines of one order tell different things of it."""
    for name in ("job", "supplier", "ordered on"):
        if row.has(name) and first.has(name) and row[name] != first[name]:
            right = say(
                "{value}, as row {row} says of this order", value=str(first[name] or "—"), row=first.number
            )
            yield Wrong(ORDERS.name, row.number, name, str(row[name] or ""), right)


def _same_as_known(row: Typed, order: tuple[str, str] | None) -> Iterator[Wrong]:
    for name, value in zip(("job", "supplier"), order or (), strict=False):
        if row.has(name) and row[name] != value:
            right = say("{value}: order {order} is known, and stays theirs", value=value, order=row["order"])
            yield Wrong(ORDERS.name, row.number, name, row[name], right)


# ---- people and crews ----


def _people(book: _Book) -> Iterator[Wrong]:
    for row in book.of(PEOPLE):
        yield from _refers(book, PEOPLE, row, "supplier", book.known.suppliers, SUPPLIERS)
        yield from _roles(book, row)
        if row.has("e-mail"):
            yield from _same_firm(book, row)
            yield from _locked_out(book, row)


def _roles(book: _Book, row: Typed) -> Iterator[Wrong]:
    """Say which roles a person cannot have; without the column, who is known keeps theirs."""
    known = book.known.people.get(row.values.get("e-mail", "").casefold())
    if not row.has("roles") and known is not None and not known.is_new:
        return
    supplier, roles = row.get(PEOPLE, "supplier"), row.get(PEOPLE, "roles")
    words, seen = [word.casefold() for word in roles], "; ".join(roles)
    if unknown := [word for word in roles if word.casefold() not in ROLE_FIELDS]:
        right = say("one of: {words}", words="; ".join(ROLE_FIELDS))
        yield Wrong(PEOPLE.name, row.number, "roles", unknown[0], right)
    elif supplier and set(words) - {"supplier"}:
        right = say("supplier alone: whoever is a supplier's has no other role here")
        yield Wrong(PEOPLE.name, row.number, "roles", seen, right)
    elif not supplier and "supplier" in words:
        right = say("the name of the supplier: a person with this role belongs to one")
        yield Wrong(PEOPLE.name, row.number, "supplier", "", right)
    elif not supplier and not words:
        right = say("manager, crew lead, or both: without a role there is nothing to see")
        yield Wrong(PEOPLE.name, row.number, "roles", "", right)


def _same_firm(book: _Book, row: Typed) -> Iterator[Wrong]:
    person = book.known.people[row["e-mail"].casefold()]
    if row.has("supplier") and row["supplier"] != (person.firm if person.is_suppliers else ""):
        right = say("the firm this person is known in: {firm}", firm=person.firm)
        yield Wrong(PEOPLE.name, row.number, "supplier", row["supplier"], right)


def _locked_out(book: _Book, row: Typed) -> Iterator[Wrong]:
    words = {word.casefold() for word in row.values.get("roles", ("manager",))}
    if row["e-mail"].casefold() == book.by.email.casefold() and "manager" not in words:
        right = say("manager among them: nobody takes this role from themselves")
        yield Wrong(PEOPLE.name, row.number, "roles", "; ".join(row.values.get("roles", ())), right)


def _crews(book: _Book) -> Iterator[Wrong]:
    known = book.known
    addresses = [address for address, person in known.people.items() if not person.is_suppliers]
    for row in book.of(CREWS):
        if row.has("crew") and row["crew"] in known.closed_crews:
            right = say("another name: this crew is closed")
            yield Wrong(CREWS.name, row.number, "crew", row["crew"], right)
        for address in row.values.get("people", ()):
            yield from _in_crew(book, row, address, addresses)
        for job in row.values.get("jobs", ()):
            yield from _named(book, CREWS, row, "jobs", job, known.jobs, JOBS)


def _in_crew(book: _Book, row: Typed, address: str, own: Collection[str]) -> Iterator[Wrong]:
    person = book.known.people.get(address.casefold())
    if person is None:
        yield from _named(book, CREWS, row, "people", address, own, PEOPLE)
    elif person.is_suppliers:
        right = say("one of your own people: this one is of {firm}", firm=person.firm)
        yield Wrong(CREWS.name, row.number, "people", address, right)
