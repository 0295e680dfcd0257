"""From rows to the values that the cores judge: any number of rooms in a fixed number of queries."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import reduce
from operator import or_
from typing import Any, TypeVar
from uuid import UUID

from django.db.models import F, OuterRef, Q, Subquery

from jobs.clocks import Clocks, clocks_in
from jobs.core import prep
from jobs.core.clocks import Clock
from jobs.core.conditions import Band
from jobs.core.units import celsius
from jobs.core.words import Say, say
from jobs.core.worktime import time_zone
from jobs.facts import CLOCK_TOLERANCE
from jobs.models import Fact, Memory, MilestoneReport, PrepCheck, Reading, Room, Statement, Wetting, Zone
from jobs.models.places import Milestone
from jobs.prepared import Prepared
from jobs.services.seen import needed_checks
from materials import queries as stock_queries
from materials.air_runs import AirRuns
from materials.core import rest as rest_core
from materials.core.rest_words import ledger
from materials.core.stock import SetDown, Standing
from materials.models import (
    ConsumableLot,
    ConsumableNeed,
    MixAcknowledged,
    Placement,
    Product,
    Requirement,
    RestOverride,
)
from materials.rules import NOTHING, Asked, Pretended, asked_of, overrides_of
from materials.stack_queries import Lying, StackFacts, lying_of, stack_facts
from scheduling.core import room_facts as core
from scheduling.core.room_facts import RoomFacts
from scheduling.models import Assignment, BeganHeld, DayGiven, Finish, RoomState, SheetsSet, Start, Waiver
from scheduling.warmth import Warmed, ZoneAir, hourly_air, start_of, warmed

AnyFact = TypeVar("AnyFact", bound=Fact)
Key = TypeVar("Key")

#: Of so many instants the last readings are kept: the last may lie ahead of the one at which a room is judged.
LAST_READINGS = 3


@dataclass(frozen=True, slots=True)
class Planned:
    """The assignment in force of a room: the day as it was given out."""

    assignment: UUID
    crew: int
    shifts: tuple[tuple[datetime, datetime], ...]
    given_at: datetime


@dataclass(frozen=True, slots=True)
class Rested:
    """A placement of the room, what stands of it, and its rest."""

    standing: Standing
    product: Product
    #: What this job asks of the product's rest.
    asked: Asked
    rest: rest_core.Rest
    #: None: no band is inside both the zone's and the product's, or the product asks for no rest.
    rule: rest_core.RestRule | None
    #: Why each stretch of the strip counts or not, in its order.
    whys: tuple[Say, ...] = ()
    #: Whether somebody said how cold its stack came.
    measured: bool = False
    #: How it lies by the last word on it; None: nobody said otherwise than on its skid.
    lying: Lying | None = None
    #: How far it has warmed, where a hold or an act waits for that; None: neither does, or it cannot be told.
    warmed: Warmed | None = None

    @property
    def cold(self) -> core.ColdStack | None:
        """What of its stack holds the rest; None: its middle is warm, or the rule does not ask."""
        if not self.asked.core_is_binding:
            return None
        return self.warmed.cold() if self.warmed is not None else core.ColdStack(measured=self.measured)

    @property
    def good_until(self) -> datetime | None:
        """The first later instant at which rest or stack is another, if no fact comes; None: never."""
        instants = (self.rest.good_until, self.warmed.good_until if self.warmed else None)
        return min((at for at in instants if at is not None), default=None)


@dataclass(frozen=True, slots=True)
class Begun:
    """When the first sheet of a room was set, and whether the room was held then."""

    at: datetime
    while_held: bool


@dataclass(frozen=True, slots=True)
class Gathered:
    """All that is known of one room at one version of its facts."""

    room: Room
    facts_version: int
    facts: RoomFacts
    rests: tuple[Rested, ...]
    #: None: not begun.
    begun: Begun | None
    #: None: not finished.
    finished_at: datetime | None
    planned: Planned | None
    #: Product → sheets set so far.
    sheets_set: Mapping[int, int]

    @property
    def stage(self) -> RoomState.Stage:
        """How far the work in the room is."""
        if self.finished_at is not None:
            return RoomState.Stage.FINISHED
        return RoomState.Stage.WAITING if self.begun is None else RoomState.Stage.STARTED


@dataclass(slots=True)
class _Rows:
    """The rows behind a set of rooms, by room or by zone."""

    rooms: list[Room]
    zones: dict[int, Zone]
    milestones: Mapping[int, list[core.Milestone]] = field(default_factory=dict)
    checks: Mapping[int, list[PrepCheck]] = field(default_factory=dict)
    wettings: Mapping[int, list[Wetting]] = field(default_factory=dict)
    requirements: Mapping[int, list[Requirement]] = field(default_factory=dict)
    needs: Mapping[int, list[ConsumableNeed]] = field(default_factory=dict)
    standing: Mapping[int, list[Standing]] = field(default_factory=dict)
    coming: Mapping[int, list[stock_queries.Coming]] = field(default_factory=dict)
    mixes: Mapping[int, list[MixAcknowledged]] = field(default_factory=dict)
    lots: Mapping[int, list[ConsumableLot]] = field(default_factory=dict)
    waivers: Mapping[int, list[Waiver]] = field(default_factory=dict)
    planned: Mapping[int, Planned] = field(default_factory=dict)
    begun: Mapping[int, Begun] = field(default_factory=dict)
    finished: Mapping[int, datetime] = field(default_factory=dict)
    sheets_set: Mapping[int, dict[int, int]] = field(default_factory=dict)
    suppliers: Mapping[str, str] = field(default_factory=dict)
    #: Every product that any of these rows names.
    products: Mapping[int, Product] = field(default_factory=dict)
    #: By job.
    overrides: Mapping[int, tuple[RestOverride, ...]] = field(default_factory=dict)
    air: _AirRows | None = None
    #: By placement, of those that somebody measured.
    stacks: Mapping[str, StackFacts] = field(default_factory=dict)
    lying: Mapping[str, Lying] = field(default_factory=dict)
    stack_air: Mapping[int, ZoneAir] = field(default_factory=dict)

    def asked(self, product: Product, room: Room) -> Asked:
        """Return what the job of a room asks of a product's rest."""
        return asked_of(product, self.overrides.get(room.job_id, ()))

    def rule(self, standing: Standing, room: Room) -> rest_core.RestRule | None:
        """Return the rule of a placement's product and job in the room's zone; None, as `rest_rule`."""
        product = self.products[standing.product]
        asked = self.asked(product, room)
        return rest_rule(product, asked, room.zone, accepts_statements=room.job.accepts_statements)


@dataclass(frozen=True, slots=True)
class _AirRows:
    """What is known of the air of the zones: runs over the readings, memories, statements, the last readings.

    `from_at`: by zone, when the first of the sheets that stand there came.
    """

    runs: AirRuns
    from_at: Mapping[int, datetime]
    memories: Mapping[int, list[rest_core.Memory]]
    statements: Mapping[int, list[rest_core.Statement]]
    last: Mapping[int, list[core.Reading]]


class Known:
    """What was known of some rooms when it was read: the rows, from which each is told as of any later instant.

    The version of a room's facts is read before the facts, so that one which comes in between makes the
    version look old, never the facts.
    """

    def __init__(self, rooms: Collection[int], *, pretended: Pretended = NOTHING, now: datetime) -> None:
        """Read all there is of these rooms, in a fixed number of queries; `now` says which readings are the last.

        Args:
            pretended: records that are taken as they would be, not as they are stored.
        """
        self.rooms = {room.pk: _as_pretended(room, pretended) for room in _ROOMS(rooms)}
        self._rows = _rows(list(self.rooms.values()), pretended, now=now)
        self._clocks = _Clocks(self._rows)

    @property
    def planned(self) -> Mapping[int, Planned]:
        """The assignment in force of each room that has one."""
        return self._rows.planned

    @property
    def begun(self) -> Mapping[int, Begun]:
        """How each begun room was begun."""
        return self._rows.begun

    @property
    def finished(self) -> Mapping[int, datetime]:
        """When each finished room was."""
        return self._rows.finished

    def store_runs(self) -> None:
        """Store how far the runs over the zones' air have come, in the caller's transaction."""
        assert self._rows.air is not None
        self._rows.air.runs.store()

    def at(self, room: int, *, now: datetime) -> Gathered:
        """Return what is known of a room, with the rest of its placements as of `now`."""
        return _gathered(self.rooms[room], self._rows, self._clocks, now=now)


def gather(rooms: Collection[int], *, now: datetime) -> dict[int, Gathered]:
    """Return what is known of each room, with the rest of its placements as of `now`."""
    known = Known(rooms, now=now)
    return {room: known.at(room, now=now) for room in known.rooms}


def _as_pretended(room: Room, pretended: Pretended) -> Room:
    room.zone = pretended.zones.get(room.zone_id, room.zone)
    room.job = pretended.jobs.get(room.job_id, room.job)
    return room


def _rows(rooms: list[Room], pretended: Pretended, *, now: datetime) -> _Rows:
    keys = [room.pk for room in rooms]
    rows = _Rows(rooms, {room.zone_id: room.zone for room in rooms})
    rows.milestones = _milestones(keys)
    rows.checks = _by(_CHECKS(keys), "room_id")
    rows.wettings = _by(_WETTINGS(keys), "room_id")
    requirements, needs = _REQUIREMENTS(keys), _NEEDS(keys)
    lots = _lots(rooms)
    rows.requirements, rows.needs = _by(requirements, "room_id"), _by(needs, "room_id")
    rows.lots = _lots_by_room(rooms, lots)
    sets = _SHEETS_SET(keys)
    rows.sheets_set = _set_by_product(sets)
    placements = stock_queries.placements_for(keys)
    rows.standing = _standing_by_room(placements, sets)
    rows.stacks = stack_facts(placements)
    rows.lying = lying_of(placements)
    placed = {one.product for all_of in rows.standing.values() for one in all_of}
    rows.products = _give_products([*requirements, *needs, *lots], placed, pretended)
    rows.overrides = overrides_of({room.job_id for room in rooms}) | dict(pretended.overrides)
    rows.coming = _by(stock_queries.coming_to(keys), "room")
    rows.mixes = _by(_MIXES(keys), "room_id")
    rows.waivers = _by(_WAIVERS(keys), "room_id")
    rows.planned = planned_for(keys)
    rows.begun = _begun(keys)
    rows.finished = dict(_FINISHED(keys))
    rows.air = _air_rows(rows, now=now)
    rows.stack_air = _stack_air(rows)
    return rows


def _begun(rooms: Collection[int]) -> dict[int, Begun]:
    """Return how each begun room was begun; a start while held is never forgotten, whatever followed it."""
    released: dict[int, datetime] = dict(_RELEASED(rooms))
    held: dict[int, datetime] = dict(_BEGAN_HELD(rooms))
    return {
        room: Begun(min(at for at in (released.get(room), held.get(room)) if at), room in held)
        for room in {*released, *held}
    }


def planned_for(rooms: Collection[int]) -> dict[int, Planned]:
    """Return the assignment in force of each room that has one: its latest day given out, not withdrawn."""
    latest = _DAYS(rooms)
    in_force: dict[UUID, DayGiven] = {day.assignment_id: day for day in latest}
    planned: dict[int, Planned] = {}
    for day in in_force.values():
        if day.shifts:
            room = day.assignment.room_id
            planned[room] = Planned(day.assignment_id, day.assignment.crew_id, day.spans, day.recorded_at)
    return planned


# ---- one room ----


def _gathered(room: Room, rows: _Rows, clocks: _Clocks, *, now: datetime) -> Gathered:
    planned = rows.planned.get(room.pk)
    finished_at = rows.finished.get(room.pk)
    rests: tuple[Rested, ...] = ()
    facts = RoomFacts(time_zone=time_zone(room.job.site.time_zone))
    if finished_at is None:
        rests = tuple(clocks.rested(one, room, now=now) for one in rows.standing.get(room.pk, []))
        facts = _facts(room, rows, rests, planned)
    return Gathered(
        room=room,
        facts_version=room.facts_version,
        facts=facts,
        rests=rests,
        begun=rows.begun.get(room.pk),
        finished_at=finished_at,
        planned=planned,
        sheets_set=rows.sheets_set.get(room.pk, {}),
    )


def _facts(room: Room, rows: _Rows, rests: Sequence[Rested], planned: Planned | None) -> RoomFacts:
    required = _still_required(rows, room.pk)
    panels = [one.product for one in rows.requirements.get(room.pk, [])]
    asked = [rows.asked(product, room).required for product in panels]
    return RoomFacts(
        time_zone=time_zone(room.job.site.time_zone),
        planned_start=planned.shifts[0][0] if planned else None,
        milestones=tuple(rows.milestones.get(room.pk, ())),
        prep=_prep(room, rows),
        requirement=required,
        placements=tuple(_placement(one) for one in rests if one.standing.sheets),
        inspections=tuple(
            inspection for one in rests if one.standing.sheets and (inspection := _inspection(one.standing))
        ),
        mixes=tuple(
            core.Mix(id=str(mix.origin), product=str(mix.product_id), at=mix.happened_at, by=_by_whom(mix))
            for mix in rows.mixes.get(room.pk, [])
        ),
        deliveries=tuple(_delivery(one) for one in rows.coming.get(room.pk, [])),
        rest_required=max(asked, default=timedelta(0)),
        conditions=_conditions(room, rows),
        consumables=core.Consumables(
            needs=tuple(_need(one) for one in rows.needs.get(room.pk, [])),
            lots=tuple(_lot(one, room, panels) for one in rows.lots.get(room.pk, [])),
        ),
        waivers=tuple(
            core.Waiver(
                id=str(one.origin),
                hold=core.HoldKind(one.hold),
                at=one.happened_at,
                until=one.until_at,
                by=_by_whom(one),
                reason=one.reason,
            )
            for one in rows.waivers.get(room.pk, [])
        ),
    )


def _still_required(rows: _Rows, room: int) -> tuple[core.Requirement, ...]:
    """Return what is still to be set: after the start the requirement is less what is on the walls."""
    on_the_walls = rows.sheets_set.get(room, {})
    return tuple(
        core.Requirement(
            product=str(one.product_id),
            label=one.product.name,
            sheets=one.sheets - on_the_walls.get(one.product_id, 0),
            one_batch=one.product.is_batch_matched,
        )
        for one in rows.requirements.get(room, [])
        if one.sheets > on_the_walls.get(one.product_id, 0)
    )


def _prep(room: Room, rows: _Rows) -> core.Prep:
    checks = needed_checks(room)
    needed = {check.code for check in checks}
    return core.Prep(
        checks=tuple(core.Check(id=check.code, label=say("“{check}”", check=check.name)) for check in checks),
        records=tuple(
            core.PrepRecord(
                id=str(one.origin),
                check=one.check_code,
                at=one.happened_at,
                passed=one.passed,
                finding=_finding(one),
                by=_by_whom(one),
            )
            for one in rows.checks.get(room.pk, [])
            if one.check_code in needed
        ),
        wettings=tuple(
            core.Wetting(id=str(one.origin), at=one.happened_at, by=_by_whom(one))
            for one in rows.wettings.get(room.pk, [])
        ),
        voided_by_wetting=frozenset(check.code for check in checks if check.voided_by_wetting),
    )


def _finding(one: PrepCheck) -> Say | None:
    if one.value is None and not one.reason:
        return None
    return say("{found} {note}", found=one.says(), note=one.reason) if one.reason else one.says()


def _placement(one: Rested) -> core.Placement:
    standing, rest = one.standing, one.rest
    return core.Placement(
        id=standing.id,
        product=str(standing.product),
        batch=standing.batch,
        sheets=standing.sheets,
        in_at=standing.in_at,
        rest=core.PlacementRest(
            state=core.RestState(rest.state.value),
            proven_at=rest.proven_at,
            forecast=rest.forecast,
            proven=rest.proven,
            provisional=rest.provisional,
            required=rest.required,
            last_reading_at=rest.last_reading_at,
            read_again_by=rest.read_again_by,
            good_until=one.good_until,
            cold=one.cold,
        ),
        wrapped=one.asked.needs_opening and standing.opened_at is None,
        open_from=one.warmed.open_from if one.warmed else None,
        too_damp_to_open=one.warmed is not None and one.warmed.is_too_damp,
    )


def _inspection(standing: Standing) -> core.Inspection | None:
    if standing.inspected_at is None:
        return None
    return core.Inspection(
        id=standing.inspection or f"{standing.id}/moved",
        placement=standing.id,
        at=standing.inspected_at,
        inspected=standing.inspected,
        rejected=standing.rejected,
        mark_seen=standing.mark_seen,
    )


def _delivery(one: stock_queries.Coming) -> core.Delivery:
    return core.Delivery(
        id=one.id,
        product=str(one.product),
        batch=one.batch,
        sheets=one.sheets,
        expected_at=one.expected_at,
        dispatched=one.batch is not None,
        by=one.supplier,
    )


def _conditions(room: Room, rows: _Rows) -> core.Conditions:
    """Return what the labels ask of the air: the band inside all of them."""
    products = [one.product for one in rows.requirements.get(room.pk, [])]
    products += [one.product for one in rows.needs.get(room.pk, [])]
    asking = [product for product in products if product.set_t_min is not None]
    if not asking:
        return core.Conditions()
    band: Band | None = setting_band(asking[0])
    for product in asking[1:]:
        band = band.within(setting_band(product)) if band is not None else None
    assert rows.air is not None
    return core.Conditions(
        band=band,
        fresh=timedelta(seconds=min(product.set_fresh_s for product in asking)),
        readings=tuple(rows.air.last.get(room.zone_id, ())),
        band_conflict=band is None,
    )


def setting_band(product: Product) -> Band:
    """Return what a product's label asks of the air while it is set; it must ask something."""
    assert product.set_t_min is not None
    assert product.set_t_max is not None
    assert product.set_rh_min is not None
    assert product.set_rh_max is not None
    return Band(product.set_t_min, product.set_t_max, product.set_rh_min, product.set_rh_max)


def _need(one: ConsumableNeed) -> core.Need:
    return core.Need(
        item=str(one.product_id), label=one.product.name, qty=one.quantity.normalize(), unit=one.product.unit
    )


def _lot(one: ConsumableLot, room: Room, panels: Sequence[Product]) -> core.Lot:
    return core.Lot(
        id=str(one.origin),
        item=str(one.product_id),
        qty=one.quantity.normalize(),
        on_site_at=one.happened_at,
        good_through=one.good_through,
        unfit=_unfit(one.product, room, panels),
        by=_by_whom(one),
    )


def _unfit(product: Product, room: Room, panels: Sequence[Product]) -> Say | None:
    """Return why an adhesive does not fit this wall and its sheets, or None where it does."""
    if product.kind != Product.Kind.ADHESIVE or not product.is_water_borne:
        return None
    glued = any(panel.kind == Product.Kind.SHEET for panel in panels)
    if glued and not prep.is_porous(prep.Substrate(room.substrate)):
        return say("it is water-borne and cannot dry between two faces that let no water through")
    return None


# ---- rest ----


class _Clocks:
    """The rest clocks of placements, which share the air of their zones."""

    def __init__(self, rows: _Rows) -> None:
        assert rows.air is not None
        self._rows = rows
        self._air = rows.air
        self._made: dict[tuple[int, rest_core.RestRule], rest_core.Air] = {}

    def rested(self, standing: Standing, room: Room, *, now: datetime) -> Rested:
        """Return a placement with its rest under the rule of its product and job in the room's zone."""
        product = self._rows.products[standing.product]
        asked = self._rows.asked(product, room)
        rule = self._rows.rule(standing, room)
        facts = self._rows.stacks.get(standing.id)
        measured = start_of(standing, facts, now=now) is not None
        stack = self._warmed(standing, product, asked, facts, now=now)
        lying = self._rows.lying.get(standing.id)
        if rule is None:
            rest = self._without_rule(standing, asked, now=now)
            return Rested(standing, product, asked, rest, None, measured=measured, lying=lying, warmed=stack)
        air: dict[Hashable, rest_core.Air] = {
            stay.zone: self._air_of(stay.zone, rule, now=now) for stay in standing.stays
        }
        rest = rest_core.rest_in(
            air,
            presence=[rest_core.Presence(stay.zone, stay.in_at, stay.out_at) for stay in standing.stays],
            opened_at=standing.opened_at,
            sheets_set_at=None,
            rule=rule,
            now=now,
        )
        whys = tuple(why for _stretch, why in ledger(rest, air))
        return Rested(standing, product, asked, rest, rule, whys, measured, lying, stack)

    def _warmed(
        self,
        standing: Standing,
        product: Product,
        asked: Asked,
        facts: StackFacts | None,
        *,
        now: datetime,
    ) -> Warmed | None:
        # A reckoning costs more than all the rest of a room: what is advice alone is reckoned when it is looked at.
        is_wrapped = asked.needs_opening and standing.opened_at is None
        if facts is None or not (asked.core_is_binding or is_wrapped):
            return None
        return warmed(
            standing,
            product,
            facts,
            needs_opening=asked.needs_opening,
            air=self._rows.stack_air,
            last=self._air.last,
            now=now,
        )

    def _air_of(self, zone: int, rule: rest_core.RestRule, *, now: datetime) -> rest_core.Air:
        made = self._made.get((zone, rule))
        if made is None or not made.is_good(now=now):
            made = self._air.runs.air(
                zone,
                rule,
                self._air.memories.get(zone, []),
                self._air.statements.get(zone, []),
                from_at=self._air.from_at[zone],
                now=now,
            )
            self._made[zone, rule] = made
        return made

    def _without_rule(self, standing: Standing, asked: Asked, *, now: datetime) -> rest_core.Rest:
        """Return a rest that no clock runs for: none is asked, or no air of the zone could ever count."""
        zero = timedelta(0)
        asks_none = asked.required == zero
        return rest_core.Rest(
            as_of=now,
            state=rest_core.RestState.PROVEN if asks_none else rest_core.RestState.NOT_STARTED,
            required=asked.required,
            proven=zero,
            bridged=zero,
            stated=zero,
            provisional=zero,
            proven_at=standing.in_at if asks_none else None,
            forecast=None,
            goes_on=None,
            zone=standing.zone,
            zero_at=None,
            last_reading_at=None,
            read_again_by=None,
            strip=(),
            ignored=rest_core.Ignored(),
            good_until=None,
        )


def rest_rule(
    product: Product, asked: Asked, zone: Zone, *, accepts_statements: bool
) -> rest_core.RestRule | None:
    """Return the rule by which a product rests in a zone; None where their bands do not meet, or no rest is asked.

    Args:
        asked: of this product on the zone's job.
    """
    working = Band(zone.t_min, zone.t_max, zone.rh_min, zone.rh_max)
    band = working.within(Band(product.t_min, product.t_max, product.rh_min, product.rh_max))
    if band is None or not asked.required:
        return None
    return rest_core.RestRule(
        required=asked.required,
        max_gap=asked.max_gap,
        fine_gap=asked.fine_gap,
        restart_after=asked.restart_after,
        restart_on=asked.restart_on,
        band=band,
        proof=rest_core.Proof.READINGS_OR_STATEMENTS if accepts_statements else rest_core.Proof.READINGS,
        needs_opening=asked.needs_opening,
    )


# ---- rows ----


def _by(rows: Iterable[Any], column: str) -> dict[Any, list[Any]]:
    grouped: dict[Any, list[Any]] = defaultdict(list)
    for row in rows:
        grouped[getattr(row, column)].append(row)
    return grouped


def _named(facts: Any) -> Any:
    """Add who recorded each fact, by name alone: a person for every one of them would be most of the rows."""
    return facts.annotate(by_name=F("recorded_by__name"))


def _by_whom(fact: Any) -> str:
    """Return who says a fact; it was read by `_named`."""
    by: str = fact.said_by or fact.by_name
    return by


def _milestones(rooms: Sequence[int]) -> dict[int, list[core.Milestone]]:
    pairs = _WAITS(rooms)
    latest: dict[int, MilestoneReport] = {}
    for report in _REPORTS({pair[1] for pair in pairs}):
        latest[report.milestone_id] = report
    grouped: dict[int, list[core.Milestone]] = defaultdict(list)
    for room, milestone, name in pairs:
        report = latest.get(milestone)
        grouped[room].append(
            core.Milestone(
                id=str(report.origin) if report else f"milestone/{milestone}",
                label=name,
                done_at=report.happened_at if report and report.is_done else None,
                expected_at=report.expected_at if report else None,
                by=_by_whom(report) if report else "",
            )
        )
    return grouped


def _set_by_product(sets: Iterable[SheetsSet]) -> dict[int, dict[int, int]]:
    counted: dict[int, dict[int, int]] = defaultdict(lambda: defaultdict(int))
    for one in sets:
        counted[one.room_id][one.placement.product_id] += one.sheets
    return counted


def _standing_by_room(
    placements: Sequence[Placement], sets: Iterable[SheetsSet]
) -> dict[int, list[Standing]]:
    taken = [SetDown(str(one.placement_id), one.sheets) for one in sets]
    grouped: dict[int, list[Standing]] = defaultdict(list)
    for standing in stock_queries.stock_among(placements, taken).values():
        if standing.room is not None:
            grouped[standing.room].append(standing)
    for all_of in grouped.values():
        all_of.sort(key=lambda one: (one.in_at, one.id))
    return grouped


def _lots(rooms: Sequence[Room]) -> list[ConsumableLot]:
    """Return the lots that may serve these rooms: their own, and those of their jobs that are for any room."""
    lots = [*_LOTS_FOR_ANY({room.job_id for room in rooms}), *_LOTS_OF([room.pk for room in rooms])]
    return sorted(lots, key=lambda lot: (lot.happened_at, lot.pk))


def _lots_by_room(rooms: Sequence[Room], lots: Sequence[ConsumableLot]) -> dict[int, list[ConsumableLot]]:
    own = _by((lot for lot in lots if lot.room_id is not None), "room_id")
    for_any = _by((lot for lot in lots if lot.room_id is None), "job_id")
    return {
        room.pk: sorted(
            [*own.get(room.pk, ()), *for_any.get(room.job_id, ())],
            key=lambda lot: (lot.happened_at, lot.pk),
        )
        for room in rooms
    }


def _give_products(rows: Sequence[Any], placed: Collection[int], pretended: Pretended) -> dict[int, Product]:
    """Give rows their products, each read once: a firm has far fewer of them than rooms that ask for them.

    Returns them by key, with those of `placed`.
    """
    named = {row.product_id for row in rows} | set(placed)
    products = {one.pk: pretended.product(one) for one in _PRODUCTS(named)}
    for row in rows:
        row.product = products[row.product_id]
    return products


def _air_rows(rows: _Rows, *, now: datetime) -> _AirRows:
    """Return the air of each zone from the last reading before anything still standing there came.

    What lies further back changes no rest: an excursion that began before it would have set the count to
    zero before the sheets came.
    """
    from_at: dict[int, datetime] = {}
    for all_of in rows.standing.values():
        for stay in (stay for one in all_of if one.room not in rows.finished for stay in one.stays):
            from_at[stay.zone] = min(stay.in_at, from_at.get(stay.zone, stay.in_at))
    zones = {*rows.zones, *from_at}
    clocks = clocks_in(zones)
    reach = _longest_reach(rows)
    memories = _by(_air_facts(_MEMORIES, from_at, reach), "zone_id")
    statements = _by(_air_facts(_STATEMENTS, from_at, reach), "zone_id")
    since = {
        zone: min([at, *(fact.from_at for facts in (memories, statements) for fact in facts.get(zone, ()))])
        for zone, at in from_at.items()
    }
    versions = {pk: zone.air_version for pk, zone in rows.zones.items()}
    runs = AirRuns(_rules_asked(rows), {zone: at - reach for zone, at in since.items()}, clocks, versions)
    return _AirRows(
        runs=runs,
        from_at=from_at,
        memories={zone: [memory_of(one) for one in all_of] for zone, all_of in memories.items()},
        statements={
            zone: [
                rest_core.Statement(str(one.origin), zone, one.from_at, one.happened_at, _by_whom(one))
                for one in all_of
            ]
            for zone, all_of in statements.items()
        },
        last=_last_readings(zones, clocks, runs, now=now),
    )


def _rules_asked(rows: _Rows) -> dict[int, set[rest_core.RestRule]]:
    """Return by which rules the air of each zone is judged."""
    asked: dict[int, set[rest_core.RestRule]] = defaultdict(set)
    for room in rows.rooms:
        if room.pk in rows.finished:
            continue
        for one in rows.standing.get(room.pk, ()):
            rule = rows.rule(one, room)
            if rule is not None:
                for stay in one.stays:
                    asked[stay.zone].add(rule)
    return asked


def _stack_air(rows: _Rows) -> dict[int, ZoneAir]:
    """Return the air of the zones that measured stacks stood in, since the first of them came."""
    stays = [
        stay
        for all_of in rows.standing.values()
        for one in all_of
        if one.id in rows.stacks and one.sheets and one.room not in rows.finished
        for stay in one.stays
    ]
    return hourly_air({stay.zone for stay in stays}, min((stay.in_at for stay in stays), default=None))


def _longest_reach(rows: _Rows) -> timedelta:
    """Return how long before the sheets came air can still matter: a gap that ends, an excursion that goes on."""
    asked = [
        rows.asked(rows.products[one.product], room)
        for room in rows.rooms
        for one in rows.standing.get(room.pk, ())
    ]
    return max((max(one.max_gap, one.restart_after) for one in asked), default=timedelta(0))


def _air_facts(asked: Prepared, from_at: Mapping[int, datetime], reach: timedelta) -> list[Any]:
    """Return the facts of the zones' air that end after the first of the sheets there came, or touch what does."""
    if not from_at:
        return []
    ends_after = min(from_at.values()) - reach
    return [row for row in asked(from_at, ends_after) if row.happened_at > from_at[row.zone_id] - reach]


def _last_readings(
    zones: Collection[int], clocks: Clocks, runs: AirRuns, *, now: datetime
) -> dict[int, list[core.Reading]]:
    """Return the last readings of each zone by `now`, and those that a phone's clock put a little ahead of it."""
    off = [Q(zone=zone, logger=logger) for logger, zone in clocks]
    right = _readings().exclude(reduce(or_, off)) if off else _readings()
    put_right = {zone for _logger, zone in clocks}
    known = {zone: runs.last_at(zone, LAST_READINGS, now=now) for zone in zones if zone not in put_right}
    wanted = {zone: set(instants) for zone, instants in known.items() if instants is not None}
    left = [zone for zone in zones if zone not in wanted]
    if left:
        by_now = right.filter(zone=OuterRef("pk"), happened_at__lte=now)
        latest = by_now.order_by("-happened_at").values("happened_at")
        pairs = Zone.objects.filter(pk__in=left).annotate(
            last=Subquery(latest[:1]), one_before=Subquery(latest[1:2]), two_before=Subquery(latest[2:3])
        )
        for zone, *instants in pairs.values_list("pk", "last", "one_before", "two_before"):
            wanted[zone] = {at for at in instants if at is not None}
    # From each zone's own instant on, so that the index of zone and time serves; no other instant lies between.
    since = {zone: min(instants, default=now) for zone, instants in wanted.items()}
    if len(since) == 1 and not off:
        rows = _SINCE(since, *since.values())
    else:
        recent = [Q(zone=zone, happened_at__gte=at) for zone, at in since.items()]
        rows = _named(right.filter(reduce(or_, recent))).order_by("happened_at", "pk") if recent else []
    latest_at = now + 2 * CLOCK_TOLERANCE
    grouped: dict[int, list[core.Reading]] = defaultdict(list)
    for row in rows:
        if row.happened_at <= latest_at:
            grouped[row.zone_id].append(_reading(row, row.happened_at))
    for (logger, zone), clock in clocks.items():
        grouped[zone] = _last_three([*grouped[zone], *_last_put_right(zone, logger, clock, now=now)], now=now)
    return grouped


def _last_put_right(zone: int, logger: str, clock: Clock, *, now: datetime) -> Iterator[core.Reading]:
    """Yield, latest first, the last three readings by `now` of a logger whose clock is off, and those just ahead."""
    latest = now + 2 * CLOCK_TOLERANCE
    rows = _readings().filter(zone=zone, logger=logger, happened_at__lte=latest + clock.farthest)
    found = 0
    for row in _named(rows).order_by("-happened_at", "pk").iterator(chunk_size=10):
        at = clock.put_right(row.happened_at)
        if at <= latest:
            yield _reading(row, at)
        found += at <= now
        if found == LAST_READINGS:
            return


def _last_three(readings: Sequence[core.Reading], *, now: datetime) -> list[core.Reading]:
    """Return those of the last three instants by `now`, and those ahead of it, in order."""
    instants = sorted({one.at for one in readings if one.at <= now})[-LAST_READINGS:]
    in_order = sorted(readings, key=lambda one: (one.at, one.id))
    return [one for one in in_order if one.at > now or one.at in instants]


def _reading(row: Any, at: datetime) -> core.Reading:
    return core.Reading(
        id=str(row.origin),
        at=at,
        t_c=row.t_c,
        rh_pct=min(row.humidity_pct, 100.0),
        by=row.logger or _by_whom(row),
    )


def _readings() -> Any:
    return Reading.objects.standing()


def memory_of(one: Memory) -> rest_core.Memory:
    """Return a meter's memory as the core knows it."""
    return rest_core.Memory(
        id=str(one.origin),
        zone=one.zone_id,
        from_at=one.from_at,
        to_at=one.happened_at,
        t_min=celsius(one.t_min, one.unit),
        t_max=celsius(one.t_max, one.unit),
        rh_min=min(one.rh_min, 100.0),
        rh_max=min(one.rh_max, 100.0),
    )


# ---- what is asked by keys alone ----


def _standing(model: type[Fact]) -> Prepared:
    """Prepare the standing facts of rooms, with who recorded each, in order of time."""
    return Prepared(
        lambda rooms: _named(model.objects.standing().filter(room__in=rooms)).order_by("happened_at", "pk")
    )


def _of_air(model: type[Fact]) -> Prepared:
    """Prepare the standing facts of zones' air that end after an instant, with who recorded each."""
    return Prepared(
        lambda zones, at: _named(
            model.objects.standing().filter(zone__in=zones, happened_at__gt=at)
        ).order_by("happened_at", "pk")
    )


_ROOMS = Prepared(
    lambda rooms: Room.objects.filter(pk__in=rooms).select_related("zone", "job__site").order_by("pk")
)
_CHECKS = _standing(PrepCheck)
_WETTINGS = _standing(Wetting)
_MIXES = _standing(MixAcknowledged)
_WAIVERS = _standing(Waiver)
_SHEETS_SET = Prepared(
    lambda rooms: (
        SheetsSet.objects.standing()
        .filter(room__in=rooms)
        .select_related("placement")
        .order_by("happened_at", "pk")
    )
)
_REQUIREMENTS = Prepared(lambda rooms: Requirement.objects.filter(room__in=rooms).order_by("pk"))
_NEEDS = Prepared(lambda rooms: ConsumableNeed.objects.filter(room__in=rooms).order_by("pk"))
_PRODUCTS = Prepared(lambda products: Product.objects.filter(pk__in=products))
_WAITS = Prepared(
    lambda rooms: (
        Milestone.rooms.through.objects.filter(room__in=rooms, milestone__before=Milestone.Before.INSTALL)
        .order_by("milestone__pk")
        .values_list("room", "milestone", "milestone__name")
    )
)
_REPORTS = Prepared(
    lambda milestones: _named(MilestoneReport.objects.standing().filter(milestone__in=milestones)).order_by(
        "happened_at", "recorded_at", "pk"
    )
)
_DAYS = Prepared(
    lambda rooms: (
        DayGiven.objects.standing()
        .filter(assignment__room__in=rooms)
        .filter(assignment__in=Assignment.objects.standing().values("origin"))
        .select_related("assignment")
        .order_by("recorded_at", "pk")
    )
)
_RELEASED = Prepared(
    lambda rooms: Start.objects.standing().filter(room__in=rooms).values_list("room", "happened_at")
)
_BEGAN_HELD = Prepared(
    lambda rooms: (
        BeganHeld.objects.standing()
        .filter(room__in=rooms)
        .order_by("-happened_at")
        .values_list("room", "happened_at")
    )
)
_FINISHED = Prepared(
    lambda rooms: Finish.objects.standing().filter(room__in=rooms).values_list("room", "happened_at")
)
_LOTS_OF = _standing(ConsumableLot)
_LOTS_FOR_ANY = Prepared(
    lambda jobs: _named(ConsumableLot.objects.standing().filter(room__isnull=True, job__in=jobs))
)
_MEMORIES = _of_air(Memory)
_STATEMENTS = _of_air(Statement)
_SINCE = Prepared(
    lambda zones, at: _named(_readings().filter(zone__in=zones, happened_at__gte=at)).order_by(
        "happened_at", "pk"
    )
)
