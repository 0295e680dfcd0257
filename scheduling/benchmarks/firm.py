"""An invented firm of any size, in rows: what the figures of scheduling are taken on.

Nothing is left to chance: the same calls make the same rows, but for the instants, which count from `now`.
Rooms stand at every step from "ordered" to "begun", so that each hold is held somewhere.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from decimal import Decimal
from enum import IntEnum
from math import pi, sin
from random import Random
from typing import Any, TypeVar
from uuid import UUID, uuid5

from django.db import transaction
from django.db.models import Model

from jobs import models as seen
from jobs.core.logger_values import Reading as ReadOut
from jobs.core.worktime import instant_at, time_zone
from jobs.models import (
    Access,
    Entry,
    Fact,
    Firm,
    Job,
    Milestone,
    Person,
    ReadingFile,
    Right,
    Room,
    Zone,
)
from jobs.models import Site as SitePlace
from jobs.models.envelope import EntryRoom, FactPart
from jobs.says import to_json
from jobs.services.readings import Voice, add_readings
from jobs.services.seen import needed_checks
from materials import models as stock
from materials.models import ConsumableNeed, Order, OrderLine, Product, Requirement
from scheduling import models as work
from scheduling.models import Crew, CrewMember, JobCrew

AnyFact = TypeVar("AnyFact", bound=Fact)
AnyRow = TypeVar("AnyRow", bound=Model)

JOBS = 10
CREWS = 12
ROOMS_A_ZONE = 6
READ_EVERY = timedelta(minutes=10)
READINGS_A_FILE = 1_000
SHEETS, BACKED_PANELS = 40, 12

_NAMESPACE = UUID("0b7a1c52-8a54-5a59-9a2e-5f0d2f5a5b3e")
_HOUR, _DAY = timedelta(hours=1), timedelta(days=1)
_DAYS = ("mon", "tue", "wed", "thu", "fri")
_SHIFTS = {day: [["07:00", "15:30"]] for day in _DAYS}
_LETS_IN = {day: [["06:00", "18:00"]] for day in _DAYS}


class Step(IntEnum):
    """How far a room is; what comes before is done too."""

    ORDERED = 0
    OTHERS_DONE = 1
    PREPPED = 2
    DISPATCHED = 3
    ARRIVED = 4
    OPENED = 5
    INSPECTED = 6
    RESTED = 7
    PROVIDED = 8
    BEGUN = 9


@dataclass(slots=True)
class Business:
    """The firm: its records, and the rooms added so far."""

    now: datetime
    manager: Person
    suppliers: list[Firm]
    crews: list[Crew]
    leads: list[Person]
    jobs: list[Job]
    products: list[Product]
    rooms: list[Room] = field(default_factory=list)
    zones: list[Zone] = field(default_factory=list)


@dataclass(slots=True)
class _Facts:
    """Facts and their lines as they are made up, kind by kind, with the rooms that each one touches."""

    by: Person
    kinds: dict[type[Model], list[Any]] = field(default_factory=lambda: defaultdict(list))
    touched: list[tuple[Fact, tuple[Room, ...]]] = field(default_factory=list)

    def add(
        self, kind: type[AnyFact], at: datetime, rooms: Iterable[Room] = (), /, **columns: Any
    ) -> AnyFact:
        """Make up a fact of an instant that touches `rooms`."""
        ident = _ident(kind, len(self.kinds[kind]), *(room.pk for room in rooms))
        happened_at = at.replace(microsecond=0)
        fact = kind(
            id=ident,
            origin=ident,
            happened_at=happened_at,
            recorded_at=happened_at,
            recorded_by=self.by,
            **columns,
        )
        self.kinds[kind].append(fact)
        self.touched.append((fact, tuple(rooms)))
        return fact

    def part(self, kind: type[FactPart], of: Fact, /, **columns: Any) -> None:
        """Make up a line of a fact."""
        self.kinds[kind].append(kind(id=uuid5(of.pk, f"{kind.__name__}/{len(self.kinds[kind])}"), **columns))

    def store(self) -> None:
        """Store what was made up, with its history."""
        for kind in _IN_ORDER:
            kind._default_manager.bulk_create(self.kinds[kind])
        entries = [_entry(fact, rooms[0].job if rooms else fact.job_of()) for fact, rooms in self.touched]
        Entry.objects.bulk_create(entries)
        EntryRoom.objects.bulk_create(
            EntryRoom(entry_id=fact.pk, room=room) for fact, rooms in self.touched for room in rooms
        )


#: Each kind after what it points at.
_IN_ORDER: tuple[type[Model], ...] = (
    ReadingFile,
    seen.MilestoneReport,
    seen.PrepCheck,
    stock.Dispatch,
    stock.DispatchLine,
    stock.Arrival,
    stock.Placement,
    stock.Opening,
    stock.Inspection,
    stock.Reject,
    stock.MixAcknowledged,
    stock.ConsumableLot,
    work.Assignment,
    work.DayGiven,
    work.BeganHeld,
    work.SheetsSet,
)


@transaction.atomic
def open_business(*, now: datetime) -> Business:
    """Store the records of a firm without rooms."""
    contractor = Firm.objects.create(name="Holm Linings", kind=Firm.Kind.CONTRACTOR)
    manager = _person(contractor, "Ada Holm", is_manager=True)
    leads = [_person(contractor, f"Lead {number}", is_crew_lead=True) for number in range(CREWS)]
    crews = _made(
        Crew(name=f"Crew {number}", home_zone="Europe/Paris", week=_SHIFTS) for number in range(CREWS)
    )
    CrewMember.objects.bulk_create(
        CrewMember(crew=crew, person=lead, from_on=now.date() - 90 * _DAY)
        for crew, lead in zip(crews, leads, strict=True)
    )
    sites = _made(
        SitePlace(
            name=f"Site {number}",
            address=f"{number} Quay Street",
            way_in="Gate 2, ask for the site office",
            time_zone=("Europe/Paris", "Europe/Lisbon")[number % 2],
            week=_LETS_IN,
        )
        for number in range(JOBS)
    )
    jobs = _made(Job(site=site, number=f"J{site.pk}", name="Kitchens and wards") for site in sites)
    JobCrew.objects.bulk_create(
        JobCrew(job=job, crew=crew, attached_at=now - 60 * _DAY) for job in jobs for crew in crews[:6]
    )
    Access.objects.bulk_create(
        Access(person=lead, job=job, right=Right.SITE, from_at=now - 60 * _DAY)
        for job in jobs
        for lead in leads[:6]
    )
    suppliers = _made(
        Firm(name=f"Supplier {number}", kind=Firm.Kind.SUPPLIER, lead_days=10) for number in range(4)
    )
    return Business(now, manager, suppliers, crews, leads, jobs, _products())


def _person(firm: Firm, name: str, **roles: bool) -> Person:
    email = f"{name.lower().replace(' ', '.')}@people.example"
    return Person.objects.create(firm=firm, name=name, email=email, time_zone="Europe/Paris", **roles)


def _products() -> list[Product]:
    asked = {"set_t_min": 10, "set_t_max": 30, "set_rh_min": 20, "set_rh_max": 70}
    return _made(
        (
            Product(name="Sheet, white", kind=Product.Kind.SHEET, unit="sheets", is_batch_matched=True),
            Product(name="Sheet, grey", kind=Product.Kind.SHEET, unit="sheets", rest_required_s=172_800),
            Product(name="Adhesive", kind=Product.Kind.ADHESIVE, unit="kg", **asked),
            Product(name="Moulding", kind=Product.Kind.MOULDING, unit="m"),
        )
    )


@transaction.atomic
def add_rooms(business: Business, rooms: int, *, readings: int = 0) -> list[Room]:
    """Store so many more rooms with all that is known of them, and spread `readings` over their zones."""
    zones, made = _places(business, rooms)
    facts = _Facts(business.manager)
    _milestones(zones, made, facts, now=business.now)
    orders = _wants(business, made)
    for room in made:
        _room(business, room, orders[room.pk], facts)
    count = readings // len(zones)
    files = [_files(zone, count, facts, now=business.now) for zone in zones]
    facts.store()
    for number, (zone, mine) in enumerate(zip(zones, files, strict=True)):
        _read(zone, number, count, mine, now=business.now)
    return made


def _places(business: Business, rooms: int) -> tuple[list[Zone], list[Room]]:
    """Return the new zones and rooms: two of five zones are of the first job, as one site is often the largest."""
    known = len(business.zones)
    count = -(-rooms // ROOMS_A_ZONE)
    zones = _made(
        Zone(job=_job(business, number), name=f"Level {number}", t_min=18, t_max=24, rh_min=35, rh_max=60)
        for number in range(known, known + count)
    )
    made = _made(
        Room(
            job=(zone := zones[number // ROOMS_A_ZONE]).job,
            zone=zone,
            name=f"Room {len(business.rooms) + number}",
            substrate=("gypsum_board", "cement_plaster", "existing_tile")[number % 3],
            fixing="glued",
            crew_hours=Decimal(16),
            facts_version=20,
        )
        for number in range(rooms)
    )
    business.zones += zones
    business.rooms += made
    return zones, made


def _job(business: Business, zone: int) -> Job:
    return business.jobs[0 if zone % 5 < 2 else 1 + zone % (JOBS - 1)]


def _step(room: Room) -> Step:
    return Step(room.pk % len(Step))


def _milestones(zones: Sequence[Zone], rooms: Sequence[Room], facts: _Facts, *, now: datetime) -> None:
    """Store what the rooms of each zone wait for: the same for all, but reported for those that are further."""
    for zone in zones:
        mine = [room for room in rooms if room.zone_id == zone.pk]
        for is_done in (False, True):
            waiting = [room for room in mine if (_step(room) >= Step.OTHERS_DONE) == is_done]
            for name in ("Rough-in", "Ceiling grid", "Heating on"):
                if not waiting:
                    continue
                milestone = Milestone.objects.create(
                    job=zone.job, name=f"{name}, {zone.name}, part {1 + is_done}"
                )
                milestone.rooms.set(waiting)
                at = now - (9 if is_done else 2) * _DAY
                expected = None if is_done or name == "Ceiling grid" else now + 3 * _DAY
                facts.add(
                    seen.MilestoneReport,
                    at,
                    waiting,
                    milestone=milestone,
                    is_done=is_done,
                    expected_at=expected,
                )


def _wants(business: Business, rooms: Sequence[Room]) -> dict[int, list[OrderLine]]:
    """Store what each room takes and what was ordered for it; return the lines of its order."""
    white, grey, adhesive, moulding = business.products
    panels = {room.pk: [(white, SHEETS), *([(grey, BACKED_PANELS)] if room.pk % 2 else [])] for room in rooms}
    _made(
        Requirement(room=room, product=product, sheets=sheets)
        for room in rooms
        for product, sheets in panels[room.pk]
    )
    _made(
        ConsumableNeed(room=room, product=product, quantity=quantity)
        for room in rooms
        for product, quantity in ((adhesive, Decimal(8)), (moulding, Decimal(30)))
    )
    suppliers = business.suppliers
    orders = _made(
        Order(
            job=room.job,
            supplier=suppliers[room.pk % len(suppliers)],
            number=f"O{room.pk}",
            ordered_on=business.now.date() - 20 * _DAY,
        )
        for room in rooms
    )
    lines: dict[int, list[OrderLine]] = defaultdict(list)
    for line in _made(
        OrderLine(order=order, product=product, room=room, sheets=sheets)
        for order, room in zip(orders, rooms, strict=True)
        for product, sheets in panels[room.pk]
    ):
        assert line.room is not None
        lines[line.room.pk].append(line)
    return lines


def _rested(room: Room) -> timedelta:
    """Return how long ago the sheets of a room came that has long been ready: in a few it is weeks."""
    return (30 if room.pk % 60 == Step.RESTED else 4) * _DAY


def _room(business: Business, room: Room, lines: Sequence[OrderLine], facts: _Facts) -> None:
    step, now = _step(room), business.now
    if step >= Step.PREPPED:
        _prep(room, facts, now=now)
    arrived_at = now - (_rested(room) if step >= Step.RESTED else (6 + room.pk % 9) * _HOUR)
    if step >= Step.DISPATCHED:
        placements = _deliver(room, lines, step, facts, arrived_at=arrived_at, now=now)
        for placement in placements:
            _handle(room, placement, step, facts, at=arrived_at + 20 * timedelta(minutes=1))
    if step >= Step.PROVIDED:
        _provide(business, room, facts)
    crew = business.crews[room.pk % CREWS]
    if room.pk % 7 != 3:
        _give_day(business, room, crew, facts)
    if step is Step.BEGUN:
        began_at = now - 20 * _HOUR
        facts.add(
            work.BeganHeld,
            began_at,
            [room],
            room=room,
            crew=crew,
            holds=["room_conditions"],
            reason="It was warm enough.",
        )
        facts.add(work.SheetsSet, now - 14 * _HOUR, [room], room=room, placement=placements[0], sheets=10)


def _prep(room: Room, facts: _Facts, *, now: datetime) -> None:
    """Pass every check; every fourth room's first one after it had failed."""
    for number, check in enumerate(needed_checks(room)):
        value = None
        if check.limit is not None:
            value = check.limit.value + {"at_most": -1, "below": -1, "at_least": 1}[check.limit.bound.value]
        if room.pk % 4 == 0 and number == 0:
            facts.add(
                seen.PrepCheck,
                now - 8 * _DAY,
                [room],
                room=room,
                check_code=check.code,
                passed=False,
                reason="Loose.",
            )
        at = now - 7 * _DAY + number * _HOUR / 4
        facts.add(seen.PrepCheck, at, [room], room=room, check_code=check.code, passed=True, value=value)


def _deliver(
    room: Room,
    lines: Sequence[OrderLine],
    step: Step,
    facts: _Facts,
    *,
    arrived_at: datetime,
    now: datetime,
) -> list[stock.Placement]:
    """Dispatch a room's order and, where it is that far, let it arrive; every third in two batches."""
    expected = now + 2 * _DAY if step is Step.DISPATCHED else arrived_at
    dispatch = facts.add(
        stock.Dispatch, arrived_at - 2 * _DAY, [room], order=lines[0].order, expected_at=expected
    )
    batches: list[tuple[OrderLine, str, int]] = []
    for line in lines:
        parts = [25, line.sheets - 25] if line.sheets == SHEETS and room.pk % 3 == 0 else [line.sheets]
        batches += [(line, f"B{room.pk}-{len(batches) + part}", sheets) for part, sheets in enumerate(parts)]
    for line, batch, sheets in batches:
        facts.part(
            stock.DispatchLine, dispatch, dispatch=dispatch, order_line=line, batch=batch, sheets=sheets
        )
    if step < Step.ARRIVED:
        return []
    arrival = facts.add(stock.Arrival, arrived_at, [room], zone=room.zone, dispatch=dispatch)
    return [
        facts.add(
            stock.Placement,
            arrived_at,
            [room],
            arrival=arrival,
            zone=room.zone,
            room=room,
            product=line.product,
            batch=batch,
            sheets=sheets,
        )
        for line, batch, sheets in batches
    ]


def _handle(room: Room, placement: stock.Placement, step: Step, facts: _Facts, *, at: datetime) -> None:
    """Open a placement and look at every sheet, as far as the room is; every seventh room has rejects."""
    if step >= Step.OPENED:
        facts.add(stock.Opening, at, [room], placement=placement)
    if step >= Step.INSPECTED:
        looked = facts.add(
            stock.Inspection, at, [room], placement=placement, inspected=placement.sheets, mark_seen=True
        )
        if room.pk % 7 == 5:
            facts.part(stock.Reject, looked, inspection=looked, kind="chip", sheets=2)


def _provide(business: Business, room: Room, facts: _Facts) -> None:
    white, _grey, adhesive, moulding = business.products
    now, month = business.now, 30 * _DAY
    facts.add(stock.MixAcknowledged, now - 3 * _DAY, [room], room=room, product=white)
    for product, quantity in ((adhesive, 10), (moulding, 32)):
        facts.add(
            stock.ConsumableLot,
            now - 3 * _DAY,
            [room],
            job=room.job,
            room=room,
            product=product,
            quantity=Decimal(quantity),
            good_through=now.date() + month,
            batch=f"L{room.pk}",
        )


def _give_day(business: Business, room: Room, crew: Crew, facts: _Facts) -> None:
    """Give a room to a crew for two working days: begun ones since yesterday, others within four weeks."""
    ahead = -1 if _step(room) is Step.BEGUN else room.pk % 20
    zone = time_zone(room.job.site.time_zone)
    days = _working_days(business.now.date() + ahead * _DAY, 2)
    shifts = [
        [instant_at(day, minutes, zone).isoformat() for minutes in (7 * 60, 15 * 60 + 30)] for day in days
    ]
    given_at = business.now - 5 * _DAY
    assignment = facts.add(work.Assignment, given_at, [room], room=room, crew=crew)
    facts.add(work.DayGiven, given_at, [room], assignment=assignment, shifts=shifts)
    Access.objects.create(
        person=business.leads[business.crews.index(crew)],
        job=room.job,
        room=room,
        right=Right.ROOM,
        from_at=given_at,
    )


def _working_days(first: date, count: int) -> list[date]:
    days = (first + ahead * _DAY for ahead in range(count + 4))
    return [day for day in days if day.weekday() < len(_DAYS)][:count]


def _files(zone: Zone, count: int, facts: _Facts, *, now: datetime) -> list[ReadingFile]:
    """Make up the files that a zone's readings come in, up to a few minutes ago."""
    rooms = list(Room.objects.filter(zone=zone).select_related("job"))
    first_at = _first_at(count, now=now)
    files = []
    for place in range(0, count, READINGS_A_FILE):
        new = min(READINGS_A_FILE, count - place)
        files.append(
            facts.add(
                ReadingFile,
                first_at + (place + new) * READ_EVERY,
                rooms,
                zone=zone,
                name=f"{_logger(zone)}-{place}.csv",
                sha256="0" * 64,
                logger=_logger(zone),
                new=new,
                known=0,
                conflicts=0,
            )
        )
    return files


def _read(zone: Zone, number: int, count: int, files: Sequence[ReadingFile], *, now: datetime) -> None:
    """Store a logger's readings of a zone, file by file; each fifth zone had one cold night."""
    chance = Random(number)
    first_at = _first_at(count, now=now)
    for place, file in zip(range(0, count, READINGS_A_FILE), files, strict=True):
        readings: list[ReadOut] = []
        for at in (first_at + (place + n) * READ_EVERY for n in range(file.new)):
            is_cold = number % 5 == 2 and 30 * _HOUR < now - at < 36 * _HOUR
            hour = at.timestamp() / 3600
            t_c = round((12 if is_cold else 21) + sin(hour * pi / 12) + chance.gauss(0, 0.2), 1)
            rh_pct = round(47 + 4 * sin(hour * pi / 24) + chance.gauss(0, 0.5), 1)
            readings.append(ReadOut(at, t_c, "c", rh_pct, len(readings) + 1))
        voice = Voice(file.logger, file.recorded_by_id, file.pk)
        add_readings(readings, zone=zone.pk, voice=voice, now=file.recorded_at)


def _first_at(count: int, *, now: datetime) -> datetime:
    return now.replace(microsecond=0) - timedelta(minutes=3) - (count - 1) * READ_EVERY


def _logger(zone: Zone) -> str:
    return f"T{zone.pk}"


def _made(rows: Iterable[AnyRow]) -> list[AnyRow]:
    listed = list(rows)
    return type(listed[0])._default_manager.bulk_create(listed)


def _entry(fact: Fact, job: Job) -> Entry:
    return Entry(
        fact=fact.pk,
        kind=fact._meta.label_lower,
        job=job,
        happened_at=fact.happened_at,
        recorded_at=fact.recorded_at,
        recorded_by=fact.recorded_by,
        reason=fact.reason,
        says=to_json(fact.says()),
    )


def _ident(kind: type[Model], *numbers: int) -> UUID:
    return uuid5(_NAMESPACE, f"{kind.__name__}/{'/'.join(map(str, numbers))}")
