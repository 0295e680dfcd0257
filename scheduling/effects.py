"""What a change of a rule does to the rooms it touches: each judged as it is and as it would be, nothing stored."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from hashlib import sha256

from django.db.models import QuerySet

from jobs.models import Room
from materials.core.rest import RestState
from materials.rules import Pretended
from materials.services.rules import RuleEdit, facts_mark
from scheduling import states
from scheduling.core.holds import HoldState
from scheduling.core.room_facts import HoldKind
from scheduling.gather import Rested
from scheduling.models import Finish, RoomState
from scheduling.states import Judged

#: How many rooms are judged in one go.
AT_ONCE = 200


@dataclass(frozen=True, slots=True)
class RestAs:
    """The rest of a placement under one rule.

    `restarts`: how often it went back to zero; `full_at`: when it was or can be complete (None: unknown).
    """

    required: timedelta
    proven: timedelta
    state: RestState
    restarts: int
    full_at: datetime | None


@dataclass(frozen=True, slots=True)
class RestChange:
    """A placement whose rest the change alters."""

    batch: str
    before: RestAs
    after: RestAs


@dataclass(frozen=True, slots=True)
class RoomAs:
    """How a room stands under one rule; `held`: by what, in the order it clears.

    `fit_at`: when it is or can be fit to send; None: unknown.
    """

    fit: bool
    released: bool
    held: tuple[HoldKind, ...]
    fit_at: datetime | None


@dataclass(frozen=True, slots=True)
class CureAs:
    """What is asked of a room's air after the setting under one label; None: nothing is.

    `spells`: how often it was out of the setting band; `is_upset`: whether it is now.
    """

    until_at: datetime
    washing_from: datetime | None
    cooling_from: datetime | None
    spells: int
    is_upset: bool


@dataclass(frozen=True, slots=True)
class RoomChange:
    """A room that the change alters, and the day it waits for (None: none is given out, or it has begun).

    `cures`: what is asked of its air after the setting, before and after; None: the same.
    """

    room: Room
    stage: RoomState.Stage
    before: RoomAs
    after: RoomAs
    day: datetime | None
    rests: tuple[RestChange, ...]
    cures: tuple[CureAs | None, CureAs | None] | None = None

    @property
    def loses_fit(self) -> bool:
        """Whether it was fit to send and no longer is."""
        return self._waits and self.before.fit and not self.after.fit

    @property
    def gains_fit(self) -> bool:
        """Whether it becomes fit to send."""
        return self._waits and self.after.fit and not self.before.fit

    @property
    def _waits(self) -> bool:
        return self.stage == RoomState.Stage.WAITING

    @property
    def loses_day(self) -> bool:
        """Whether its promised day was in reach and no longer is."""
        return self._keeps(self.before) and not self._keeps(self.after)

    @property
    def gains_day(self) -> bool:
        """Whether its promised day comes into reach."""
        return self.day is not None and self._keeps(self.after) and not self._keeps(self.before)

    def _keeps(self, one: RoomAs) -> bool:
        return self.day is not None and one.fit_at is not None and one.fit_at <= self.day

    @property
    def outcome(self) -> tuple[object, ...]:
        """Return what of it does not slide with the clock."""
        rests = ((one.batch, one.before.state, one.after.state, one.after.restarts) for one in self.rests)
        fit = (self.before.fit, self.after.fit, self.before.released, self.after.released)
        held = (self.before.held, self.after.held)
        return (self.room.pk, *fit, *held, self.loses_day, self.gains_day, self.cures, *rests)


@dataclass(frozen=True, slots=True)
class Effects:
    """What a change does: the rooms it alters, of those (by key) that it may, and on which facts."""

    rooms: tuple[RoomChange, ...]
    among: tuple[int, ...]
    facts: str

    @property
    def touched(self) -> int:
        """Return how many rooms it may alter."""
        return len(self.among)

    @property
    def mark(self) -> str:
        """Return what tells whether the change does something else than was shown."""
        return sha256(repr([one.outcome for one in self.rooms]).encode()).hexdigest()


def effects_of(edit: RuleEdit, *, now: datetime) -> Effects:
    """Return what a change would do at `now`.

    Finished rooms are left out, as no hold keeps them any more, but for those whose air a label still watches.
    """
    every = edit.rooms()
    # Read before the rooms are judged: a fact that comes in between makes the mark look old, never the facts.
    facts = facts_mark(every)
    keys = _open_rooms(every, finished_after=now - _watched(edit))
    pretended = edit.pretended()
    changed: list[RoomChange] = []
    for first in range(0, len(keys), AT_ONCE):
        changed += _changes(keys[first : first + AT_ONCE], pretended, now=now)
    return Effects(tuple(changed), tuple(keys), facts)


def _watched(edit: RuleEdit) -> timedelta:
    """Return for how long after the setting a product's label asks for something, before or after the change."""
    names = ("cure_s", "no_washing_s", "no_cooling_s")
    asked = [getattr(one, name, None) or 0 for one in (edit.record, edit.as_changed) for name in names]
    return timedelta(seconds=max(asked))


def _open_rooms(rooms: QuerySet[Room], *, finished_after: datetime) -> list[int]:
    finished = Finish.objects.standing().filter(happened_at__lte=finished_after).values("room")
    return list(rooms.exclude(pk__in=finished).order_by("job__number", "name").values_list("pk", flat=True))


def _changes(keys: list[int], pretended: Pretended, *, now: datetime) -> Iterator[RoomChange]:
    before = states.judge(keys, now=now)
    after = states.judge(keys, pretended=pretended, now=now)
    for key in keys:
        change = change_of(before[key], after[key])
        if change is not None:
            yield change


def change_of(before: Judged, after: Judged) -> RoomChange | None:
    """Return what differs of a room between two judgements at one instant; None: nothing does."""
    rests = tuple(_rest_changes(before, after))
    was, will = _room_as(before), _room_as(after)
    cures = (_cure_as(before), _cure_as(after))
    gathered, planned = before.gathered, before.gathered.planned
    waits = gathered.stage == RoomState.Stage.WAITING
    # No hold keeps a room that has begun: of it only its rests and its air are told.
    if (was == will or not waits) and not rests and cures[0] == cures[1]:
        return None
    day = planned.shifts[0][0] if waits and planned is not None else None
    differ = cures if cures[0] != cures[1] else None
    return RoomChange(gathered.room, gathered.stage, was, will, day, rests, differ)


def _cure_as(one: Judged) -> CureAs | None:
    cure = one.cure
    if cure is None:
        return None
    return CureAs(cure.until_at, cure.washing_from, cure.cooling_from, len(cure.upset), cure.is_upset)


def _room_as(one: Judged) -> RoomAs:
    held = tuple(hold.kind for hold in one.answer.holds if hold.state is HoldState.HELD)
    # What a reading at the door clears does not keep a crew from being sent.
    forecasts = [hold.forecast for hold in one.keeping]
    instants = [forecast.instant(now=one.at) for forecast in forecasts if forecast is not None]
    fit_at = max([one.at, *instants]) if len(instants) == len(forecasts) else None
    return RoomAs(one.answer.fit_to_send, one.answer.released, held, fit_at)


def _rest_changes(before: Judged, after: Judged) -> Iterator[RestChange]:
    will = {one.standing.id: one for one in after.gathered.rests}
    for was in before.gathered.rests:
        if was.standing.sheets:
            old = _rest_as(was, now=before.at)
            new = _rest_as(will[was.standing.id], now=after.at)
            if _differ(old, new):
                yield RestChange(was.standing.batch, old, new)


def _differ(old: RestAs, new: RestAs) -> bool:
    """Return whether a rest is another; of one that is done either way only what of it is counted."""
    if old.state is new.state is RestState.PROVEN:
        return (old.proven, old.restarts) != (new.proven, new.restarts)
    return old != new


def _rest_as(one: Rested, *, now: datetime) -> RestAs:
    rest = one.rest
    return RestAs(
        required=rest.required,
        proven=rest.proven,
        state=rest.state,
        restarts=sum(stretch.restart for stretch in rest.strip),
        full_at=rest.forecast.instant(now=now) if rest.forecast is not None else rest.proven_at,
    )
