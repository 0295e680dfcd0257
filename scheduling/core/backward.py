"""Backward from a planned start: what is still open of each hold becomes acts with a last moment."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from jobs.core.words import Say
from jobs.core.worktime import Calendar
from scheduling.core import latest_by
from scheduling.core.holds import Act, Hold, HoldState, Who
from scheduling.core.room_facts import HoldKind, RestState, RoomFacts

#: Looking at one sheet, front and back: 0.04 crew-hours, common practice, no source.
LOOK_AT_A_SHEET = timedelta(minutes=2, seconds=24)
#: One prep check, walking to it included; common practice, no source.
MAKE_A_CHECK = timedelta(minutes=15)
#: From the supplier's gate to the dock, where nobody has said; common practice, no source.
ON_THE_ROAD = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class OpenAct:
    """An act still to be done, and the last moment at which it keeps the planned start."""

    act: Act
    says: Say
    who: Who
    hold: HoldKind
    latest_at: datetime
    #: The planned start that it keeps.
    keeps: datetime


@dataclass(frozen=True, slots=True)
class _Step:
    """An open act in the chain before the start."""

    hold: Hold
    act: Act
    says: Say
    who: Who
    duration: timedelta
    in_shift: bool
    before: tuple[tuple[str, timedelta], ...]


def open_acts(
    facts: RoomFacts,
    holds: tuple[Hold, ...],
    *,
    start: datetime,
    crew: Calendar,
    lead: timedelta | None,
) -> tuple[OpenAct, ...]:
    """Return the open acts of a room planned for `start`, by their last moment.

    Args:
        crew: when the crew works, in the site's zone; what the crew does itself lies in its hours.
        lead: the supplier's time from order to arrival; None: not known, and an order is needed at once.
    """
    steps = _chain(facts, holds, lead=lead)
    limits = _limits(steps, start=start, crew=crew)
    acts = []
    for name, step in steps.items():
        # An act that keeps a running clock has a last moment of its own, when that comes first.
        own = step.hold.act.by if step.hold.act and step.hold.act.act is step.act else None
        latest_at = min(limits[name], own) if own is not None else limits[name]
        acts.append(OpenAct(step.act, step.says, step.who, step.hold.kind, latest_at, start))
    return tuple(sorted(acts, key=lambda act: (act.latest_at, act.hold.value)))


def _limits(steps: dict[str, _Step], *, start: datetime, crew: Calendar) -> dict[str, datetime]:
    acts = [
        latest_by.Act(name, step.duration, crew if step.in_shift else None, step.before)
        for name, step in steps.items()
    ]
    return {one.id: one.latest_start for one in latest_by.latest_by(start, acts).acts}


def _chain(facts: RoomFacts, holds: tuple[Hold, ...], *, lead: timedelta | None) -> dict[str, _Step]:
    """Return the open acts by hold, each with what it must come before."""
    held = {hold.kind: hold for hold in holds if hold.state is HoldState.HELD and hold.act and hold.who}
    return {hold.kind.value: _step_of(hold, facts, held, lead) for hold in held.values()}


def _step_of(hold: Hold, facts: RoomFacts, held: dict[HoldKind, Hold], lead: timedelta | None) -> _Step:
    at_start = ((latest_by.START, timedelta(0)),)
    match hold.kind:
        case HoldKind.WORK_BY_OTHERS:
            then = ((HoldKind.SUBSTRATE.value, timedelta(0)),) if HoldKind.SUBSTRATE in held else at_start
            return _step(hold, timedelta(0), in_shift=False, before=then)
        case HoldKind.SUBSTRATE:
            return _step(hold, MAKE_A_CHECK * max(1, len(facts.prep.checks)), in_shift=True, before=at_start)
        case HoldKind.PANELS_ON_SITE:
            return _step(hold, timedelta(0), in_shift=False, before=_after_arrival(hold, facts, held, lead))
        case HoldKind.INSPECTION:
            unseen = sum(placement.sheets for placement in facts.placements)
            unseen -= sum(inspection.inspected for inspection in facts.inspections)
            return _step(hold, LOOK_AT_A_SHEET * max(1, unseen), in_shift=True, before=at_start)
        case HoldKind.REST:
            return _step(hold, timedelta(0), in_shift=True, before=((latest_by.START, _rest_left(facts)),))
        case HoldKind.ROOM_CONDITIONS:
            return _step(hold, timedelta(0), in_shift=True, before=at_start)
        case HoldKind.CONSUMABLES:
            return _step(hold, timedelta(0), in_shift=False, before=at_start)


def _after_arrival(
    hold: Hold, facts: RoomFacts, held: dict[HoldKind, Hold], lead: timedelta | None
) -> tuple[tuple[str, timedelta], ...]:
    """Return what an arrival, a dispatch or an order must come before: the whole rest, and the inspection.

    A word on the mix brings nothing here that has still to rest: it must only come before the start.
    """
    assert hold.act is not None
    if hold.act.act is Act.ACKNOWLEDGE_MIX:
        return ((latest_by.START, timedelta(0)),)
    way = timedelta(0)
    if hold.act.act is Act.LOG_DISPATCH:
        way = min(ON_THE_ROAD, lead) if lead is not None else ON_THE_ROAD
    elif hold.act.act is Act.ORDER_SHEETS:
        way = lead if lead is not None else ON_THE_ROAD
    before = [(latest_by.START, facts.rest_required + way)]
    if HoldKind.INSPECTION in held:
        before.append((HoldKind.INSPECTION.value, way))
    return tuple(before)


def _rest_left(facts: RoomFacts) -> timedelta:
    """Return the longest rest still to be proven among the placements whose clock stands still.

    A stack that is laid out because its middle is cold needs as long as it then takes.

    One that runs needs nothing but the reading that keeps it running, and has a last moment of its own; less
    what is provisional its rest would shrink as the present moves on, and the last moment with it.
    """
    stands = (RestState.PAUSED, RestState.NOT_STARTED)
    left = [
        (rest.required or facts.rest_required) - (rest.proven or timedelta(0))
        for placement in facts.placements
        if (rest := placement.rest).state in stands
    ]
    left += [
        cold.laid_out_in
        for placement in facts.placements
        if (cold := placement.rest.cold) and cold.laid_out_in
    ]
    return max([timedelta(0), *left])


def _step(
    hold: Hold, duration: timedelta, *, in_shift: bool, before: tuple[tuple[str, timedelta], ...]
) -> _Step:
    assert hold.act is not None
    assert hold.who is not None
    return _Step(hold, hold.act.act, hold.act.says, hold.who, duration, in_shift, before)
