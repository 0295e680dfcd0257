"""The demo's acts: each word of a timeline, and the service that records it."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, time
from decimal import Decimal

from jobs.facts import Envelope
from jobs.ids import uuid7
from jobs.models import Closure, Fact, Job, Milestone, Person, PrepCheck, Room, Zone
from jobs.services import seen
from jobs.services.records import add_record, edit_record
from materials.models import DefectKind, Dispatch, Opening, Order, Placement, Product
from materials.services import deliveries, sheets
from materials.services.stacks import measure_moisture, measure_stack
from scheduling import states
from scheduling.demo import air
from scheduling.demo.days import Days
from scheduling.demo.lines import Line
from scheduling.models import Crew, TimeOff
from scheduling.services import corrections, crews, handling, stacks, work

_SHEETS = re.compile(r"(?P<count>\d+) of (?P<batch>.+?) for (?P<room>.+)")
_RANGE = re.compile(r"(?P<low>[\d.]+) to (?P<high>[\d.]+)")
NOBODY = "nobody"
_DEFECTS = {kind.value.replace("_", " "): kind.value for kind in DefectKind}


@dataclass(frozen=True, slots=True)
class Scene:
    """What the acts of one job refer to by name."""

    job: Job
    days: Days
    rooms: Mapping[str, Room]
    zones: Mapping[str, Zone]
    milestones: Mapping[str, Milestone]
    orders: Mapping[str, Order]
    crews: Mapping[str, Crew]
    products: Mapping[str, Product]
    loggers: Mapping[str, air.Air]
    #: Check code → the value that is found where all is well.
    found: Mapping[str, Decimal]
    #: Facts that a later line names.
    named: dict[str, Fact] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Told:
    """A line with its names looked up, ready to be recorded."""

    line: Line
    scene: Scene
    envelope: Envelope

    def __getitem__(self, key: str) -> str:
        return self.line.values[key]

    def get(self, key: str) -> str | None:
        return self.line.values.get(key)

    def at(self, key: str) -> datetime | None:
        words = self.get(key)
        return self.scene.days.at(words) if words else None

    @property
    def room(self) -> Room:
        return self.scene.rooms[self.line.where]

    @property
    def zone(self) -> Zone:
        return self.scene.zones[self.line.where]

    @property
    def crew(self) -> Crew:
        return self.scene.crews[self["crew"]]


Act = Callable[[Told], Fact | None]
ACTS: dict[str, Act] = {}


def _act(name: str) -> Callable[[Act], Act]:
    def register(recorder: Act) -> Act:
        ACTS[name] = recorder
        return recorder

    return register


def tell(line: Line, scene: Scene, *, by: Person, at: datetime) -> None:
    """Record one line of a timeline as of when it happened."""
    envelope = Envelope(
        id=uuid7(now=at),
        happened_at=at,
        by=by,
        now=at,
        said_by=line.values.get("said by", ""),
        reason=line.values.get("why", ""),
    )
    fact = ACTS[line.act](Told(line, scene, envelope))
    if "as" in line.values and fact is not None:
        scene.named[line.values["as"]] = fact


# ---- records that need a day ----


@_act("order")
def _ordered(told: Told) -> None:
    order = told.scene.orders[told.line.where]
    on = told.envelope.happened_at.astimezone(told.scene.days.zone).date()
    edit_record(order, {"ordered_on": on}, by=told.envelope.by, now=told.envelope.now)


@_act("off")
def _off(told: Told) -> None:
    days = told.scene.days
    off = TimeOff(
        crew=told.scene.crews[told.line.where],
        from_on=days.on(told["from"]),
        to_on=days.on(told["to"]),
        reason=told.envelope.reason,
    )
    add_record(off, by=told.envelope.by, now=told.envelope.now)


@_act("closed")
def _closed(told: Told) -> None:
    days = told.scene.days
    closure = Closure(
        site=told.scene.job.site,
        from_on=days.on(told["from"]),
        to_on=days.on(told["to"]),
        reason=told.envelope.reason,
    )
    add_record(closure, by=told.envelope.by, now=told.envelope.now)


@_act("look")
def _look(told: Told) -> None:
    """Bring a room's state up to date, as anybody who opened its page did."""
    states.refresh([told.room.pk], now=told.envelope.now)


# ---- work by others, air, substrate ----


@_act("done")
def _done(told: Told) -> Fact:
    return seen.report_milestone(
        told.envelope, milestone=told.scene.milestones[told.line.where], is_done=True
    )


@_act("expect")
def _expect(told: Told) -> Fact:
    milestone = told.scene.milestones[told.line.where]
    return seen.report_milestone(told.envelope, milestone=milestone, is_done=False, expected_at=told.at("by"))


@_act("read logger")
def _read_logger(told: Told) -> Fact:
    return air.read_in(told.scene.loggers[told.line.where], told.envelope)


@_act("posts")
def _posts(told: Told) -> None:
    air.report(told.scene.loggers[told.line.where], by=told.envelope.by, now=told.envelope.now)


@_act("reading")
def _reading(told: Told) -> Fact:
    return seen.record_reading(
        told.envelope,
        zone=told.zone,
        temperature=float(told["air"]),
        unit="c",
        humidity_pct=float(told["humidity"]),
    )


def _range(words: str) -> tuple[float, float]:
    match = _RANGE.fullmatch(words)
    if match is None:
        raise ValueError(f"{words!r} is no range such as 18.3 to 20.3")
    return float(match["low"]), float(match["high"])


@_act("memory")
def _memory(told: Told) -> Fact:
    (t_min, t_max), (rh_min, rh_max) = _range(told["air"]), _range(told["humidity"])
    return seen.record_memory(
        told.envelope,
        zone=told.zone,
        from_at=told.scene.days.at(told["from"]),
        t_min=t_min,
        t_max=t_max,
        unit="c",
        rh_min=rh_min,
        rh_max=rh_max,
    )


@_act("statement")
def _statement(told: Told) -> Fact:
    return seen.state_air(told.envelope, zone=told.zone, from_at=told.scene.days.at(told["from"]))


@_act("check")
def _check(told: Told) -> Fact | None:
    """Record one check as it was found, or `all` that the room needs, `all but` one, as they should be."""
    room, code = told.room, told["check"]
    if not code.startswith("all"):
        value = Decimal(told["value"]) if told.get("value") else None
        passed = told["passed"] == "yes" if told.get("passed") else None
        (fact,) = seen.record_checks(told.envelope, rooms=[room], check_code=code, passed=passed, value=value)
        return fact
    left_out = code.removeprefix("all but ")
    for check in seen.needed_checks(room):
        if check.code != left_out:
            given = replace(told.envelope, id=told.envelope.part_id(check.code))
            value = told.scene.found.get(check.code)
            seen.record_checks(given, rooms=[room], check_code=check.code, passed=True, value=value)
    return None


@_act("correct check")
def _correct_check(told: Told) -> Fact:
    wrong = told.scene.named[told.line.where]
    assert isinstance(wrong, PrepCheck)
    given = replace(told.envelope, supersedes=wrong, happened_at=wrong.happened_at)
    (fact,) = seen.record_checks(
        given, rooms=[wrong.room], check_code=wrong.check_code, value=Decimal(told["value"])
    )
    return fact


@_act("take back")
def _take_back(told: Told) -> Fact:
    return corrections.take_back(told.scene.named[told.line.where], told.envelope)


# ---- panels and what they are fixed with ----


def _sheets(told: Told) -> list[tuple[int, str, Room | None]]:
    """Return `28 of KD-26117 for Servery / 20 of KD-26140 for nobody` as counts, batches and rooms."""
    found = []
    for words in told["sheets"].split(" / "):
        match = _SHEETS.fullmatch(words)
        if match is None:
            raise ValueError(f"{words!r} is no count of sheets such as 28 of KD-26117 for Servery")
        room = None if match["room"] == NOBODY else told.scene.rooms[match["room"]]
        found.append((int(match["count"]), match["batch"], room))
    return found


@_act("dispatch")
def _dispatch(told: Told) -> Fact:
    order = told.scene.orders[told.line.where]
    lines = [
        deliveries.BatchLine(order.lines.get(room=room), batch, count) for count, batch, room in _sheets(told)
    ]
    return deliveries.record_dispatch(
        told.envelope, order=order, lines=lines, expected_at=told.at("due"), paper=told.get("paper") or ""
    )


def _named_dispatch(told: Told, name: str) -> Dispatch:
    dispatch = told.scene.named[name]
    assert isinstance(dispatch, Dispatch)
    return dispatch


@_act("promise")
def _promise(told: Told) -> Fact:
    dispatch = _named_dispatch(told, told.line.where)
    return deliveries.promise_arrival(told.envelope, dispatch=dispatch, expected_at=told.at("due"))


def _product(told: Told, room: Room | None) -> Product:
    """Return the one panel that a room takes, or the one that the line names."""
    if room is None:
        return told.scene.products[told["product"]]
    return room.requirements.select_related("product").get().product


@_act("arrive")
def _arrive(told: Told) -> Fact:
    lines = [
        deliveries.PlacedLine(_product(told, room), batch, count, room)
        for count, batch, room in _sheets(told)
    ]
    dispatch = _named_dispatch(told, told["of"]) if told.get("of") else None
    temperatures = [
        deliveries.StackTemperature(place, float(degrees), "c")
        for place in ("face", "lorry")
        if (degrees := told.get(place))
    ]
    return deliveries.record_arrival(
        told.envelope, zone=told.zone, lines=lines, dispatch=dispatch, temperatures=temperatures
    )


def _placement(told: Told, batch: str) -> Placement:
    found: Placement = Placement.objects.standing().get(room=told.room, batch=batch)
    return found


@_act("open")
def _open(told: Told) -> Fact:
    """Record that all that stands wrapped for a room was unwrapped, and how it lies, as one handling."""
    opened = Opening.objects.standing().values("placement")
    wrapped = Placement.objects.standing().filter(room=told.room).exclude(origin__in=opened)
    placements = list(wrapped.order_by("happened_at", "batch"))
    return stacks.open_several(told.envelope, placements, lying=_lying(told))[0]


def _lying(told: Told) -> stacks.Lying | None:
    """Return `lots of 10` or `skid` as how sheets lie; None: the line does not say."""
    words = told.get("lies")
    if words is None:
        return None
    lots = words.removeprefix("lots of ")
    return stacks.Lying("lots", int(lots)) if lots != words else stacks.Lying(words)


@_act("probe")
def _probe(told: Told) -> Fact:
    return measure_stack(
        told.envelope,
        placement=_placement(told, told["batch"]),
        place="core",
        temperature=float(told["core"]),
        unit="c",
    )


@_act("pins")
def _pins(told: Told) -> Fact:
    placement = _placement(told, told["batch"])
    return measure_moisture(told.envelope, placement=placement, moisture_pct=float(told["moisture"]))


@_act("inspect")
def _inspect(told: Told) -> Fact:
    rejects = {_DEFECTS[key]: int(value) for key, value in told.line.values.items() if key in _DEFECTS}
    return handling.inspect(
        told.envelope,
        placement=_placement(told, told["batch"]),
        inspected=int(told["looked at"]),
        rejects=rejects,
        mark_seen=True,
    )


@_act("lot")
def _lot(told: Told) -> Fact:
    good_through = told.get("good through")
    return sheets.bring_lot(
        told.envelope,
        job=told.scene.job,
        room=told.room if told.line.where else None,
        product=told.scene.products[told["product"]],
        quantity=Decimal(told["quantity"]),
        good_through=told.scene.days.on(good_through) if good_through else None,
        batch=told.get("batch") or "",
    )


# ---- the work ----


@_act("give")
def _give(told: Told) -> Fact:
    from_time = told.get("from")
    return crews.give_day(
        told.envelope,
        room=told.room,
        crew=told.crew,
        first_on=told.scene.days.on(told["day"]),
        from_time=time.fromisoformat(from_time) if from_time else None,
    )


@_act("waive")
def _waive(told: Told) -> Fact:
    return work.waive_hold(told.envelope, room=told.room, hold=told["hold"], until_at=told.at("until"))


@_act("turned away")
def _turned_away(told: Told) -> Fact:
    return work.record_turned_away(told.envelope, room=told.room, crew=told.crew, refused_by=told["by"])


@_act("start")
def _start(told: Told) -> Fact:
    return work.start_room(told.envelope, room=told.room, crew=told.crew)


@_act("begin while held")
def _begin_while_held(told: Told) -> Fact:
    return work.record_began_held(told.envelope, room=told.room, crew=told.crew)


@_act("set")
def _set(told: Told) -> Fact:
    count, batch = told["sheets"].split(" of ")
    counts = {_placement(told, batch): int(count)}
    return handling.set_sheets(told.envelope, room=told.room, counts=counts)[0]


@_act("finish")
def _finish(told: Told) -> Fact:
    return work.finish_room(told.envelope, room=told.room)
