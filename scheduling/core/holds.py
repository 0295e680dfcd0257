"""The holds: each reason why a room may not be started, its proof, the act that clears it, and when it can."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from decimal import Context, Decimal
from enum import StrEnum
from typing import TypeVar

from jobs.core.conditions import Band
from jobs.core.forecast import Forecast
from jobs.core.words import Say, Value, say, say_n
from scheduling.core.moment import AT_ONCE, SECOND, Moment, lasting
from scheduling.core.room_facts import (
    Check,
    Conditions,
    Delivery,
    HoldKind,
    Inspection,
    Lot,
    Milestone,
    Need,
    Placement,
    PlacementRest,
    Prep,
    PrepRecord,
    Reading,
    Requirement,
    RestState,
    RoomFacts,
    Waiver,
    Wetting,
)

D = TypeVar("D", PrepRecord, Wetting, Reading)

# Quantities are sums of decimal text: exact, whatever lies between 10^-400 and 10^400.
_EXACT = Context(prec=1000)


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
    return replace(hold, good_until=good_until)


def _first(*instants: datetime | None) -> datetime | None:
    return min((at for at in instants if at), default=None)


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
        proof=_proof_of_waiver(hold.proof, last),
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
    return not held or not _is_air_bad(conditions, _latest_readings(conditions, Moment(now)))


# ---- work by others


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
            say("All work by others is done: {works}.", works=_labels(milestones)),
            _proof_of_work(milestones),
        )
    return _held(
        kind,
        _ids(milestone.id for milestone in waits),
        say("Still waiting for {works}.", works=_labels(waits)),
        _proof_of_waiting(waits, moment),
        forecast=_last_expectation((milestone.expected_at for milestone in waits), moment),
        act=NextAct(Act.RECORD_MILESTONE, say("Record {works} done", works=_labels(waits))),
        who=Who.OTHERS,
    )


def _last_expectation(expected: Iterable[datetime | None], moment: Moment) -> Forecast | None:
    """Return the last of the instants, None if one of them is unknown or past."""
    known = [moment.expectation(at) for at in expected]
    return None if None in known else Forecast.fixed(max(at for at in known if at))


def _proof_of_work(milestones: Sequence[Milestone]) -> Say:
    done = [(milestone.done_at, milestone) for milestone in milestones if milestone.done_at]
    at, last = max(done, key=lambda pair: (pair[0], pair[1].id))
    return say("Last was {work}: {noted}", work=last.label, noted=_noted(at, last.by))


def _proof_of_waiting(waits: Sequence[Milestone], moment: Moment) -> Say:
    undated = [milestone for milestone in waits if moment.expectation(milestone.expected_at) is None]
    never = [milestone for milestone in undated if milestone.expected_at is None]
    if never:
        return say("No date given for {works}", works=_labels(never))
    if undated:
        lapsed = undated[0]
        assert lapsed.expected_at
        noted = _noted(lapsed.expected_at, lapsed.by)
        return say("{work} was promised for {noted}, and that is past", work=lapsed.label, noted=noted)
    last = max(waits, key=lambda milestone: (milestone.expected_at, milestone.id))
    assert last.expected_at
    noted = _noted(last.expected_at, last.by)
    return say("{work} is promised for {noted}", work=last.label, noted=noted)


# ---- substrate


def substrate(facts: RoomFacts, moment: Moment) -> Hold:
    """Clear when every check's latest record passed after the last wetting that undoes it."""
    kind, prep = HoldKind.SUBSTRATE, facts.prep
    if not prep.checks:
        return _not_needed(kind, say("These walls need no prep checks."))
    wet = _last_wettings(prep, moment)
    checked = [_Checked.of(check, prep, wet, moment) for check in prep.checks]
    if all(one.passed and not one.undone for one in checked):
        records = [record for one in checked for record in one.latest]
        return _clear(
            kind,
            _ids(record.id for record in records),
            say_n("The one prep check passed.", "All {n} prep checks passed.", n=len(checked)),
            _proof_of_checks(checked),
        )
    to_do = [one for one in checked if not one.passed or one.undone]
    undone = wet if any(one.undone for one in to_do) else []
    return _held(
        kind,
        _ids((record.id for one in to_do for record in one.failed), (wetting.id for wetting in undone)),
        _says_to_do(to_do),
        _proof_of_to_do(to_do, undone),
        forecast=_last_expectation([facts.expected.substrate], moment),
        act=NextAct(Act.PASS_PREP, say("Check {checks}", checks=tuple(one.check.label for one in to_do))),
        who=Who.CREW_LEAD,
    )


@dataclass(frozen=True, slots=True)
class _Checked:
    """A check and all its records of the latest instant, by id; `undone`: it passed, then the wall got wet."""

    check: Check
    latest: tuple[PrepRecord, ...]
    undone: bool

    @classmethod
    def of(cls, check: Check, prep: Prep, wet: Sequence[Wetting], moment: Moment) -> _Checked:
        mine = [record for record in prep.records if record.check == check.id and moment.has_come(record.at)]
        latest = tuple(_of_the_latest_instant(mine))
        voided = prep.voided_by_wetting is None or check.id in prep.voided_by_wetting
        passed = bool(latest) and all(record.passed for record in latest)
        return cls(check, latest, passed and voided and bool(wet) and wet[0].at >= latest[0].at)

    @property
    def failed(self) -> tuple[PrepRecord, ...]:
        return tuple(record for record in self.latest if not record.passed)

    @property
    def passed(self) -> bool:
        return bool(self.latest) and not self.failed


def _last_wettings(prep: Prep, moment: Moment) -> list[Wetting]:
    return _of_the_latest_instant(wetting for wetting in prep.wettings if moment.has_come(wetting.at))


def _says_to_do(to_do: Sequence[_Checked]) -> Say:
    if len(to_do) == 1 and to_do[0].failed and to_do[0].failed[0].finding:
        return say("{finding}", finding=to_do[0].failed[0].finding)
    return say("Prep is not done: {checks}.", checks=tuple(_says_check(one) for one in to_do))


def _says_check(one: _Checked) -> Say:
    if one.failed:
        return say("{check} failed", check=one.check.label)
    if one.undone:
        return say("{check} passed before the wall got wet", check=one.check.label)
    return say("{check} has not been checked", check=one.check.label)


def _proof_of_checks(checked: Sequence[_Checked]) -> Say:
    last = max(checked, key=lambda one: (one.latest[0].at, one.latest[0].id))
    record = last.latest[0]
    return say("Last was {check}: {noted}", check=last.check.label, noted=_noted(record.at, record.by))


def _proof_of_to_do(to_do: Sequence[_Checked], wet: Sequence[Wetting]) -> Say | None:
    failed = [one for one in to_do if one.failed]
    if failed:
        last = max(failed, key=lambda one: (one.failed[0].at, one.failed[0].id))
        record = last.failed[0]
        return say("{check} failed: {noted}", check=last.check.label, noted=_noted(record.at, record.by))
    if wet:
        return say("Wet: {noted}", noted=_noted(wet[0].at, wet[0].by))
    return None


# ---- panels on site, inspection, rest: what the sheets must be


@dataclass(frozen=True, slots=True)
class _Standing:
    """A placement that is present, and its latest inspection."""

    placement: Placement
    latest: Inspection | None

    @property
    def product(self) -> str:
        return self.placement.product

    @property
    def good(self) -> int:
        return self.placement.sheets - (self.latest.rejected if self.latest else 0)

    @property
    def unseen(self) -> int:
        return self.placement.sheets - (self.latest.inspected if self.latest else 0)

    @property
    def seen(self) -> bool:
        return self.latest is not None and self.latest.mark_seen and not self.unseen

    @property
    def rested(self) -> bool:
        return self.placement.rest.state is RestState.PROVEN

    @property
    def counts(self) -> tuple[str, int]:
        return self.placement.batch, self.good


def _standing(facts: RoomFacts, moment: Moment) -> list[_Standing]:
    """Return the present placements of the products that are asked for, by id."""
    products = {need.product for need in facts.requirement}
    present = {
        one.id: one
        for one in facts.placements
        if one.product in products and moment.has_come(one.in_at) and moment.is_before(one.out_at)
    }
    latest: dict[str, Inspection] = {}
    for inspection in facts.inspections:
        if inspection.placement in present and moment.has_come(inspection.at):
            other = latest.get(inspection.placement)
            latest[inspection.placement] = _later(inspection, other) if other else inspection
    return [_Standing(present[key], latest.get(key)) for key in sorted(present)]


def _later(one: Inspection, other: Inspection) -> Inspection:
    """Return the later of two inspections; at one instant the one that rejected more, then the smaller id."""
    if (one.at, one.rejected) != (other.at, other.rejected):
        return max(one, other, key=lambda inspection: (inspection.at, inspection.rejected))
    return min(one, other, key=lambda inspection: inspection.id)


def _mixes(facts: RoomFacts, moment: Moment) -> dict[str, list[str]]:
    """Return the acknowledged mixes by product, of products that are asked for in one batch."""
    mixes: dict[str, list[str]] = {need.product: [] for need in facts.requirement if need.one_batch}
    for mix in facts.mixes:
        if mix.product in mixes and moment.has_come(mix.at):
            mixes[mix.product].append(mix.id)
    return mixes


def _is_enough(need: Requirement, counts: Iterable[tuple[str, int]], *, mixed: object) -> bool:
    """Return whether (batch, sheets) reach the requirement: one batch must where no mix is acknowledged."""
    if not need.one_batch or mixed:
        return sum(sheets for _, sheets in counts) >= need.sheets
    return _largest_batch(counts) >= need.sheets


def _largest_batch(counts: Iterable[tuple[str, int]]) -> int:
    batches: dict[str, int] = {}
    for batch, sheets in counts:
        batches[batch] = batches.get(batch, 0) + sheets
    return max(batches.values(), default=0)


def panels_on_site(facts: RoomFacts, moment: Moment) -> Hold:
    """Clear when enough good sheets of every product stand here, looked at or not."""
    kind = HoldKind.PANELS_ON_SITE
    if not facts.requirement:
        return _not_needed(kind, say("No sheets are asked for here."))
    standing, mixes = _standing(facts, moment), _mixes(facts, moment)
    placed = _ids(one.placement.id for one in standing)
    short = [need for need in facts.requirement if not _stands_enough(need, standing, mixes)]
    if not short:
        mixed = [need.product for need in facts.requirement if _needs_mix(need, standing)]
        return _clear(
            kind,
            _ids(placed, *(mixes[product] for product in mixed)),
            _says_enough(facts.requirement, standing),
            _proof_of_placed(standing),
        )
    act, who = _act_for_panels(short[0], standing, facts.deliveries)
    return _held(
        kind,
        placed,
        _says_short(short, standing),
        _proof_of_short(short[0], standing, facts.deliveries),
        forecast=_forecast_of_panels(short, standing, mixes, facts, moment),
        act=act,
        who=who,
    )


def _stands_enough(need: Requirement, standing: Sequence[_Standing], mixes: dict[str, list[str]]) -> bool:
    return _is_enough(need, _counts(need, standing), mixed=mixes.get(need.product))


def _counts(need: Requirement, standing: Iterable[_Standing]) -> list[tuple[str, int]]:
    return [one.counts for one in standing if one.product == need.product]


def _needs_mix(need: Requirement, standing: Sequence[_Standing]) -> bool:
    return need.one_batch and not _is_enough(need, _counts(need, standing), mixed=False)


def _sheets(delivery: Delivery) -> tuple[str, int]:
    # No batch has an id for its name, so an unknown one matches nothing else.
    return delivery.batch if delivery.batch is not None else delivery.id, delivery.sheets


def _forecast_of_panels(
    short: Iterable[Requirement],
    standing: Sequence[_Standing],
    mixes: dict[str, list[str]],
    facts: RoomFacts,
    moment: Moment,
) -> Forecast | None:
    """Return when the last of the products that are short is enough with what is expected; None: never."""
    enough_at = []
    for need in short:
        counts = _counts(need, standing)
        coming = _coming(need.product, facts.deliveries, moment)
        for i, (at, delivery) in enumerate(coming):
            counts.append(_sheets(delivery))
            of_this_instant = i + 1 < len(coming) and coming[i + 1][0] == at
            if not of_this_instant and _is_enough(need, counts, mixed=mixes.get(need.product)):
                enough_at.append(at)
                break
        else:
            return None
    return Forecast.fixed(max(enough_at))


def _coming(product: str, deliveries: Iterable[Delivery], moment: Moment) -> list[tuple[datetime, Delivery]]:
    """Return the deliveries of a product that are expected now or later, in order."""
    dated = [
        (at, delivery)
        for delivery in deliveries
        if delivery.product == product and (at := moment.expectation(delivery.expected_at))
    ]
    return sorted(dated, key=lambda pair: (pair[0], pair[1].id))


def _says_enough(needs: Sequence[Requirement], standing: Sequence[_Standing]) -> Say:
    if len(needs) > 1:
        products = tuple(_says_count(need, _counts(need, standing)) for need in needs)
        return say("Enough good sheets of every product stand here: {products}.", products=products)
    need, counts = needs[0], _counts(needs[0], standing)
    good, batches = sum(sheets for _, sheets in counts), len({batch for batch, sheets in counts if sheets})
    if need.one_batch and batches == 1:
        return say(
            "{good} good sheets stand here, {needed} needed, all one batch.", good=good, needed=need.sheets
        )
    if _needs_mix(need, standing):
        return say(
            "{good} good sheets stand here, {needed} needed, of {batches} batches whose mix is acknowledged.",
            good=good,
            needed=need.sheets,
            batches=batches,
        )
    return say("{good} good sheets stand here, {needed} needed.", good=good, needed=need.sheets)


def _says_count(need: Requirement, counts: Iterable[tuple[str, int]]) -> Say:
    good = sum(sheets for _, sheets in counts)
    return say("{good} of {needed} {product}", good=good, needed=need.sheets, product=need.label)


def _says_short(short: Sequence[Requirement], standing: Sequence[_Standing]) -> Say:
    if len(short) > 1:
        return say("Short of {products}.", products=tuple(_says_lack(need, standing) for need in short))
    need, good = short[0], _good(short[0], standing)
    if not good:
        n = need.sheets
        return say_n("The one sheet needed is not here.", "None of the {n} sheets needed is here.", n=n)
    if good >= need.sheets:
        return say(
            "{good} good sheets stand here, but no batch has the {needed} needed.",
            good=good,
            needed=need.sheets,
        )
    return say(
        "{good} good sheets stand here, {needed} needed: {lack} short.",
        good=good,
        needed=need.sheets,
        lack=need.sheets - good,
    )


def _says_lack(need: Requirement, standing: Sequence[_Standing]) -> Say:
    lack = need.sheets - _good(need, standing)
    if lack <= 0:
        return say("one batch with {needed} of {product}", needed=need.sheets, product=need.label)
    return say("{lack} of {product}", lack=lack, product=need.label)


def _good(need: Requirement, standing: Iterable[_Standing]) -> int:
    return sum(sheets for _, sheets in _counts(need, standing))


def _proof_of_placed(standing: Sequence[_Standing]) -> Say:
    placed, good = sum(one.placement.sheets for one in standing), sum(one.good for one in standing)
    last = max((one.placement for one in standing), key=lambda placement: (placement.in_at, placement.id))
    noted = _noted(last.in_at, last.by)
    if good == placed:
        return say("{placed} placed; {noted}", placed=placed, noted=noted)
    return say(
        "{placed} placed, {rejected} of them rejected; {noted}",
        placed=placed,
        rejected=placed - good,
        noted=noted,
    )


def _proof_of_short(need: Requirement, standing: Sequence[_Standing], deliveries: Iterable[Delivery]) -> Say:
    mine = [one for one in standing if one.product == need.product]
    here = _proof_of_placed(mine) if mine else say("nothing placed yet")
    return say("{here}. {coming}", here=here, coming=_says_coming(_next_delivery(need.product, deliveries)))


def _says_coming(delivery: Delivery | None) -> Say:
    if delivery is None:
        return say("None on the way")
    if delivery.expected_at is None:
        return say("No date given for the {sheets} on order", sheets=delivery.sheets)
    return say(
        "{sheets} due {noted}", sheets=delivery.sheets, noted=_noted(delivery.expected_at, delivery.by)
    )


def _next_delivery(product: str, deliveries: Iterable[Delivery]) -> Delivery | None:
    """Return the delivery of a product that is due first, overdue or not; those without a date come last."""
    mine = [delivery for delivery in deliveries if delivery.product == product]
    dated = [(delivery.expected_at, delivery.id, delivery) for delivery in mine if delivery.expected_at]
    if dated:
        return min(dated, key=lambda due: due[:2])[2]
    return min(mine, key=lambda delivery: delivery.id, default=None)


def _act_for_panels(
    need: Requirement, standing: Sequence[_Standing], deliveries: Sequence[Delivery]
) -> tuple[NextAct, Who]:
    """Return what brings the sheets of a product: a word on the mix, an order, a dispatch, an arrival."""
    lack = need.sheets - _good(need, standing)
    if lack <= 0:
        return NextAct(Act.ACKNOWLEDGE_MIX, say("Acknowledge the mix of batches")), Who.MANAGER
    mine = [delivery for delivery in deliveries if delivery.product == need.product]
    unordered = lack - sum(delivery.sheets for delivery in mine)
    if unordered > 0:
        says = say_n("Order one more sheet", "Order {n} more sheets", n=unordered)
        return NextAct(Act.ORDER_SHEETS, says), Who.MANAGER
    waiting = [delivery for delivery in mine if not delivery.dispatched]
    if waiting:
        first = _next_delivery(need.product, waiting)
        assert first
        says = say_n("Log the dispatch of one sheet", "Log the dispatch of {n} sheets", n=first.sheets)
        return NextAct(Act.LOG_DISPATCH, says), Who.SUPPLIER
    first = _next_delivery(need.product, mine)
    assert first
    says = say_n("Confirm the arrival of one sheet", "Confirm the arrival of {n} sheets", n=first.sheets)
    return NextAct(Act.CONFIRM_ARRIVAL, says), Who.CREW_LEAD


def inspection(facts: RoomFacts, moment: Moment) -> Hold:
    """Clear when enough good sheets were looked at, or all that are here: what lacks then is for panels on site."""
    kind = HoldKind.INSPECTION
    if not facts.requirement:
        return _not_needed(kind, say("No sheets are asked for here."))
    standing, mixes = _standing(facts, moment), _mixes(facts, moment)
    unseen = [one for one in standing if not one.seen]
    if _is_all_seen(facts.requirement, standing, mixes):
        seen = [one for one in standing if one.latest and one.seen]
        return _clear(
            kind,
            _ids(one.latest.id for one in seen if one.latest),
            _says_seen(seen, standing),
            _proof_of_count(seen),
        )
    return _held(
        kind,
        _ids(one.placement.id for one in unseen),
        _says_unseen(facts.requirement, standing),
        _proof_of_count(standing),
        forecast=_last_expectation([facts.expected.inspection], moment),
        act=_act_for_inspection(unseen),
        who=Who.CREW_LEAD if unseen else None,
    )


def _is_all_seen(
    needs: Iterable[Requirement],
    standing: Sequence[_Standing],
    mixes: dict[str, list[str]],
    arrived: Sequence[Delivery] = (),
) -> bool:
    """Return whether inspection asks for nothing more, once what has `arrived` was inspected on arrival."""
    for need in needs:
        mine = [one for one in standing if one.product == need.product]
        counts = [one.counts for one in mine if one.seen]
        counts += [_sheets(delivery) for delivery in arrived if delivery.product == need.product]
        is_enough = _is_enough(need, counts, mixed=mixes.get(need.product))
        if not is_enough and not (mine and all(one.seen for one in mine)):
            return False
    return True


def _says_seen(seen: Sequence[_Standing], standing: Sequence[_Standing]) -> Say:
    looked_at = sum(one.placement.sheets for one in seen)
    rejected = looked_at - sum(one.good for one in seen)
    if len(seen) < len(standing):
        return say(
            "{looked_at} of {here} sheets were looked at, front and back, and that is enough.",
            looked_at=looked_at,
            here=sum(one.placement.sheets for one in standing),
        )
    if rejected:
        return say(
            "All {looked_at} sheets here were looked at, front and back: {rejected} rejected.",
            looked_at=looked_at,
            rejected=rejected,
        )
    return say("All {looked_at} sheets here were looked at, front and back.", looked_at=looked_at)


def _says_unseen(needs: Iterable[Requirement], standing: Sequence[_Standing]) -> Say:
    unseen = [one for one in standing if not one.seen]
    if not standing:
        return say("There are no sheets here to look at.")
    if not unseen:
        missing = tuple(need.label for need in needs if not _counts(need, standing))
        return say("There are no sheets of {products} here to look at.", products=missing)
    lack = sum(one.unseen for one in unseen)
    here = sum(one.placement.sheets for one in standing)
    if lack:
        return say("{lack} of {here} sheets have not been looked at, front and back.", lack=lack, here=here)
    marks = sum(one.placement.sheets for one in unseen)
    return say(
        "The maker’s mark on the back was not seen on {marks} of {here} sheets.", marks=marks, here=here
    )


def _proof_of_count(standing: Sequence[_Standing]) -> Say | None:
    counts = [one.latest for one in standing if one.latest]
    if counts:
        last = max(counts, key=lambda count: (count.at, count.id))
        return say("Last count: {noted}", noted=_noted(last.at, last.by))
    return say("No count yet; {placed}", placed=_proof_of_placed(standing)) if standing else None


def _act_for_inspection(unseen: Sequence[_Standing]) -> NextAct | None:
    lack = sum(one.unseen for one in unseen)
    if lack:
        return NextAct(Act.INSPECT, say_n("Inspect one sheet", "Inspect {n} sheets", n=lack))
    if unseen:
        marks = sum(one.placement.sheets for one in unseen)
        says = say_n("Look for the mark on one sheet", "Look for the mark on {n} sheets", n=marks)
        return NextAct(Act.INSPECT, says)
    return None


def rest(facts: RoomFacts, moment: Moment) -> Hold:
    """Clear when enough of the sheets that are asked have their full rest.

    Asked are the ones that were seen if that clears inspection, else all that stand here.  Where a manager has waived
    the count, what is asked and rested is enough, however few.
    """
    kind = HoldKind.REST
    if not facts.requirement:
        return _not_needed(kind, say("No sheets are asked for here."))
    if not facts.rest_required:
        return _not_needed(kind, say("These sheets need no rest."))
    stock = _Stock.of(facts, moment)
    asked = [one for one in stock.standing if one.seen] if stock.is_all_seen() else stock.standing
    for one in asked:
        moment.knows_until(one.placement.rest.good_until)
    rested, unrested = [one for one in asked if one.rested], [one for one in asked if not one.rested]
    if all(stock.is_rested(need, asked) for need in facts.requirement):
        return _clear(
            kind,
            _ids(one.placement.id for one in rested),
            _says_rested(rested, facts),
            _proof_of_rested(rested),
        )
    act = _act_for_rest(unrested)
    return _held(
        kind,
        _ids(one.placement.id for one in unrested),
        _says_unrested(unrested, asked, facts),
        _proof_of_unrested(unrested),
        forecast=stock.forecast_of_rest(moment),
        act=act,
        who=Who.CREW_LEAD if act else None,
        counting=any(one.placement.rest.state is RestState.RESTING for one in unrested),
    )


@dataclass(frozen=True, slots=True)
class _Stock:
    """What rest looks at: the sheets here and on their way, and whether a manager has waived the count."""

    needs: tuple[Requirement, ...]
    standing: list[_Standing]
    mixes: dict[str, list[str]]
    deliveries: tuple[Delivery, ...]
    rest_required: timedelta
    count_is_waived: bool

    @classmethod
    def of(cls, facts: RoomFacts, moment: Moment) -> _Stock:
        standing, mixes = _standing(facts, moment), _mixes(facts, moment)
        short = not all(_stands_enough(need, standing, mixes) for need in facts.requirement)
        waived = short and bool(_waivers(HoldKind.PANELS_ON_SITE, facts, moment))
        return cls(facts.requirement, standing, mixes, facts.deliveries, facts.rest_required, waived)

    def is_all_seen(self, arrived: Sequence[Delivery] = ()) -> bool:
        return _is_all_seen(self.needs, self.standing, self.mixes, arrived)

    def is_rested(self, need: Requirement, asked: Iterable[_Standing]) -> bool:
        """Return whether enough of what is asked of a product is proven, or all where the count is waived."""
        mine = [one for one in asked if one.product == need.product]
        rested = [one for one in mine if one.rested]
        if _is_enough(need, [one.counts for one in rested], mixed=self.mixes.get(need.product)):
            return True
        return self.count_is_waived and bool(mine) and len(rested) == len(mine)

    def forecast_of_rest(self, moment: Moment) -> Forecast | None:
        """Return the first instant at which rest can be complete; None: there is none.

        What is here stays, seen or not as it is now, and every delivery comes when it is expected, whole, and
        is inspected on arrival.  Between the instants tried here nothing changes.
        """
        coming = [pair for need in self.needs for pair in _coming(need.product, self.deliveries, moment)]
        forecasts = [AT_ONCE]
        forecasts += [one.placement.rest.forecast for one in self.standing if one.placement.rest.forecast]
        forecasts += [Forecast.fixed(at) for at, _ in coming]
        forecasts += [Forecast.fixed(at + self.rest_required) for at, _ in coming]
        # Where a fixed and a sliding one meet, the sliding one, which comes last, stays true for longer.
        for at, forecast in dict(moment.in_order(forecasts)).items():
            if self._can_be_rested(at, coming, now=moment.now):
                return forecast
        return None

    def _can_be_rested(
        self, at: datetime, coming: Sequence[tuple[datetime, Delivery]], *, now: datetime
    ) -> bool:
        arrived = [delivery for due, delivery in coming if due <= at]
        rested = [delivery for due, delivery in coming if due + self.rest_required <= at]
        all_seen = self.is_all_seen(arrived)
        asked = [one for one in self.standing if one.seen or not all_seen]
        ready = [one for one in asked if one.rested or _is_ready(one.placement.rest, at, now=now)]
        return all(self._is_ready_of(need, asked, ready, arrived, rested) for need in self.needs)

    def _is_ready_of(
        self,
        need: Requirement,
        asked: Iterable[_Standing],
        ready: Iterable[_Standing],
        arrived: Iterable[Delivery],
        rested: Iterable[Delivery],
    ) -> bool:
        ready_here = _counts(need, ready)
        rested_here = [_sheets(delivery) for delivery in rested if delivery.product == need.product]
        if _is_enough(need, ready_here + rested_here, mixed=self.mixes.get(need.product)):
            return True
        if not self.count_is_waived:
            return False
        asked_here = sum(1 for one in asked if one.product == need.product)
        arrived_here = sum(1 for delivery in arrived if delivery.product == need.product)
        return 0 < asked_here == len(ready_here) and arrived_here == len(rested_here)


def _is_ready(rest: PlacementRest, at: datetime, *, now: datetime) -> bool:
    return rest.forecast is not None and rest.forecast.instant(now=now) <= at


def _says_rested(rested: Sequence[_Standing], facts: RoomFacts) -> Say:
    sheets = sum(one.good for one in rested)
    full = max(
        (one.placement.rest.required or facts.rest_required for one in rested), default=facts.rest_required
    )
    return say("{sheets} sheets have their full {full} of rest.", sheets=sheets, full=full)


def _proof_of_rested(rested: Sequence[_Standing]) -> Say | None:
    proven_at = [one.placement.rest.proven_at for one in rested if one.placement.rest.proven_at]
    return say("Proven {at}", at=max(proven_at)) if proven_at else None


def _slowest(unrested: Sequence[_Standing]) -> _Standing:
    """Return the placement that is furthest behind: wrapped, or with the least proven."""
    return min(
        unrested,
        key=lambda one: (
            not one.placement.wrapped,
            one.placement.rest.proven or timedelta(0),
            one.placement.id,
        ),
    )


def _says_unrested(unrested: Sequence[_Standing], asked: Sequence[_Standing], facts: RoomFacts) -> Say:
    if not asked:
        return say("There are no sheets here to rest.")
    if not unrested:
        sheets = sum(one.good for one in asked)
        return say("{sheets} sheets have their full rest; more have to come first.", sheets=sheets)
    how = _says_rest(_slowest(unrested).placement, facts)
    if len(unrested) == 1:
        return how
    batch = _slowest(unrested).placement.batch
    return say("Slowest of {n} placements, batch {batch}: {how}", n=len(unrested), batch=batch, how=how)


def _says_rest(placement: Placement, facts: RoomFacts) -> Say:
    state = placement.rest
    full, proven = state.required or facts.rest_required, state.proven or timedelta(0)
    if placement.wrapped:
        return say("{sheets} sheets are still wrapped, so their rest has not begun.", sheets=placement.sheets)
    if state.state is RestState.NOT_STARTED:
        return say("Nothing of {full} is proven.", full=full)
    if state.state is RestState.PAUSED:
        return say("{proven} of {full} proven; the clock stands still.", proven=proven, full=full)
    if state.provisional and state.last_reading_at:
        return say(
            "{proven} of {full} proven; what came after the reading of {at} is provisional.",
            proven=proven,
            full=full,
            at=state.last_reading_at,
        )
    return say("{proven} of {full} proven, and counting.", proven=proven, full=full)


def _proof_of_unrested(unrested: Sequence[_Standing]) -> Say | None:
    if not unrested:
        return None
    slowest = _slowest(unrested).placement
    last, again = slowest.rest.last_reading_at, slowest.rest.read_again_by
    if last and again:
        return say("Last reading {at}; the next must come by {by}", at=last, by=again)
    if last:
        return say("Last reading {at}", at=last)
    return say("{placed} placed; {noted}", placed=slowest.sheets, noted=_noted(slowest.in_at, slowest.by))


def _act_for_rest(unrested: Sequence[_Standing]) -> NextAct | None:
    if not unrested:
        return None
    wrapped = sum(one.placement.sheets for one in unrested if one.placement.wrapped)
    if wrapped:
        return NextAct(Act.OPEN, say_n("Unwrap one sheet", "Unwrap {n} sheets", n=wrapped))
    by = _first(*(one.placement.rest.read_again_by for one in unrested))
    return NextAct(Act.LOG_READING, say("Log a reading"), by=by)


# ---- room conditions


def room_conditions(facts: RoomFacts, moment: Moment) -> Hold:
    """Clear when the latest reading is fresh and inside the setting band."""
    kind, conditions = HoldKind.ROOM_CONDITIONS, facts.conditions
    if conditions.band_conflict:
        return _held_by_bands(conditions, moment)
    if not conditions.band:
        return _not_needed(kind, say("Nothing is asked of the air here."))
    readings = _latest_readings(conditions, moment)
    evidence = _ids(reading.id for reading in readings)
    is_bad = _is_air_bad(conditions, readings)
    stale_at = readings[0].at + conditions.fresh + SECOND if readings else None
    if readings and not is_bad and moment.is_before(stale_at):
        return _clear(kind, evidence, _says_air(readings[0]), _proof_of_air(readings[0], conditions))
    says = _says_bad_air(readings, conditions.band) if is_bad else _says_stale_air(readings)
    put_right = say("Bring the air into its band and log a reading") if is_bad else say("Log a reading")
    return _held(
        kind,
        evidence,
        says,
        _proof_of_air(_worst(readings, conditions.band), conditions) if readings else None,
        forecast=_last_expectation([facts.expected.room_conditions], moment),
        act=NextAct(Act.LOG_READING, put_right),
        who=Who.CREW_LEAD,
    )


def _held_by_bands(conditions: Conditions, moment: Moment) -> Hold:
    return _held(
        HoldKind.ROOM_CONDITIONS,
        _ids(reading.id for reading in _latest_readings(conditions, moment)),
        say("The bands asked of the air do not meet, so no reading can be right."),
        None,
        forecast=None,
        act=NextAct(Act.CORRECT_BANDS, say("Correct the bands of this room")),
        who=Who.MANAGER,
    )


def _latest_readings(conditions: Conditions, moment: Moment) -> list[Reading]:
    """Return all readings of the latest instant, by id."""
    return _of_the_latest_instant(reading for reading in conditions.readings if moment.has_come(reading.at))


def _is_air_bad(conditions: Conditions, readings: Iterable[Reading]) -> bool:
    """Return whether a reading is out of band; no air is good where the bands do not meet."""
    band = conditions.band
    return band is None or any(not band.admits(reading.t_c, reading.rh_pct) for reading in readings)


def _worst(readings: Sequence[Reading], band: Band) -> Reading:
    """Return the first reading that is out of band, or the first."""
    return next(
        (reading for reading in readings if not band.admits(reading.t_c, reading.rh_pct)), readings[0]
    )


def _says_air(reading: Reading) -> Say:
    return say("{t_c} °C and {rh_pct} %, both inside the band.", t_c=reading.t_c, rh_pct=reading.rh_pct)


def _says_stale_air(readings: Sequence[Reading]) -> Say:
    if not readings:
        return say("Nobody has read the air here.")
    return say(
        "{t_c} °C and {rh_pct} % were inside the band, but that reading is too old.",
        t_c=readings[0].t_c,
        rh_pct=readings[0].rh_pct,
    )


def _says_bad_air(readings: Sequence[Reading], band: Band) -> Say:
    reading = _worst(readings, band)
    if reading.t_c < band.t_min:
        return say("Too cold: {t_c} °C, at least {least} °C wanted.", t_c=reading.t_c, least=band.t_min)
    if reading.t_c > band.t_max:
        return say("Too warm: {t_c} °C, at most {most} °C wanted.", t_c=reading.t_c, most=band.t_max)
    if reading.rh_pct < band.rh_min:
        return say(
            "Too dry: {rh_pct} %, at least {least} % wanted.", rh_pct=reading.rh_pct, least=band.rh_min
        )
    return say("Too damp: {rh_pct} %, at most {most} % wanted.", rh_pct=reading.rh_pct, most=band.rh_max)


def _proof_of_air(reading: Reading, conditions: Conditions) -> Say:
    noted = _noted(reading.at, reading.by)
    return say("{noted}; good until {until}", noted=noted, until=reading.at + conditions.fresh)


# ---- consumables


def consumables(facts: RoomFacts, moment: Moment) -> Hold:
    """Clear when of every item enough is on site, fits, and is within its shelf life on the day of the start."""
    kind, needs = HoldKind.CONSUMABLES, facts.consumables.needs
    if not needs:
        return _not_needed(kind, say("Nothing but panels is asked for here."))
    lots = [lot for lot in facts.consumables.lots if moment.has_come(lot.on_site_at)]
    outdated = frozenset(lot.id for lot in lots if _is_out_of_date(lot, facts, moment))
    stored = [_Stored.of(need, lots, outdated) for need in needs]
    short = [item for item in stored if item.lack > 0]
    if not short:
        good = [lot for item in stored for lot in item.good]
        return _clear(kind, _ids(lot.id for lot in good), _says_stored(stored), _proof_of_stored(good))
    return _held(
        kind,
        _ids(lot.id for item in short for lot in item.useless),
        _says_lacking(short),
        _proof_of_lacking(short, facts),
        forecast=_last_expectation([facts.expected.consumables], moment),
        act=NextAct(Act.BRING_CONSUMABLES, say("Bring {amounts}", amounts=_lacks(short))),
        who=Who.CREW_LEAD,
    )


def _is_out_of_date(lot: Lot, facts: RoomFacts, moment: Moment) -> bool:
    """Return whether the shelf life ends before the local day of the planned start, or without one before today."""
    if lot.good_through is None:
        return False
    if facts.planned_start is None:
        return moment.is_day_over(lot.good_through, facts.time_zone)
    return lot.good_through < facts.planned_start.astimezone(facts.time_zone).date()


@dataclass(frozen=True, slots=True)
class _Stored:
    """An item, and its lots on site by id: those that count on the day, those out of date, those that do not fit."""

    need: Need
    good: tuple[Lot, ...]
    outdated: tuple[Lot, ...]
    unfit: tuple[Lot, ...]

    @classmethod
    def of(cls, need: Need, lots: Iterable[Lot], outdated: frozenset[str]) -> _Stored:
        mine = sorted((lot for lot in lots if lot.item == need.item), key=lambda lot: lot.id)
        return cls(
            need,
            good=tuple(lot for lot in mine if lot.id not in outdated and not lot.unfit),
            outdated=tuple(lot for lot in mine if lot.id in outdated),
            unfit=tuple(lot for lot in mine if lot.unfit),
        )

    @property
    def useless(self) -> tuple[Lot, ...]:
        return self.outdated + self.unfit

    @property
    def here(self) -> Decimal:
        total = Decimal(0)
        for lot in self.good:
            total = _EXACT.add(total, lot.qty)
        return total

    @property
    def lack(self) -> Decimal:
        return _EXACT.subtract(self.need.qty, self.here)


def _says_stored(stored: Iterable[_Stored]) -> Say:
    return say("Here and in date: {items}.", items=tuple(_says_item(item) for item in stored))


def _says_item(item: _Stored) -> Say:
    return say(
        "{item} {here} of {needed} {unit}",
        item=item.need.label,
        here=_figure(item.here),
        needed=_figure(item.need.qty),
        unit=item.need.unit,
    )


def _says_lacking(short: Sequence[_Stored]) -> Say:
    unfit = [lot for item in short for lot in item.unfit]
    if unfit and unfit[0].unfit:
        return say(
            "Short of {amounts}; what is here does not fit: {why}.", amounts=_lacks(short), why=unfit[0].unfit
        )
    return say("Short of {amounts}.", amounts=_lacks(short))


def _lacks(short: Iterable[_Stored]) -> tuple[Value, ...]:
    return tuple(_amount(item.lack, item.need) for item in short)


def _amount(qty: Decimal, need: Need) -> Say:
    if need.unit:
        return say("{qty} {unit} of {item}", qty=_figure(qty), unit=need.unit, item=need.label)
    return say("{qty} {item}", qty=_figure(qty), item=need.label)


def _figure(qty: Decimal) -> int | float:
    return int(qty) if qty == qty.to_integral_value() else float(qty)


def _proof_of_stored(good: Sequence[Lot]) -> Say | None:
    if not good:
        return None
    last = max(good, key=lambda lot: (lot.on_site_at, lot.id))
    noted = _noted(last.on_site_at, last.by)
    ends = [lot.good_through for lot in good if lot.good_through]
    if not ends:
        return say("On site: {noted}", noted=noted)
    return say("In date to {day}; {noted}", day=min(ends), noted=noted)


def _proof_of_lacking(short: Sequence[_Stored], facts: RoomFacts) -> Say:
    outdated = [(item, lot) for item in short for lot in item.outdated]
    if not outdated:
        return say("Here and in date: {items}", items=tuple(_says_item(item) for item in short))
    item, lot = outdated[0]
    assert lot.good_through
    amount = _amount(lot.qty, item.need)
    if facts.planned_start is None:
        return say("{amount} went out of date after {end}", amount=amount, end=lot.good_through)
    return say(
        "{amount} is good to {end} only; it is wanted on {at}",
        amount=amount,
        end=lot.good_through,
        at=facts.planned_start,
    )


# ---- what all of them say


def _not_needed(kind: HoldKind, says: Say) -> Hold:
    return Hold(kind, HoldState.NOT_NEEDED, says)


def _clear(kind: HoldKind, evidence: tuple[str, ...], says: Say, proof: Say | None) -> Hold:
    return Hold(kind, HoldState.CLEAR, says, proof, evidence)


def _held(
    kind: HoldKind,
    evidence: tuple[str, ...],
    says: Say,
    proof: Say | None,
    *,
    forecast: Forecast | None,
    act: NextAct | None,
    who: Who | None,
    counting: bool = False,
) -> Hold:
    return Hold(kind, HoldState.HELD, says, proof, evidence, forecast, act, who, counting)


def _ids(*groups: Iterable[str]) -> tuple[str, ...]:
    return tuple(sorted({key for group in groups for key in group}))


def _of_the_latest_instant(facts: Iterable[D]) -> list[D]:
    """Return the facts that share the latest instant, by id."""
    known = list(facts)
    last_at = max((fact.at for fact in known), default=None)
    return sorted((fact for fact in known if fact.at == last_at), key=lambda fact: fact.id)


def _labels(things: Iterable[Milestone]) -> tuple[Value, ...]:
    return tuple(thing.label for thing in things)


def _noted(at: datetime, by: str) -> Say:
    return say("{by}, {at}", by=by, at=at) if by else say("{at}", at=at)


def _proof_of_waiver(proof: Say | None, waiver: Waiver) -> Say:
    noted = _noted(waiver.at, waiver.by)
    if proof is None:
        return say("Waived by {noted}: “{reason}”", noted=noted, reason=waiver.reason)
    return say("{proof}. Waived by {noted}: “{reason}”", proof=proof, noted=noted, reason=waiver.reason)


Judge = Callable[[RoomFacts, Moment], Hold]

HOLDS: tuple[Judge, ...] = (
    work_by_others,
    substrate,
    panels_on_site,
    inspection,
    rest,
    room_conditions,
    consumables,
)
