"""Loading a checked workbook: all of it in one transaction, each record with its history, twice the same as once.

What a later file no longer names stays as it is: nothing is taken away by leaving it out.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, TypeVar
from uuid import UUID, uuid5

from django.core.exceptions import ValidationError
from django.db import IntegrityError, models, transaction
from django.utils.translation import gettext as _

from jobs.core.words import say
from jobs.core.worktime import time_zone
from jobs.facts import Envelope, raise_versions
from jobs.models import Closure, Firm, Job, Milestone, MilestoneReport, Person, Room, Site, Zone
from jobs.services import seen
from jobs.services.records import add_record, edit_members, edit_record
from materials.models import ConsumableNeed, Order, OrderLine, Product, Requirement
from scheduling.models import Crew, CrewMember, JobCrew, TimeOff
from scheduling.services.crews import add_to_crew, attach_crew
from scheduling.workbook import layout
from scheduling.workbook.cells import Span
from scheduling.workbook.layout import ROLE_FIELDS, SHEETS, Sheet
from scheduling.workbook.moments import instant_of
from scheduling.workbook.rows import Rows, Typed
from scheduling.workbook.wrong import Wrong

AnyRecord = TypeVar("AnyRecord", bound=models.Model)

#: The name space of what workbooks say; any constant would do, it must only never change.
WORKBOOK_NAMESPACE = UUID("2f1c54f5-95c3-5c0a-8a56-d0b3a1d6f9e4")


class LoadRefused(Exception):
    """The database refuses a row that the checks let through; nothing was loaded."""

    def __init__(self, wrong: Wrong) -> None:
        super().__init__(f"{wrong.sheet} {wrong.row}")
        self.wrong = wrong


@dataclass(frozen=True, slots=True)
class Edit:
    """What a column of a record said, and what it says now; empty where there was or is nothing."""

    column: str
    before: str
    after: str


@dataclass(frozen=True, slots=True)
class EditedRow:
    """A row of the file that changed what was there."""

    sheet: str
    number: int
    name: str
    edits: tuple[Edit, ...]


@dataclass(frozen=True, slots=True)
class Count:
    """What became of the rows of a sheet."""

    sheet: str
    new: int
    changed: int
    same: int


@dataclass(frozen=True, slots=True)
class Loaded:
    """What a workbook did, or would do."""

    counts: tuple[Count, ...]
    edited: tuple[EditedRow, ...]

    @property
    def total(self) -> Count:
        """Return the sums over all sheets."""
        sums = (sum(getattr(one, name) for one in self.counts) for name in ("new", "changed", "same"))
        return Count("", *sums)


def load(rows: Rows, *, name: str, digest: str, by: Person, now: datetime) -> Loaded:
    """Load rows in which nothing is wrong; the same again changes nothing.

    Args:
        name: of the file, kept as the reason in each record's history.
        digest: the file's SHA-256, which makes the ids of the facts it records.

    Raises:
        LoadRefused: a row is refused all the same; nothing is loaded.
    """
    with transaction.atomic():
        # Two loads at one time would both find a record missing; the second waits, and finds it.
        Firm.objects.select_for_update(no_key=True).get(pk=by.firm_id)
        loading = _Loading(_Stored(), _("workbook %(name)s") % {"name": name}, digest, by, now)
        for sheet in SHEETS:
            for row in rows.get(sheet.name, ()):
                loading.take(sheet, row)
        raise_versions(sorted(loading.rooms), now=now)
        return loading.loaded(rows)


def preview(rows: Rows, *, name: str, digest: str, by: Person, now: datetime) -> Loaded:
    """Return what `load` would do: it is done, and undone.

    Raises:
        LoadRefused: as `load`.
    """
    with transaction.atomic():
        loaded = load(rows, name=name, digest=digest, by=by, now=now)
        transaction.set_rollback(True)
    return loaded


class _Stored:
    """The records by what a workbook calls them; what is loaded joins them."""

    def __init__(self) -> None:
        jobs = Job.objects.select_related("site")
        zones = Zone.objects.select_related("job")
        rooms = Room.objects.select_related("job__site", "zone")
        milestones = Milestone.objects.prefetch_related("rooms")
        orders = Order.objects.select_related("job", "supplier")
        self.sites = {one.name: one for one in Site.objects.prefetch_related("closures")}
        self.jobs = {one.number: one for one in jobs}
        self.zones = {(one.job.number, one.name): one for one in zones}
        self.products = {one.name: one for one in Product.objects.all()}
        self.firms = {one.name: one for one in Firm.objects.all()}
        self.rooms = {(one.job.number, one.name): one for one in rooms}
        self.requirements = {(one.room_id, one.product_id): one for one in Requirement.objects.all()}
        self.needs = {(one.room_id, one.product_id): one for one in ConsumableNeed.objects.all()}
        self.milestones = {(one.job_id, one.name, one.before): one for one in milestones}
        self.orders = {one.number: one for one in orders}
        self.lines = {(one.order_id, one.product_id, one.room_id): one for one in OrderLine.objects.all()}
        self.people = {one.email.casefold(): one for one in Person.objects.select_related("firm")}
        self.crews = {one.name: one for one in Crew.objects.prefetch_related("time_off")}
        members = CrewMember.objects.filter(to_on__isnull=True)
        self.members = set(members.values_list("crew", "person"))
        self.attached = set(JobCrew.objects.values_list("crew", "job"))


@dataclass(slots=True)
class _Out:
    """What becomes of one row."""

    sheet: Sheet
    row: Typed
    is_new: bool = False
    edits: list[Edit] = field(default_factory=list)

    def edit(self, column: str, before: str, after: str) -> None:
        self.edits.append(Edit(column, before, after))

    @property
    def name(self) -> str:
        """Return what the row speaks of."""
        return ", ".join(str(self.row.get(self.sheet, name)) for name in self.sheet.key).strip(", ")


@dataclass(frozen=True, slots=True)
class _Link:
    """A record that another refers to: the column of the sheet that names it."""

    column: str
    record: models.Model | None


@dataclass(slots=True)
class _Loading:
    """One workbook under way."""

    stored: _Stored
    reason: str
    digest: str
    by: Person
    now: datetime
    counts: dict[str, Counter[str]] = field(default_factory=dict)
    edited: list[EditedRow] = field(default_factory=list)
    #: Rooms whose holds may be others now.
    rooms: set[int] = field(default_factory=set)

    def take(self, sheet: Sheet, row: Typed) -> None:
        """Load one row and count what it did."""
        out = _Out(sheet, row)
        try:
            touched = _TAKES[sheet.name](self, out)
        except ValidationError as error:
            why = say("{why}", why=" ".join(error.messages))
            raise LoadRefused(Wrong(sheet.name, row.number, "", out.name, why)) from error
        except IntegrityError as error:
            why = say("what nobody else has recorded in the meantime; read the file again")
            raise LoadRefused(Wrong(sheet.name, row.number, "", out.name, why)) from error
        state = "new" if out.is_new else "changed" if out.edits else "same"
        self.counts.setdefault(sheet.name, Counter())[state] += 1
        if state == "changed":
            self.edited.append(EditedRow(sheet.name, row.number, out.name, tuple(out.edits)))
        if state != "same":
            self.rooms |= set(touched)

    def loaded(self, rows: Rows) -> Loaded:
        """Return what became of the rows, by sheet in the order of the file."""
        counts = (
            Count(name, counted["new"], counted["changed"], counted["same"])
            for name, counted in ((sheet.name, self.counts.get(sheet.name, Counter())) for sheet in SHEETS)
            if rows.get(name)
        )
        return Loaded(tuple(counts), tuple(self.edited))

    def store(
        self,
        out: _Out,
        old: AnyRecord | None,
        model: type[AnyRecord],
        links: Mapping[str, _Link] | None = None,
        /,
        **fixed: Any,
    ) -> AnyRecord:
        """Add or edit the record of a row; a column that the sheet lacks leaves an old one as it is.

        Args:
            links: by field, the records it refers to.
            fixed: by field, what is not a column's value; only for a new record.
        """
        values = {
            column.field: (column.name, out.row.get(out.sheet, column.name), column.kind.show)
            for column in out.sheet.columns
            if column.field and (old is None or out.row.has(column.name))
        }
        for name, link in (links or {}).items():
            values[name] = (link.column, link.record, str)
        if old is None:
            out.is_new = True
            record = model(**fixed, **{name: value for name, (_column, value, _show) in values.items()})
            return add_record(record, by=self.by, now=self.now)
        changes = {}
        for name, (column, value, show) in values.items():
            before = getattr(old, name)
            if before != value:
                changes[name] = value
                out.edit(column, *("" if one is None else show(one) for one in (before, value)))
        if changes:
            edit_record(old, changes, by=self.by, now=self.now, reason=self.reason)
        return old

    def add(self, record: AnyRecord) -> AnyRecord:
        """Store a record that a cell of a row speaks of."""
        return add_record(record, by=self.by, now=self.now)


# ---- places ----


def _site(loading: _Loading, out: _Out) -> Iterable[int]:
    stored, row = loading.stored, out.row
    site = loading.store(out, stored.sites.get(row["site"]), Site)
    stored.sites[row["site"]] = site
    spans = row.get(out.sheet, "closed")
    _off(loading, out, "closed", spans, list(site.closures.all()), lambda span: _closure(site, span))
    return _pks(Room.objects.filter(job__site=site))


def _closure(site: Site, span: Span) -> Closure:
    return Closure(site=site, from_on=span.from_on, to_on=span.to_on, reason=span.reason or _("closed"))


def _off(
    loading: _Loading,
    out: _Out,
    column: str,
    spans: Sequence[Span],
    known: Sequence[Closure | TimeOff],
    make: Callable[[Span], Closure | TimeOff],
) -> None:
    """Add the days that are not known; the same days with another reason keep their record."""
    by_days = {(one.from_on, one.to_on): one for one in known}
    for span in spans:
        old = by_days.get((span.from_on, span.to_on))
        if old is None:
            loading.add(make(span))
            out.edit(column, "", str(span))
        elif span.reason and span.reason != old.reason:
            out.edit(column, old.reason, span.reason)
            edit_record(old, {"reason": span.reason}, by=loading.by, now=loading.now, reason=loading.reason)


def _job(loading: _Loading, out: _Out) -> Iterable[int]:
    stored, row = loading.stored, out.row
    links = {"site": _Link("site", stored.sites[row["site"]])}
    job = loading.store(out, stored.jobs.get(row["job"]), Job, links)
    stored.jobs[row["job"]] = job
    return _pks(Room.objects.filter(job=job))


def _zone(loading: _Loading, out: _Out) -> Iterable[int]:
    stored, row = loading.stored, out.row
    key = (row["job"], row["zone"])
    zone = loading.store(out, stored.zones.get(key), Zone, job=stored.jobs[row["job"]])
    stored.zones[key] = zone
    return _pks(Room.objects.filter(zone=zone))


def _room(loading: _Loading, out: _Out) -> Iterable[int]:
    stored, row = loading.stored, out.row
    key = (row["job"], row["room"])
    links = {"zone": _Link("zone", stored.zones[row["job"], row["zone"]])}
    room = loading.store(out, stored.rooms.get(key), Room, links, job=stored.jobs[row["job"]])
    stored.rooms[key] = room
    return [room.pk]


# ---- materials ----


def _product(loading: _Loading, out: _Out) -> Iterable[int]:
    stored, row = loading.stored, out.row
    product = loading.store(out, stored.products.get(row["product"]), Product)
    stored.products[row["product"]] = product
    touched = models.Q(requirements__product=product) | models.Q(consumable_needs__product=product)
    return _pks(Room.objects.filter(touched | models.Q(placements__product=product)))


def _supplier(loading: _Loading, out: _Out) -> Iterable[int]:
    stored, row = loading.stored, out.row
    firm = loading.store(out, stored.firms.get(row["supplier"]), Firm, kind=Firm.Kind.SUPPLIER)
    stored.firms[row["supplier"]] = firm
    return _pks(Room.objects.filter(order_lines__order__supplier=firm))


def _requirement(loading: _Loading, out: _Out) -> Iterable[int]:
    return _need(loading, out, Requirement, loading.stored.requirements)


def _consumable(loading: _Loading, out: _Out) -> Iterable[int]:
    return _need(loading, out, ConsumableNeed, loading.stored.needs)


def _need(
    loading: _Loading, out: _Out, kind: type[AnyRecord], known: dict[tuple[int, int], AnyRecord]
) -> Iterable[int]:
    stored, row = loading.stored, out.row
    room, product = stored.rooms[row["job"], row["room"]], stored.products[row["product"]]
    key = (room.pk, product.pk)
    known[key] = loading.store(out, known.get(key), kind, room=room, product=product)
    return [room.pk]


def _order(loading: _Loading, out: _Out) -> Iterable[int]:
    """Load one line of an order, and the order with the first of them."""
    stored, row = loading.stored, out.row
    order = stored.orders.get(row["order"])
    if order is None:
        order = Order(
            number=row["order"],
            job=stored.jobs[row["job"]],
            supplier=stored.firms[row["supplier"]],
            ordered_on=row.get(out.sheet, "ordered on"),
        )
        stored.orders[row["order"]] = loading.add(order)
    elif row.has("ordered on") and row["ordered on"] != order.ordered_on:
        out.edit("ordered on", str(order.ordered_on or ""), str(row["ordered on"] or ""))
        changes = {"ordered_on": row["ordered on"]}
        edit_record(order, changes, by=loading.by, now=loading.now, reason=loading.reason)
    product = stored.products[row["product"]]
    room = stored.rooms[row["job"], row["room"]] if row.get(out.sheet, "room") else None
    key = (order.pk, product.pk, room.pk if room else None)
    line = loading.store(out, stored.lines.get(key), OrderLine, order=order, product=product, room=room)
    stored.lines[key] = line
    return [room.pk] if room else []


# ---- milestones ----


def _milestone(loading: _Loading, out: _Out) -> Iterable[int]:
    stored, row = loading.stored, out.row
    job = stored.jobs[row["job"]]
    key = (job.pk, row["milestone"], row.get(out.sheet, "before"))
    milestone = loading.store(out, stored.milestones.get(key), Milestone, job=job)
    stored.milestones[key] = milestone
    before = {room.pk: room for room in milestone.rooms.all()}
    after = {room.pk: room for room in _rooms_waiting(loading, out)}
    if (out.is_new or out.row.has("rooms")) and set(before) != set(after):
        out.edit("rooms", *("; ".join(sorted(room.name for room in one.values())) for one in (before, after)))
        members = list(after.values())
        edit_members(milestone, "rooms", members, by=loading.by, now=loading.now, reason=loading.reason)
    if row.get(out.sheet, "expected") is not None:
        _expect(loading, out, milestone)
    return {*before, *after}


def _rooms_waiting(loading: _Loading, out: _Out) -> list[Room]:
    """Return the rooms that a milestone's row names; where it names none, all of the job."""
    rooms, job = loading.stored.rooms, out.row["job"]
    if names := out.row.get(out.sheet, "rooms"):
        return [rooms[job, name] for name in names]
    return [room for (of, _name), room in rooms.items() if of == job]


def _expect(loading: _Loading, out: _Out, milestone: Milestone) -> None:
    """Record when a milestone is expected, unless that stands, it is done, or this very file said so before."""
    at = instant_of(out.row["expected"], milestone.job.site.time_zone)
    reports = MilestoneReport.objects.standing().filter(milestone=milestone)
    latest = reports.order_by("happened_at", "recorded_at", "pk").last()
    if latest is not None and (latest.is_done or latest.expected_at == at):
        return
    ident = uuid5(WORKBOOK_NAMESPACE, f"{milestone.pk}/{at.isoformat()}/{loading.digest}")
    if MilestoneReport.objects.filter(pk=ident).exists():
        return
    envelope = Envelope(id=ident, happened_at=loading.now, by=loading.by, now=loading.now)
    seen.report_milestone(envelope, milestone=milestone, is_done=False, expected_at=at)
    zone = time_zone(milestone.job.site.time_zone)
    before = latest.expected_at.astimezone(zone) if latest and latest.expected_at else None
    out.edit(
        "expected", f"{before:%Y-%m-%d %H:%M}" if before else "", f"{out.row['expected']:%Y-%m-%d %H:%M}"
    )


# ---- people and crews ----


def _person(loading: _Loading, out: _Out) -> Iterable[int]:
    stored, row = loading.stored, out.row
    key = row["e-mail"].casefold()
    old = stored.people.get(key)
    supplier = row.get(out.sheet, "supplier")
    words = {word.casefold() for word in row.get(out.sheet, "roles")} or {"supplier"}
    roles = {column: word in words for word, column in ROLE_FIELDS.items()}
    if old is None:
        firm = stored.firms[supplier] if supplier else loading.by.firm
        fields: dict[str, Any] = {"email": row["e-mail"], "firm": firm, **roles}
        stored.people[key] = loading.store(out, None, Person, **fields)
        return []
    loading.store(out, old, Person)
    changes = {column: has for column, has in roles.items() if getattr(old, column) != has}
    if row.has("roles") and changes:
        out.edit("roles", "; ".join(_roles_of(old)), "; ".join(sorted(words)))
        edit_record(old, changes, by=loading.by, now=loading.now, reason=loading.reason)
    return []


def _roles_of(person: Person) -> list[str]:
    return sorted(word for word, column in ROLE_FIELDS.items() if getattr(person, column))


def _crew(loading: _Loading, out: _Out) -> Iterable[int]:
    stored, row = loading.stored, out.row
    crew = loading.store(out, stored.crews.get(row["crew"]), Crew)
    stored.crews[row["crew"]] = crew
    today = loading.now.astimezone(time_zone(crew.home_zone)).date()
    for address in row.get(out.sheet, "people"):
        person = stored.people[address.casefold()]
        if (crew.pk, person.pk) not in stored.members:
            add_to_crew(person, crew, from_on=today, now=loading.now)
            out.edit("people", "", person.email)
    spans = row.get(out.sheet, "off")
    _off(loading, out, "off", spans, list(crew.time_off.all()), lambda span: _time_off(crew, span))
    for number in row.get(out.sheet, "jobs"):
        job = stored.jobs[number]
        if (crew.pk, job.pk) not in stored.attached:
            attach_crew(crew, job, now=loading.now)
            out.edit("jobs", "", number)
    return _pks(Room.objects.filter(assignment_facts__crew=crew))


def _time_off(crew: Crew, span: Span) -> TimeOff:
    return TimeOff(crew=crew, from_on=span.from_on, to_on=span.to_on, reason=span.reason)


def _pks(rooms: models.QuerySet[Room]) -> Iterable[int]:
    return rooms.values_list("pk", flat=True)


#: By sheet, what loads a row: it returns the rooms whose holds the row may change.
_TAKES: Mapping[str, Callable[[_Loading, _Out], Iterable[int]]] = {
    layout.SITES.name: _site,
    layout.JOBS.name: _job,
    layout.ZONES.name: _zone,
    layout.PRODUCTS.name: _product,
    layout.SUPPLIERS.name: _supplier,
    layout.ROOMS.name: _room,
    layout.REQUIREMENTS.name: _requirement,
    layout.CONSUMABLES.name: _consumable,
    layout.MILESTONES.name: _milestone,
    layout.ORDERS.name: _order,
    layout.PEOPLE.name: _person,
    layout.CREWS.name: _crew,
}
