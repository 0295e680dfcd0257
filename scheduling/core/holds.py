"""The holds: each reason why a room may not be started, what proves it, the act that clears it, and when."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum
from functools import partial

from jobs.core.forecast import Forecast
from jobs.core.words import Say, say, say_n
from scheduling.core import hold_words as words
from scheduling.core.as_found import (
    Checked,
    Standing,
    Stock,
    coming,
    count_of,
    is_air_bad,
    last_wettings,
    latest_readings,
    next_delivery,
    stored,
    worst,
)
from scheduling.core.moment import AT_ONCE, SECOND, Moment, lasting
from scheduling.core.room_facts import (
    Conditions,
    Delivery,
    HoldKind,
    Placement,
    PlacementRest,
    Requirement,
    RestState,
    RoomFacts,
    Waiver,
)


class HoldState(StrEnum):
    """Whether a hold stands; a waived one does, but a manager has signed for it."""

    CLEAR = "clear"
    HELD = "held"
    WAIVED = "waived"
    NOT_NEEDED = "not_needed"


class Act(StrEnum):
    """What can be done about a hold."""

    RECORD_MILESTONE = "record_milestone"
    PASS_PREP = "pass_prep"
    ORDER_SHEETS = "order_sheets"
    LOG_DISPATCH = "log_dispatch"
    CONFIRM_ARRIVAL = "confirm_arrival"
    ACKNOWLEDGE_MIX = "acknowledge_mix"
    INSPECT = "inspect"
    OPEN = "open"
    LAY_OUT = "lay_out"
    MEASURE_STACK = "measure_stack"
    LOG_READING = "log_reading"
    CORRECT_BANDS = "correct_bands"
    BRING_CONSUMABLES = "bring_consumables"


class Who(StrEnum):
    """Who can do it."""

    CREW_LEAD = "crew_lead"
    SUPPLIER = "supplier"
    MANAGER = "manager"
    OTHERS = "others_on_site"


@dataclass(frozen=True, slots=True)
class NextAct:
    """The act that brings a hold nearer to clear; after `by` it is too late for what runs now (None: no end)."""

    act: Act
    says: Say
    by: datetime | None = None


@dataclass(frozen=True, slots=True)
class Hold:
    """One reason, judged.

    `says` is the sentence, `proof` the fact behind it (None: there is none to show), `evidence` its ids, sorted.
    `forecast` is None unless held, and then None is unknown.  `counting`: rest is held, but it runs.
    `good_until` is the first instant at which any of this, words included, changes by itself (None: never).
    """

    kind: HoldKind
    state: HoldState
    says: Say
    proof: Say | None = None
    evidence: tuple[str, ...] = ()
    forecast: Forecast | None = None
    act: NextAct | None = None
    who: Who | None = None
    counting: bool = False
    good_until: datetime | None = None


@dataclass(frozen=True, slots=True)
class RoomAnswer:
    """The holds of a room in the order it clears them, and what follows from them.

    `earliest_start` is at once if released, None if unknown.  `good_until` is that of the whole answer.
    """

    holds: tuple[Hold, ...]
    released: bool
    fit_to_send: bool
    earliest_start: Forecast | None
    good_until: datetime | None


def judge_room(facts: RoomFacts, *, now: datetime) -> RoomAnswer:
    """Judge all holds of a room at `now` (UTC, whole seconds).

    Time is asked for through `Moment` alone, so `good_until` follows from the questions that were asked.  It is
    early only where the rest of a placement is known no longer: whether that changes a hold, its clock must say.

    Raises:
        ValueError: the rest of a placement that counts here was good only until an instant that is past.
    """
    facts = facts.once_each()
    holds = tuple(_judge_lasting(judge, facts, now=now) for judge in HOLDS)
    held = [hold for hold in holds if hold.state is HoldState.HELD]
    earliest, start_good_until = lasting(lambda moment: _latest(held, moment), now=now)
    return RoomAnswer(
        holds=holds,
        released=not held,
        fit_to_send=_is_fit_to_send(held, facts.conditions, now=now),
        earliest_start=earliest,
        good_until=_first(start_good_until, *(hold.good_until for hold in holds)),
    )


def _judge_lasting(judge: Judge, facts: RoomFacts, *, now: datetime) -> Hold:
    hold, good_until = lasting(lambda moment: _signed(judge(facts, moment), facts, moment), now=now)
    return replace(hold, good_until=good_until) if good_until else hold


def _signed(hold: Hold, facts: RoomFacts, moment: Moment) -> Hold:
    """Return the hold as it is, or waived if it is held and a manager signed for it."""
    waivers = _waivers(hold.kind, facts, moment) if hold.state is HoldState.HELD else []
    if not waivers:
        return hold
    last = max(waivers, key=lambda waiver: (waiver.at, waiver.id))
    return Hold(
        hold.kind,
        HoldState.WAIVED,
        says=hold.says,
        proof=words.waived(hold.proof, last),
        evidence=_ids(hold.evidence, (waiver.id for waiver in waivers)),
    )


def _waivers(kind: HoldKind, facts: RoomFacts, moment: Moment) -> list[Waiver]:
    return [
        waiver
        for waiver in facts.waivers
        if waiver.hold is kind and moment.has_come(waiver.at) and moment.is_before(waiver.until)
    ]


def _latest(held: Sequence[Hold], moment: Moment) -> Forecast | None:
    """Return the last forecast of those held, at once if none is, None if one is unknown."""
    forecasts = [hold.forecast for hold in held if hold.forecast]
    if len(forecasts) < len(held):
        return None
    return moment.in_order([AT_ONCE, *forecasts])[-1][1]


def _is_fit_to_send(held: Sequence[Hold], conditions: Conditions, *, now: datetime) -> bool:
    """Return whether the only hold left is one that a reading at the door can clear."""
    if any(hold.kind is not HoldKind.ROOM_CONDITIONS for hold in held):
        return False
    return not held or not is_air_bad(conditions, latest_readings(conditions, Moment(now)))


# ---- one function a hold


def work_by_others(facts: RoomFacts, moment: Moment) -> Hold:
    """Clear when every milestone is done."""
    kind = HoldKind.WORK_BY_OTHERS
    if not facts.milestones:
        return _not_needed(kind, say("This room waits for nobody else."))
    milestones = sorted(facts.milestones, key=lambda milestone: milestone.id)
    waits = [milestone for milestone in milestones if not moment.has_come(milestone.done_at)]
    if not waits:
        return _clear(
            kind,
            _ids(milestone.id for milestone in milestones),
            say("All work by others is done: {works}.", works=words.works(milestones)),
            words.last_work(milestones),
        )
    return _held(
        kind,
        _ids(milestone.id for milestone in waits),
        say("Still waiting for {works}.", works=words.works(waits)),
        words.work_promised(waits, moment),
        forecast=_last_expectation((milestone.expected_at for milestone in waits), moment),
        act=NextAct(Act.RECORD_MILESTONE, say("Record {works} done", works=words.works(waits))),
        who=Who.OTHERS,
    )


def substrate(facts: RoomFacts, moment: Moment) -> Hold:
    """Clear when every check's latest record passed after the last wetting that undoes it."""
    kind, prep = HoldKind.SUBSTRATE, facts.prep
    if not prep.checks:
        return _not_needed(kind, say("These walls need no prep checks."))
    wet = last_wettings(prep, moment)
    checked = [Checked.of(check, prep, wet, moment) for check in prep.checks]
    to_do = [one for one in checked if not one.stands]
    if not to_do:
        records = [record for one in checked for record in one.latest]
        evidence = _ids(record.id for record in records)
        return _clear(kind, evidence, words.checks_passed(checked), words.last_check(checked))
    undone = wet if any(one.undone for one in to_do) else []
    return _held(
        kind,
        _ids((record.id for one in to_do for record in one.failed), (wetting.id for wetting in undone)),
        words.checks_to_do(to_do),
        words.check_failed(to_do, undone),
        forecast=_last_expectation([facts.expected.substrate], moment),
        act=NextAct(Act.PASS_PREP, words.checks_to_make(to_do)),
        who=Who.CREW_LEAD,
    )


def panels_on_site(facts: RoomFacts, moment: Moment) -> Hold:
    """Clear when enough good sheets of every product stand here, looked at or not."""
    kind = HoldKind.PANELS_ON_SITE
    if not facts.requirement:
        return _not_needed(kind, say("No sheets are asked for here."))
    stock = Stock.of(facts, moment)
    placed = _ids(one.placement.id for one in stock.standing)
    short = [need for need in facts.requirement if not stock.stands(need)]
    if not short:
        mixes = [stock.mixes[need.product] for need in facts.requirement if stock.needs_mix(need)]
        return _clear(kind, _ids(placed, *mixes), words.enough_stands(stock), words.placed(stock.standing))
    act, who = _act_for_panels(short[0], stock, facts.deliveries)
    return _held(
        kind,
        placed,
        words.short(short, stock),
        words.placed_and_coming(short[0], stock, facts.deliveries),
        forecast=_forecast_of_panels(short, stock, facts.deliveries, moment),
        act=act,
        who=who,
    )


def inspection(facts: RoomFacts, moment: Moment) -> Hold:
    """Clear when enough good sheets were looked at, or all that are here: what lacks is for panels on site."""
    kind = HoldKind.INSPECTION
    if not facts.requirement:
        return _not_needed(kind, say("No sheets are asked for here."))
    stock = Stock.of(facts, moment)
    if stock.is_all_seen():
        seen = [one for one in stock.standing if one.seen]
        evidence = _ids(one.latest.id for one in seen if one.latest)
        return _clear(kind, evidence, words.all_seen(stock), words.last_count(seen))
    unseen = [one for one in stock.standing if not one.seen]
    return _held(
        kind,
        _ids(one.placement.id for one in unseen),
        words.not_seen(stock),
        words.last_count(stock.standing),
        forecast=_last_expectation([facts.expected.inspection], moment),
        act=_act_for_inspection(unseen),
        who=Who.CREW_LEAD if unseen else None,
    )


def rest(facts: RoomFacts, moment: Moment) -> Hold:
    """Clear when enough of the sheets that are asked have their full rest, the middle of a stack where it is asked.

    Asked are the ones that were seen if they clear inspection, else all that stand here.  Where a manager has
    waived the count, what is asked and rested is enough, however few.
    """
    kind = HoldKind.REST
    if not facts.requirement:
        return _not_needed(kind, say("No sheets are asked for here."))
    if not facts.rest_required:
        return _not_needed(kind, say("These sheets need no rest."))
    stock = Stock.of(facts, moment)
    asked = _asked(stock, all_seen=stock.is_all_seen())
    for one in asked:
        moment.uses(one.placement.rest.good_until)
    rested, unrested = [one for one in asked if one.rested], [one for one in asked if not one.rested]
    is_waived = not all(map(stock.stands, stock.needs)) and bool(
        _waivers(HoldKind.PANELS_ON_SITE, facts, moment)
    )
    if all(_is_rested(need, stock, asked, rested, is_count_waived=is_waived) for need in stock.needs):
        evidence = _ids(one.placement.id for one in rested)
        return _clear(kind, evidence, words.rested(rested, facts), words.proven(rested))
    act = _act_for_rest(unrested, moment)
    return _held(
        kind,
        _ids(one.placement.id for one in unrested),
        words.not_rested(unrested, asked, facts),
        words.last_reading(unrested),
        forecast=_forecast_of_rest(stock, facts, moment, is_count_waived=is_waived),
        act=act,
        who=Who.CREW_LEAD if act else None,
        counting=any(one.placement.rest.state is RestState.RESTING for one in unrested),
    )


def room_conditions(facts: RoomFacts, moment: Moment) -> Hold:
    """Clear when the latest reading is fresh and inside the setting band."""
    kind, conditions = HoldKind.ROOM_CONDITIONS, facts.conditions
    readings = latest_readings(conditions, moment)
    evidence = _ids(reading.id for reading in readings)
    if conditions.band_conflict:
        return _held(
            kind,
            evidence,
            say("The bands asked of the air do not meet, so no reading can be right."),
            act=NextAct(Act.CORRECT_BANDS, say("Correct the bands of this room")),
            who=Who.MANAGER,
        )
    if not conditions.band:
        return _not_needed(kind, say("Nothing is asked of the air here."))
    is_bad = is_air_bad(conditions, readings)
    if readings and not is_bad and moment.is_before(readings[0].at + conditions.fresh + SECOND):
        return _clear(kind, evidence, words.air(readings[0]), words.read(readings[0], conditions))
    put_right = say("Bring the air into its band and log a reading") if is_bad else say("Log a reading")
    return _held(
        kind,
        evidence,
        words.bad_air(readings, conditions.band) if is_bad else words.stale_air(readings),
        words.read(worst(readings, conditions.band), conditions) if readings else None,
        forecast=_last_expectation([facts.expected.room_conditions], moment),
        act=NextAct(Act.LOG_READING, put_right),
        who=Who.CREW_LEAD,
    )


def consumables(facts: RoomFacts, moment: Moment) -> Hold:
    """Clear when of every item enough is on site, fits, and is within its shelf life on the day of the start."""
    kind = HoldKind.CONSUMABLES
    items = stored(facts, moment)
    if not items:
        return _not_needed(kind, say("Nothing but panels is asked for here."))
    short = [item for item in items if item.lack > 0]
    if not short:
        evidence = _ids(lot.id for item in items for lot in item.good)
        return _clear(kind, evidence, words.in_store(items), words.last_lot(items))
    return _held(
        kind,
        _ids(lot.id for item in short for lot in item.outdated + item.unfit),
        words.lacking(short),
        words.out_of_date(short, facts.planned_start),
        forecast=_last_expectation([facts.expected.consumables], moment),
        act=NextAct(Act.BRING_CONSUMABLES, say("Bring {amounts}", amounts=words.lacks(short))),
        who=Who.CREW_LEAD,
    )


# ---- when sheets can be enough, and what brings them


def _forecast_of_panels(
    short: Iterable[Requirement], stock: Stock, deliveries: Sequence[Delivery], moment: Moment
) -> Forecast | None:
    """Return when the last of the products that are short is enough with what is expected; None: never."""
    enough_at = [_enough_at(need, stock, coming(need.product, deliveries, moment)) for need in short]
    return None if None in enough_at else Forecast.fixed(max(at for at in enough_at if at))


def _enough_at(need: Requirement, stock: Stock, due: Iterable[tuple[datetime, Delivery]]) -> datetime | None:
    counts = stock.counts(need)
    for at, delivery in due:
        counts.append(count_of(delivery))
        if stock.is_enough(need, counts):
            return at
    return None


def _act_for_panels(need: Requirement, stock: Stock, deliveries: Iterable[Delivery]) -> tuple[NextAct, Who]:
    """Return what brings the sheets of a product: a word on the mix, an order, a dispatch, an arrival."""
    lack = need.sheets - stock.good(need)
    if lack <= 0:
        return NextAct(Act.ACKNOWLEDGE_MIX, say("Acknowledge the mix of batches")), Who.MANAGER
    mine = [delivery for delivery in deliveries if delivery.product == need.product]
    unordered = lack - sum(delivery.sheets for delivery in mine)
    if unordered > 0:
        says = say_n("Order one more sheet", "Order {n} more sheets", n=unordered)
        return NextAct(Act.ORDER_SHEETS, says), Who.MANAGER
    waiting = next_delivery(delivery for delivery in mine if not delivery.dispatched)
    if waiting:
        says = say_n("Log the dispatch of one sheet", "Log the dispatch of {n} sheets", n=waiting.sheets)
        return NextAct(Act.LOG_DISPATCH, says), Who.SUPPLIER
    due = next_delivery(mine)
    assert due is not None
    says = say_n("Confirm the arrival of one sheet", "Confirm the arrival of {n} sheets", n=due.sheets)
    return NextAct(Act.CONFIRM_ARRIVAL, says), Who.CREW_LEAD


def _act_for_inspection(unseen: Sequence[Standing]) -> NextAct | None:
    lack = sum(one.unseen for one in unseen)
    if lack:
        return NextAct(Act.INSPECT, say_n("Inspect one sheet", "Inspect {n} sheets", n=lack))
    if unseen:
        marks = sum(one.placement.sheets for one in unseen)
        says = say_n("Look for the mark on one sheet", "Look for the mark on {n} sheets", n=marks)
        return NextAct(Act.INSPECT, says)
    return None


# ---- rest: what is asked, and when it can be complete


def _asked(stock: Stock, *, all_seen: bool) -> list[Standing]:
    return [one for one in stock.standing if one.seen or not all_seen]


def _is_rested(
    need: Requirement,
    stock: Stock,
    asked: Iterable[Standing],
    rested: Iterable[Standing],
    *,
    is_count_waived: bool,
    come: Sequence[Delivery] = (),
    come_rested: Sequence[Delivery] = (),
) -> bool:
    """Return whether enough is rested of a product, or all that is asked where the count is waived.

    `come` are deliveries that have come by then, `come_rested` those of them that have rested since.
    """
    counts = [one.count for one in rested if one.product == need.product]
    rested_here = len(counts)
    counts += [count_of(delivery) for delivery in come_rested if delivery.product == need.product]
    if stock.is_enough(need, counts):
        return True
    if not is_count_waived:
        return False
    asked_here = sum(1 for one in asked if one.product == need.product)
    come_here = sum(1 for delivery in come if delivery.product == need.product)
    return 0 < asked_here == rested_here and rested_here + come_here == len(counts)


def _forecast_of_rest(
    stock: Stock, facts: RoomFacts, moment: Moment, *, is_count_waived: bool
) -> Forecast | None:
    """Return the first instant at which rest can be complete; None: there is none.

    What is here stays, seen or not as it is now, and every delivery comes when it is expected, whole, and is
    inspected on arrival.  Between the instants tried here nothing changes.
    """
    full = facts.rest_required
    due = [pair for need in stock.needs for pair in coming(need.product, facts.deliveries, moment)]
    ready_at = [(_ready_at(one.placement.rest, now=moment.now), one) for one in stock.standing]
    forecasts = [
        AT_ONCE,
        *(one.placement.rest.forecast for one in stock.standing if one.placement.rest.forecast),
    ]
    forecasts += [Forecast.fixed(then) for at, _ in due for then in (at, at + full)]
    forecasts += [Forecast.fixed(at) for one in stock.standing if (at := _cold_until(one.placement.rest))]
    # Where a fixed and a sliding one meet, the sliding one, which comes last, stays true for longer.
    tries = dict(moment.in_order(forecasts))

    def is_all_seen(then: datetime) -> bool:
        return stock.is_all_seen([delivery for at, delivery in due if at <= then])

    def is_rested(then: datetime, *, all_seen: bool) -> bool:
        come = [delivery for at, delivery in due if at <= then]
        come_rested = [delivery for at, delivery in due if at + full <= then]
        asked = _asked(stock, all_seen=all_seen)
        ready = [one for at, one in ready_at if at and at <= then and (one.seen or not all_seen)]
        return all(
            _is_rested(
                need, stock, asked, ready, is_count_waived=is_count_waived, come=come, come_rested=come_rested
            )
            for need in stock.needs
        )

    instants = list(tries)
    # Deliveries only add: from the instant at which they clear inspection, the seen ones alone are asked.
    cleared = bisect_left(instants, True, key=is_all_seen)
    for all_seen, part in ((False, instants[:cleared]), (True, instants[cleared:])):
        found = _first_true(part, partial(is_rested, all_seen=all_seen), stays=not is_count_waived)
        if found:
            return tries[found]
    return None


def _first_true(
    instants: Sequence[datetime], claim: Callable[[datetime], bool], *, stays: bool
) -> datetime | None:
    """Return the first instant at which the claim is true; `stays`: once true, it stays true."""
    if not stays:
        return next(filter(claim, instants), None)
    i = bisect_left(instants, True, key=claim)
    return instants[i] if i < len(instants) else None


def _ready_at(rest: PlacementRest, *, now: datetime) -> datetime | None:
    """Return when a rest is or can be complete, `now` if it is; None: unknown."""
    full = now if rest.state is RestState.PROVEN else None
    if full is None and rest.forecast is not None:
        full = rest.forecast.instant(now=now)
    if full is None or rest.cold is None:
        return full
    return max(full, rest.cold.until) if rest.cold.until is not None else None


def _cold_until(rest: PlacementRest) -> datetime | None:
    return rest.cold.until if rest.cold is not None else None


def _act_for_rest(unrested: Sequence[Standing], moment: Moment) -> NextAct | None:
    """Return the act that brings the rest on: unwrap, measure or lay out a cold stack, else read the air."""
    if not unrested:
        return None
    wrapped = [one.placement for one in unrested if one.placement.wrapped]
    if wrapped:
        return NextAct(Act.OPEN, _unwrap(wrapped, moment))
    cold = [one.placement for one in unrested if one.placement.rest.cold is not None]
    if any(not stack.measured for one in cold if (stack := one.rest.cold)):
        return NextAct(Act.MEASURE_STACK, say("Measure how cold the stack is"))
    lay_out = sum(one.sheets for one in cold if (stack := one.rest.cold) and stack.laid_out_in)
    if lay_out:
        return NextAct(Act.LAY_OUT, say("Lay {n} sheets out in flat lots", n=lay_out))
    by = _first(*(one.placement.rest.read_again_by for one in unrested))
    return NextAct(Act.LOG_READING, say("Log a reading"), by=by)


def _unwrap(wrapped: Sequence[Placement], moment: Moment) -> Say:
    """Return the act of unwrapping; while the sheets would sweat, with the time until which the wrap stays on."""
    sheets = sum(one.sheets for one in wrapped)
    if any(one.too_damp_to_open for one in wrapped):
        return say_n("Dry the air, then unwrap one sheet", "Dry the air, then unwrap {n} sheets", n=sheets)
    waits = [one.open_from for one in wrapped if one.open_from is not None]
    if len(waits) == len(wrapped) and not moment.has_come(first := min(waits)):
        return say_n(
            "Leave the wrap on until about {at}, then unwrap one sheet",
            "Leave the wrap on until about {at}, then unwrap {n} sheets",
            n=sheets,
            at=first,
        )
    return say_n("Unwrap one sheet", "Unwrap {n} sheets", n=sheets)


# ---- what all of them share


def _last_expectation(expected: Iterable[datetime | None], moment: Moment) -> Forecast | None:
    """Return the last of the instants, None if one of them is unknown or past."""
    known = [moment.expectation(at) for at in expected]
    return None if None in known else Forecast.fixed(max(at for at in known if at))


def _not_needed(kind: HoldKind, says: Say) -> Hold:
    return Hold(kind, HoldState.NOT_NEEDED, says)


def _clear(kind: HoldKind, evidence: tuple[str, ...], says: Say, proof: Say | None) -> Hold:
    return Hold(kind, HoldState.CLEAR, says, proof, evidence)


def _held(
    kind: HoldKind,
    evidence: tuple[str, ...],
    says: Say,
    proof: Say | None = None,
    *,
    forecast: Forecast | None = None,
    act: NextAct | None,
    who: Who | None,
    counting: bool = False,
) -> Hold:
    return Hold(kind, HoldState.HELD, says, proof, evidence, forecast, act, who, counting)


def _ids(*groups: Iterable[str]) -> tuple[str, ...]:
    return tuple(sorted({key for group in groups for key in group}))


def _first(*instants: datetime | None) -> datetime | None:
    return min((at for at in instants if at), default=None)


Judge = Callable[[RoomFacts, Moment], Hold]

#: In the order in which a room clears them.
HOLDS: tuple[Judge, ...] = (
    work_by_others,
    substrate,
    panels_on_site,
    inspection,
    rest,
    room_conditions,
    consumables,
)
