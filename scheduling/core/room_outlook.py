"""When a room's rest is proven, and by which choice soonest: of its placements so many as are enough."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial

from jobs.core.forecast import Forecast
from materials.core.choices import Choice, Outlook, Way, WhyNot, finish_if_in_band
from materials.core.rest import Rest
from scheduling.core import holds
from scheduling.core.holds import HoldState
from scheduling.core.moment import Moment
from scheduling.core.room_facts import Placement, PlacementRest, RestState, RoomFacts


@dataclass(frozen=True, slots=True)
class StackOutlook:
    """The outlook of one placement, and what it was found from."""

    rest: Rest
    outlook: Outlook
    open_from: datetime | None = None
    #: When the middle of the stack is warm, where the rule asks for that.
    not_before: datetime | None = None

    def by_waiting(self) -> datetime | None:
        """Return when it is proven if nothing is done; None: never, or nobody knows."""
        return self.outlook.finish

    def by(self, choice: Choice, *, now: datetime) -> datetime | None:
        """Return when it is proven if `choice`, of any placement of the room, is taken."""
        own = next((one for one in self.outlook.choices if _key(one) == _key(choice)), None)
        if own is not None:
            return own.finish
        is_off = any(one.way is Way.CLEAR for one in self.outlook.choices)
        if choice.way is Way.CLEAR and choice.by is not None and is_off:
            finish = finish_if_in_band(self.rest, choice.by, open_from=self.open_from, now=now)
            return max(finish, self.not_before) if self.not_before is not None else finish
        return self.by_waiting()

    def without(self, choice: Choice) -> datetime | None:
        """Return when it is proven if what `choice` keeps is let go."""
        own = next((one for one in self.outlook.choices if _key(one) == _key(choice)), None)
        return own.otherwise if own is not None and own.otherwise is not None else self.by_waiting()


def room_outlook(facts: RoomFacts, stacks: Mapping[str, StackOutlook], *, now: datetime) -> Outlook:
    """Return the outlook of a room: each finish is the forecast of its rest hold, were its placements so.

    Args:
        facts: what is asked, what stands here and what is coming.
        stacks: by the id of its placement; one that is not among them never rests.
    """
    room = _Room(facts, stacks, now)
    found: dict[Hashable, Choice] = {}
    for choice in _alike(stacks.values()):
        finish = room.finish(partial(StackOutlook.by, choice=choice, now=now))
        if finish is not None:
            otherwise = None
            if choice.otherwise is not None:
                otherwise = room.finish(partial(StackOutlook.without, choice=choice))
            found[_key(choice)] = replace(choice, finish=finish, otherwise=otherwise)
    choices = sorted(found.values(), key=lambda one: (one.finish, one.way.value, one.zone_name))
    waiting = room.finish(StackOutlook.by_waiting)
    why = _why_not(stacks.values()) if waiting is None else Outlook(None)
    return replace(why, finish=waiting, choices=tuple(choices))


@dataclass(frozen=True, slots=True)
class _Room:
    facts: RoomFacts
    stacks: Mapping[str, StackOutlook]
    now: datetime

    def finish(self, finish_of: Callable[[StackOutlook], datetime | None]) -> datetime | None:
        """Return when enough of the placements are proven, each when `finish_of` says."""
        placements = tuple(self._pretended(one, finish_of) for one in self.facts.placements)
        hold = holds.rest(replace(self.facts, placements=placements), Moment(self.now))
        if hold.state is not HoldState.HELD:
            return self.now
        return hold.forecast.instant(now=self.now) if hold.forecast is not None else None

    def _pretended(
        self, placement: Placement, finish_of: Callable[[StackOutlook], datetime | None]
    ) -> Placement:
        stack = self.stacks.get(placement.id)
        finish = finish_of(stack) if stack is not None else None
        if finish is None:
            return replace(placement, rest=PlacementRest())
        forecast = Forecast.fixed(finish)
        if stack is not None and stack.rest.state is RestState.PROVEN and finish <= self.now:
            rest = PlacementRest(state=RestState.PROVEN, proven_at=finish, forecast=forecast)
        else:
            rest = PlacementRest(state=RestState.RESTING, forecast=forecast)
        return replace(placement, rest=rest)


def _alike(stacks: Iterable[StackOutlook]) -> Iterable[Choice]:
    """Return the choices of all placements, those that are one act in the room made one."""
    found: dict[Hashable, Choice] = {}
    for stack in stacks:
        for choice in stack.outlook.choices:
            known = found.get(_key(choice))
            found[_key(choice)] = choice if known is None else _together(known, choice)
    return found.values()


def _together(one: Choice, other: Choice) -> Choice:
    """Return a choice that serves both: by the earlier moment, against whatever the air lacks for either."""
    worst = {off.limit: off for off in sorted((*one.off, *other.off), key=lambda off: off.by)}
    return replace(
        one,
        by=_first(one.by, other.by),
        otherwise=one.otherwise or other.otherwise,
        keeps=max(one.keeps, other.keeps),
        keeps_until=_first(one.keeps_until, other.keeps_until),
        since=_first(one.since, other.since),
        off=tuple(worst[limit] for limit in sorted(worst)),
    )


def _key(choice: Choice) -> Hashable:
    """Return what makes two choices of different placements one act in the room."""
    return (choice.way, choice.zone, choice.by if choice.way is Way.CLEAR else None)


def _why_not(stacks: Iterable[StackOutlook]) -> Outlook:
    """Return why waiting does not prove the rest: the first placement's reason, else that too few are here."""
    for stack in stacks:
        if stack.outlook.finish is None:
            return replace(stack.outlook, choices=())
    return Outlook(None, WhyNot.TOO_FEW)


def _first(*instants: datetime | None) -> datetime | None:
    return min((at for at in instants if at is not None), default=None)
