"""What a slipped arrival does: the rooms whose planned start it moves, and the latest arrival that moves none.

A room's holds are judged as if the delivery came at another instant; nothing of how they are judged is repeated
here.  Exact to the second: between the instants at which the judgement can turn, it does not.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum

from jobs.core.forecast import Forecast
from jobs.core.words import Say, say, say_n
from jobs.core.worktime import FARTHEST, Calendar, latest_work
from scheduling.core.holds import HoldState, judge_room
from scheduling.core.moment import AT_ONCE, SECOND, lasting
from scheduling.core.room_facts import Conditions, Consumables, Expected, HoldKind, Prep, RoomFacts


@dataclass(frozen=True, slots=True)
class Fed:
    """A room that a delivery feeds, and its planned start.

    `deliveries` names those of its facts that come with the lorry.  `look` is the crew's time to look at what they
    bring, in the hours of `crew` (None: at any hour), from when enough has come.
    """

    room: int
    facts: RoomFacts
    start: datetime
    deliveries: frozenset[str]
    look: timedelta = timedelta(0)
    crew: Calendar | None = None


class Move(StrEnum):
    """What a slip does to a room."""

    MOVES = "moves"
    KEEPS = "keeps"
    LATE = "late"  # it is late with the arrival as it was promised already


@dataclass(frozen=True, slots=True)
class RoomSlip:
    """What an arrival does to one room; `before` and `after` are when its sheets are ready (None: unknown).

    `latest` is the latest arrival that keeps its start.  None: any does, or if `can_be_kept` is false none does.
    """

    room: int
    start: datetime
    move: Move
    before: Forecast | None
    after: Forecast | None
    latest: datetime | None
    can_be_kept: bool


@dataclass(frozen=True, slots=True)
class Slip:
    """What an arrival does to all rooms: those that move first, then by start.

    `latest` is the latest arrival that moves none of those that some arrival keeps.  None: any does, or if
    `is_late` there is none any more.
    """

    rooms: tuple[RoomSlip, ...]
    latest: datetime | None
    is_late: bool
    #: The first instant at which any of this changes by itself (None: never).
    good_until: datetime | None

    @property
    def moved(self) -> tuple[RoomSlip, ...]:
        """The rooms that the slip moves."""
        return tuple(room for room in self.rooms if room.move is Move.MOVES)


def slip_of(fed: Iterable[Fed], *, was: datetime | None, arrives: datetime | None, now: datetime) -> Slip:
    """Return what it does to the rooms that a delivery arrives at `arrives` and not at `was`; None: not known.

    A room moves if its sheets were ready for its start and are not any more.  Whatever else holds it, its wall or
    its air, is no matter of the delivery.

    Raises:
        ValueError: the rest of a placement that counts here was good only until an instant that is past.
    """
    rooms = [_Room(one, now) for one in fed]
    slips = [room.slip(was, arrives) for room in rooms]
    kept = [room for room in rooms if room.kept]
    latest, is_late = _latest_of(kept, any_fed=bool(rooms))
    turns = [room.turns_at(at) for room in rooms for at in (was, arrives)]
    turns += [room.turns_at(room.last_kept) for room in kept]
    turns += [room.turns_at(latest) for room in kept if latest is not None]
    return Slip(
        tuple(sorted(slips, key=lambda one: (one.move is not Move.MOVES, one.start, one.room))),
        latest,
        is_late,
        min((at for at in turns if at is not None), default=None),
    )


@dataclass(frozen=True, slots=True)
class _Kept:
    """Arrivals from `first` to `last` (None: whenever) that keep a start, both included."""

    first: datetime
    last: datetime | None

    def has(self, at: datetime | None) -> bool:
        if at is None:
            return self.last is None
        return self.first <= at and (self.last is None or at <= self.last)


class _Room:
    """One room judged for pretended arrivals; each judgement is made once."""

    def __init__(self, fed: Fed, now: datetime) -> None:
        self.fed, self.now = fed, now
        # What a delivery cannot change is taken for clear, so that only its own holds are judged.
        self.facts = replace(
            fed.facts,
            milestones=(),
            prep=Prep(),
            conditions=Conditions(),
            consumables=Consumables(),
            expected=Expected(),
        )
        self.judged: dict[datetime | None, tuple[Forecast | None, datetime | None]] = {}
        self.points = self._points()
        self.kept = tuple(_joined(self._pieces()))

    def slip(self, was: datetime | None, arrives: datetime | None) -> RoomSlip:
        after = Move.KEEPS if self.keeps(arrives) else Move.MOVES
        move = after if after is Move.KEEPS or self.keeps(was) else Move.LATE
        return RoomSlip(
            self.fed.room,
            self.fed.start,
            move,
            self.ready(was)[0],
            self.ready(arrives)[0],
            self.kept[-1].last if self.kept else None,
            bool(self.kept),
        )

    def keeps(self, at: datetime | None) -> bool:
        """Return whether the sheets are ready for the start if the delivery comes at `at`."""
        ready, _turn = self.ready(at)
        # Sheets that are ready keep a start that is past: it was not for them that nobody began.
        return ready is not None and (ready == AT_ONCE or ready.instant(now=self.now) <= self.fed.start)

    def has(self, at: datetime | None) -> bool:
        """Return whether an arrival at `at` (None: however late) is among those that keep the start."""
        return any(kept.has(at) for kept in self.kept)

    def turns_at(self, at: datetime | None) -> datetime | None:
        """Return when the judgement of an arrival changes by itself (None: never)."""
        ready, turn = self.ready(at)
        flips = None
        if ready is not None and ready.after and self.keeps(at):
            flips = self.fed.start - ready.after + SECOND
        return min((one for one in (turn, flips) if one is not None), default=None)

    @property
    def last_kept(self) -> datetime:
        """The latest arrival that keeps the start (one does), or one beyond which it makes no difference."""
        return self.kept[-1].last or self.points[-1] + SECOND

    def ready(self, at: datetime | None) -> tuple[Forecast | None, datetime | None]:
        """Return when the sheets are ready if the delivery comes at `at`, and until when that is good."""
        if at not in self.judged:
            self.judged[at] = self._ready(at)
        return self.judged[at]

    def _ready(self, at: datetime | None) -> tuple[Forecast | None, datetime | None]:
        deliveries = tuple(
            replace(one, expected_at=at) if one.id in self.fed.deliveries else one
            for one in self.facts.deliveries
        )
        answer = judge_room(replace(self.facts, deliveries=deliveries), now=self.now)
        by_kind = {hold.kind: hold for hold in answer.holds}
        panels, rest = by_kind[HoldKind.PANELS_ON_SITE], by_kind[HoldKind.REST]
        held = [hold for hold in (panels, rest) if hold.state is HoldState.HELD]
        forecasts = [hold.forecast for hold in held]
        if panels in held and by_kind[HoldKind.INSPECTION].state is not HoldState.WAIVED:
            forecasts.append(self._looked_at(panels.forecast))
        known = [forecast for forecast in forecasts if forecast is not None]
        if len(known) < len(forecasts):
            return None, answer.good_until
        ready, turn = lasting(lambda moment: moment.in_order([AT_ONCE, *known])[-1][1], now=self.now)
        return ready, min((one for one in (turn, answer.good_until) if one is not None), default=None)

    def _looked_at(self, enough: Forecast | None) -> Forecast | None:
        """Return when what came has been looked at; None: unknown, or the crew's calendar has not the hours."""
        if enough is None:
            return None
        done = _work_done(self.fed.crew, enough.instant(now=self.now), self.fed.look)
        return None if done is None else Forecast.fixed(done)

    def _points(self) -> list[datetime]:
        """Return the arrivals at which the judgement can turn, in order, `now` first.

        The sheets count from their arrival, and rested from the full rest after it; either is compared with the
        start, with what else is expected and with what stands here.
        """
        facts, full = self.facts, self.facts.rest_required
        others = [one.expected_at for one in facts.deliveries if one.id not in self.fed.deliveries]
        due = [at for at in others if at is not None]
        rests = [placement.rest for placement in facts.placements]
        marks = {self.now, self.fed.start, *due, *(at + full for at in due)}
        marks |= {rest.forecast.instant(now=self.now) for rest in rests if rest.forecast is not None}
        marks |= {rest.cold.until for rest in rests if rest.cold is not None and rest.cold.until is not None}
        work = latest_work(self.fed.crew, self.fed.start, self.fed.look)
        if work is not None:
            marks.add(work[0])
        return sorted({at for mark in marks for at in (mark, mark - full) if at >= self.now})

    def _pieces(self) -> Iterator[_Kept]:
        """Yield the arrivals that keep the start: single ones, and stretches between two points."""
        for at, then in zip(self.points, [*self.points[1:], None], strict=True):
            if self.keeps(at):
                yield _Kept(at, at)
            # Between two points every arrival is judged alike, and so is all after the last.
            is_stretch = then is None or then - at > SECOND
            if is_stretch and self.keeps(at + SECOND):
                yield _Kept(at + SECOND, None if then is None else then - SECOND)


def _joined(pieces: Iterable[_Kept]) -> Iterator[_Kept]:
    """Yield pieces that follow each other without a gap as one."""
    open_piece: _Kept | None = None
    for piece in pieces:
        if open_piece is not None and open_piece.last is not None and open_piece.last + SECOND == piece.first:
            open_piece = _Kept(open_piece.first, piece.last)
            continue
        if open_piece is not None:
            yield open_piece
        open_piece = piece
    if open_piece is not None:
        yield open_piece


def _latest_of(rooms: Sequence[_Room], *, any_fed: bool) -> tuple[datetime | None, bool]:
    """Return the latest arrival that keeps every room that can be kept, and whether there is none."""
    if not rooms:
        return None, any_fed
    if all(room.has(None) for room in rooms):
        return None, False
    ends = {kept.last for room in rooms for kept in room.kept if kept.last is not None}
    common = (at for at in sorted(ends, reverse=True) if all(room.has(at) for room in rooms))
    latest = next(common, None)
    return latest, latest is None


def _work_done(crew: Calendar | None, begin: datetime, work: timedelta) -> datetime | None:
    """Return when so much working time is done from `begin` on; None: not within 800 days."""
    if crew is None or not work:
        return begin + work
    for reach in (timedelta(days=5), timedelta(days=30), timedelta(days=180), FARTHEST):
        left = work
        for start, end in crew.between(begin, begin + reach):
            if end - start >= left:
                return start + left
            left -= end - start
    return None


# ---- in words


def slip_words(slip: Slip) -> Say:
    """Return what a slip does as a sentence, with the latest arrival that moves none."""
    if slip.moved:
        what = say_n("{n} room moves", "{n} rooms move", n=len(slip.moved))
    else:
        what = say("No room moves")
    if slip.latest is not None:
        return say("{what}; the latest arrival that moves none is {at}.", what=what, at=slip.latest)
    if slip.is_late:
        return say("{what}; no arrival keeps them all any more.", what=what)
    return say("{what}, however late it comes.", what=what)
