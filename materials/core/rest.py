"""How much rest is proven, until when, and why.

The exact meaning, edges decided, is the contract of the worked cases, kind `rest`.  `rest_of` answers from
facts as they come; `air_of` with `rest_in` is the same in two steps, so that placements share a zone's air.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from operator import attrgetter
from typing import NamedTuple, TypeVar

from jobs.core.forecast import Forecast
from materials.core import spans
from materials.core.air import (
    NOTHING_IGNORED,
    SECOND,
    Air,
    Columns,
    Kind,
    Proof,
    RestartOn,
    RestRule,
    air_of,
    instant,
    seconds,
)
from materials.core.evidence import (
    Ignored,
    Memory,
    Reading,
    Statement,
    WrongFact,
    distinct_memories,
    distinct_statements,
    standing_readings,
)
from materials.core.spans import FOREVER, NEVER

__all__ = [
    "Air",
    "Columns",
    "Ignored",
    "Kind",
    "Memory",
    "Presence",
    "Proof",
    "Reading",
    "Rest",
    "RestRule",
    "RestState",
    "RestartOn",
    "Statement",
    "Stretch",
    "WrongFact",
    "air_of",
    "rest_in",
    "rest_of",
]

# Tuples: of so few, looking at each is quicker than making a hash of one.
_PROVEN_KINDS = (Kind.COUNTED, Kind.BRIDGED, Kind.STATED)
_RUNNING_KINDS = (Kind.PROVISIONAL, Kind.STATED)
_IN_AT = attrgetter("in_at")
_NO_TIME = timedelta(0)

Fact = TypeVar("Fact", Reading, Memory, Statement)


class RestState(StrEnum):
    """Where a placement's rest is."""

    PROVEN = "proven"
    RESTING = "resting"
    PAUSED = "paused"
    NOT_STARTED = "not_started"


@dataclass(frozen=True, slots=True)
class Presence:
    """A placement stood in a zone over [`in_at`, `out_at`); `out_at` None: it is still there."""

    zone: Hashable
    in_at: datetime
    out_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Stretch:
    """A part of the rest of one kind.

    Args:
        zone: where the placement stood, None while absent.
        restart: the count was set to zero at `from_at`.
        lost_at: when the count that this stretch was part of was set to zero, None if it never was.
    """

    from_at: datetime
    to_at: datetime
    kind: Kind
    restart: bool
    zone: Hashable | None
    lost_at: datetime | None

    @property
    def length(self) -> timedelta:
        """How long it is."""
        return self.to_at - self.from_at

    @property
    def proven(self) -> timedelta:
        """What of it counts, or did before it was lost."""
        return self.length if self.kind in _PROVEN_KINDS else _NO_TIME


@dataclass(frozen=True, slots=True)
class Rest:
    """A placement's rest at the present `as_of`; `at` slides it to a later one before `good_until`.

    Args:
        required: by the rule.
        proven: time counted, bridged and stated since the last setting to zero, not capped at `required`.
        bridged: of `proven`, between in-band readings further apart than the rule's `fine_gap`.
        stated: of `proven`, by statements alone.
        provisional: since the last in-band reading; the next one proves it if it comes by `read_again_by`.
        proven_at: when `proven` reached `required`; None: not yet.
        forecast: the earliest it can be complete; None: unknown.  While resting it stands still.
        goes_on: the kind of the time from the present on if no fact comes; None: nothing has arrived, or the
            sheets are set.
        zone: where the placement stands; None: in no zone.
        zero_at: the last setting to zero; None: there was none.
        last_reading_at: the last reading of the zone where the placement stands, or stood last.
        read_again_by: the last instant at which an in-band reading still proves what is provisional, or still
            keeps the count from zero; None: nothing hangs on a reading.
        strip: every stretch from the first arrival to the present, or to the setting of the sheets.
        good_until: the first later instant, in whole seconds, at which more than `at` can slide differs if no
            fact comes; None: never.  A fact given already that lies in the future ends it even where it will
            change nothing.
    """

    as_of: datetime
    state: RestState
    required: timedelta
    proven: timedelta
    bridged: timedelta
    stated: timedelta
    provisional: timedelta
    proven_at: datetime | None
    forecast: Forecast | None
    goes_on: Kind | None
    zone: Hashable | None
    zero_at: datetime | None
    last_reading_at: datetime | None
    read_again_by: datetime | None
    strip: tuple[Stretch, ...]
    ignored: Ignored
    good_until: datetime | None

    @property
    def provisional_from(self) -> datetime | None:
        """The anchor of provisional time that runs: it is the present less this.  None: it does not run."""
        return self.as_of - self.provisional if self.goes_on is Kind.PROVISIONAL else None

    @property
    def proven_from(self) -> datetime | None:
        """The anchor of proven time that runs, as under a statement: it is the present less this."""
        return self.as_of - self.proven if self.goes_on is Kind.STATED else None

    def at(self, *, now: datetime) -> Rest:
        """Return the rest at a present from `as_of` to before `good_until`: what slides is slid.

        Raises:
            ValueError: this answer is not good for that present.
        """
        if now < self.as_of or (self.good_until is not None and now >= self.good_until):
            raise ValueError("this rest is not good for that present")
        gone = now - self.as_of
        stated = gone if self.goes_on is Kind.STATED else _NO_TIME
        return replace(
            self,
            as_of=now,
            proven=self.proven + stated,
            stated=self.stated + stated,
            provisional=self.provisional + (gone if self.goes_on is Kind.PROVISIONAL else _NO_TIME),
            strip=self._strip_to(now),
        )

    def _strip_to(self, now: datetime) -> tuple[Stretch, ...]:
        if self.goes_on is None or now == self.as_of:
            return self.strip
        restart = self.zero_at == self.as_of
        if self.strip and self.strip[-1].kind is self.goes_on and not restart:
            return (*self.strip[:-1], replace(self.strip[-1], to_at=now))
        return (*self.strip, Stretch(self.as_of, now, self.goes_on, restart, self.zone, None))


def rest_of(
    *,
    presence: Sequence[Presence],
    opened_at: datetime | None,
    sheets_set_at: datetime | None,
    readings: Sequence[Reading],
    memories: Sequence[Memory],
    statements: Sequence[Statement],
    rule: RestRule,
    now: datetime,
) -> Rest:
    """Return the rest of a placement from facts in any order, repeated and corrected as they may be.

    Raises:
        WrongFact: facts that cannot all be true.
    """
    standing, superseded = standing_readings(readings)
    read_in = _by_zone(standing)
    remembered_in = _by_zone(distinct_memories(memories))
    stated_in = _by_zone(distinct_statements(statements))
    air_by_zone = {
        zone: air_of(
            rule,
            Columns.of_readings(read_in.get(zone, ())),
            remembered_in.get(zone, ()),
            stated_in.get(zone, ()),
            now=now,
        )
        for zone in {one.zone for one in presence} | read_in.keys() | remembered_in.keys() | stated_in.keys()
    }
    rest = rest_in(
        air_by_zone, presence=presence, opened_at=opened_at, sheets_set_at=sheets_set_at, rule=rule, now=now
    )
    # What another zone's facts will be also changes what is listed as ignored.
    ends = [air.next_fact_at for air in air_by_zone.values()]
    if rest.good_until is not None:
        ends.append(seconds(rest.good_until))
    return replace(
        rest,
        ignored=_together((air.ignored for air in air_by_zone.values()), superseded),
        good_until=_earliest(ends),
    )


def rest_in(
    air_by_zone: Mapping[Hashable, Air],
    *,
    presence: Sequence[Presence],
    opened_at: datetime | None,
    sheets_set_at: datetime | None,
    rule: RestRule,
    now: datetime,
) -> Rest:
    """Return the rest of a placement in zones whose air is worked out.

    `ignored` and `good_until` speak of the zones in which it has stood.

    Args:
        air_by_zone: under this very rule, for every zone of `presence`.

    Raises:
        WrongFact: presences that overlap or end before they begin, sheets set before the placement arrived.
        ValueError: an air that is not good at `now`.
    """
    _check_presence(presence, sheets_set_at)
    axis = _axis_of(presence, opened_at, sheets_set_at, rule, now=now)
    airs = {stay.zone: air_by_zone[stay.zone] for stay in axis.stays}
    for air in airs.values():
        if not air.as_of <= axis.now < air.next_fact_at:
            raise ValueError("this air is not good for that present")
    zeros = _zeros(axis, airs)
    pieces = _pieces(axis, airs, zeros)
    tally = _tally(pieces, rule, since=zeros[-1] if zeros else NEVER)
    clock = _clock(axis, airs, rule)
    state = _state(tally, clock)
    read_again_by = _read_again_by(state, tally, clock)
    return Rest(
        as_of=now,
        state=state,
        required=rule.required,
        proven=tally.proven * SECOND,
        bridged=tally.bridged * SECOND,
        stated=tally.stated * SECOND,
        provisional=tally.provisional * SECOND,
        proven_at=_instant(tally.proven_at),
        forecast=_forecast(state, tally, clock),
        goes_on=_goes_on(axis, clock),
        zone=axis.here.zone if axis.here else None,
        zero_at=_instant(zeros[-1] if zeros else None),
        last_reading_at=_instant(airs[axis.stays[-1].zone].last_at if axis.stays else None),
        read_again_by=_instant(read_again_by),
        strip=_strip(pieces, zeros),
        ignored=_together((air.ignored for air in airs.values()), ()),
        good_until=_earliest(_changes(state, tally, clock, axis, airs.values(), read_again_by)),
    )


# Below, instants are epoch seconds and durations whole seconds.


class _Stay(NamedTuple):
    """Presences of one zone that follow on; `end` is `FOREVER` where none is known."""

    zone: Hashable
    start: int
    end: int


@dataclass(slots=True)
class _Axis:
    """When the placement stood where.

    Args:
        stays: those that have begun, in order.
        opened: `NEVER` where no opening is needed, `FOREVER` where it has not happened.
        set_at: when its sheets were set, None if they are not.
        ahead: when what is given already becomes a fact.
        here: the stay at the present; stays begin by then and do not overlap, so it can only be the last.
    """

    stays: Sequence[_Stay]
    opened: int
    set_at: int | None
    now: int
    ahead: Sequence[int]
    here: _Stay | None

    @property
    def end(self) -> int:
        return self.now if self.set_at is None else self.set_at


@dataclass(slots=True)
class _Clock:
    """The present of a placement that can rest: in a stay, opened, its sheets not set.

    `kind` is what the next second will be if no fact comes.
    """

    stay: _Stay
    opened: int
    air: Air
    kind: Kind
    max_gap: int
    required: int
    now: int

    @property
    def is_fresh(self) -> bool:
        last_at = self.air.last_at
        return last_at is not None and self.air.last_good and self.now - last_at <= self.max_gap

    @property
    def is_stated(self) -> bool:
        return spans.covers(self.air.said, self.now) and (self.air.last_at is None or self.air.last_good)

    @property
    def zero_ahead(self) -> int | None:
        """When an excursion that lasts will set the count to zero; a good reading by then prevents it."""
        after = max(self.stay.start, self.opened, self.now - 1)
        return next(iter(spans.between(self.air.zeros, after, self.stay.end)), None)


class _Piece(NamedTuple):
    start: int
    end: int
    kind: Kind
    zone: Hashable | None


@dataclass(slots=True)
class _Tally:
    """Sums since the last setting to zero; `reached_at`: when proven and provisional time made `required`."""

    required: int
    proven: int = 0
    bridged: int = 0
    stated: int = 0
    provisional: int = 0
    proven_at: int | None = None
    reached_at: int | None = None

    @property
    def lacking(self) -> int:
        return self.required - self.proven


def _check_presence(presence: Sequence[Presence], sheets_set_at: datetime | None) -> None:
    order = sorted(range(len(presence)), key=lambda i: presence[i].in_at)
    for before, i in zip([None, *order], order, strict=False):
        stay = presence[i]
        if stay.out_at is not None and stay.out_at <= stay.in_at:
            raise WrongFact(f"presence[{i}].out_at", "is not after in_at")
        left_at = presence[before].out_at if before is not None else stay.in_at
        if left_at is None or left_at > stay.in_at:
            raise WrongFact(f"presence[{i}].in_at", "lies in another presence")
    if sheets_set_at is not None and not (order and presence[order[0]].in_at <= sheets_set_at):
        raise WrongFact("sheets_set_at", "is before the placement arrived")


def _axis_of(
    presence: Sequence[Presence],
    opened_at: datetime | None,
    sheets_set_at: datetime | None,
    rule: RestRule,
    *,
    now: datetime,
) -> _Axis:
    present = seconds(now)
    stays: list[_Stay] = []
    ahead: list[int] = []
    for one in presence if len(presence) < 2 else sorted(presence, key=_IN_AT):
        start = seconds(one.in_at)
        if start > present:
            ahead.append(start)
            continue
        stay = _Stay(one.zone, start, FOREVER if one.out_at is None else seconds(one.out_at))
        if stays and stays[-1].zone == stay.zone and stays[-1].end == stay.start:
            stay = _Stay(stay.zone, stays.pop().start, stay.end)
        stays.append(stay)
    opened = NEVER
    if rule.needs_opening:
        opened = _unless_ahead(opened_at, present, ahead, otherwise=FOREVER)
    set_at = _unless_ahead(sheets_set_at, present, ahead, otherwise=FOREVER)
    return _Axis(
        stays=stays,
        opened=opened,
        set_at=None if set_at == FOREVER else set_at,
        now=present,
        ahead=ahead,
        here=stays[-1] if stays and present < stays[-1].end else None,
    )


def _unless_ahead(at: datetime | None, present: int, ahead: list[int], *, otherwise: int) -> int:
    """Return an instant that is a fact already; one that is to come is kept among those ahead."""
    if at is None:
        return otherwise
    second = seconds(at)
    if second <= present:
        return second
    ahead.append(second)
    return otherwise


def _zeros(axis: _Axis, airs: Mapping[Hashable, Air]) -> list[int]:
    """Return, sorted, when the count was set to zero: by an excursion that lasted, by leaving the zone."""
    zeros: set[int] = set()
    for stay in axis.stays:
        zeros.update(
            spans.between(airs[stay.zone].zeros, max(stay.start, axis.opened), min(stay.end, axis.end))
        )
        if stay.end <= axis.now and not (axis.set_at is not None and axis.set_at <= stay.end):
            zeros.add(stay.end)
    return sorted(zeros)


def _kinds(axis: _Axis, airs: Mapping[Hashable, Air]) -> Iterator[_Piece]:
    """Yield what tiles the axis, neighbours of one kind not yet merged."""
    at = axis.stays[0].start if axis.stays else axis.end
    for stay in axis.stays:
        if stay.start >= axis.end:
            break
        if at < stay.start:
            yield _Piece(at, stay.start, Kind.ABSENT, None)
        at = min(stay.end, axis.end)
        opened = min(max(stay.start, axis.opened), at)
        if stay.start < opened:
            yield _Piece(stay.start, opened, Kind.WRAPPED, stay.zone)
        for start, end, kind in airs[stay.zone].steps.within(opened, at):
            yield _Piece(start, end, kind, stay.zone)
    if at < axis.end:
        yield _Piece(at, axis.end, Kind.ABSENT, None)


def _pieces(axis: _Axis, airs: Mapping[Hashable, Air], zeros: Sequence[int]) -> list[_Piece]:
    """Return what tiles the axis: cut at each zero, else neighbours of one kind merged."""
    pieces: list[_Piece] = []
    passed, cut_at = 0, NEVER
    for start, end, kind, zone in _kinds(axis, airs):
        while passed < len(zeros) and zeros[passed] < end:
            if start < zeros[passed]:
                _lay(pieces, _Piece(start, zeros[passed], kind, zone), cut_at=cut_at)
            start = cut_at = zeros[passed]
            passed += 1
        _lay(pieces, _Piece(start, end, kind, zone), cut_at=cut_at)
    return pieces


def _lay(pieces: list[_Piece], piece: _Piece, *, cut_at: int) -> None:
    if pieces and pieces[-1].kind is piece.kind and piece.start != cut_at:
        before = pieces[-1]
        pieces[-1] = _Piece(before.start, piece.end, before.kind, before.zone)
    else:
        pieces.append(piece)


def _tally(pieces: Iterable[_Piece], rule: RestRule, *, since: int) -> _Tally:
    tally = _Tally(rule.required // SECOND)
    for piece in pieces:
        length = piece.end - piece.start
        is_proven = piece.kind in _PROVEN_KINDS
        if piece.start < since or not (is_proven or piece.kind is Kind.PROVISIONAL):
            continue
        together = tally.proven + tally.provisional
        if tally.reached_at is None and together + length >= tally.required:
            tally.reached_at = piece.start + tally.required - together
        if is_proven and tally.proven_at is None and tally.proven + length >= tally.required:
            tally.proven_at = piece.start + tally.lacking
        tally.proven += length if is_proven else 0
        tally.bridged += length if piece.kind is Kind.BRIDGED else 0
        tally.stated += length if piece.kind is Kind.STATED else 0
        tally.provisional += 0 if is_proven else length
    return tally


def _clock(axis: _Axis, airs: Mapping[Hashable, Air], rule: RestRule) -> _Clock | None:
    if axis.here is None or axis.set_at is not None or axis.now < axis.opened:
        return None
    air = airs[axis.here.zone]
    return _Clock(
        stay=axis.here,
        opened=axis.opened,
        air=air,
        kind=air.steps.at(axis.now),
        max_gap=rule.max_gap // SECOND,
        required=rule.required // SECOND,
        now=axis.now,
    )


def _state(tally: _Tally, clock: _Clock | None) -> RestState:
    if tally.lacking <= 0:
        return RestState.PROVEN
    if clock is not None and (clock.is_fresh or clock.is_stated):
        return RestState.RESTING
    return RestState.PAUSED if tally.proven + tally.provisional > 0 else RestState.NOT_STARTED


def _forecast(state: RestState, tally: _Tally, clock: _Clock | None) -> Forecast | None:
    if tally.proven_at is not None:
        return Forecast.fixed(instant(tally.proven_at))
    if clock is None:
        return None
    if state is not RestState.RESTING:
        return Forecast.sliding(tally.lacking * SECOND)
    # Proven and provisional time grow as the present does, so this stands still while the clock runs.
    runs_out_at = clock.now + tally.lacking - tally.provisional
    return Forecast.fixed(instant(runs_out_at if tally.reached_at is None else tally.reached_at))


def _goes_on(axis: _Axis, clock: _Clock | None) -> Kind | None:
    if not axis.stays or axis.set_at is not None:
        return None
    if axis.here is None:
        return Kind.ABSENT
    return Kind.WRAPPED if clock is None else clock.kind


def _read_again_by(state: RestState, tally: _Tally, clock: _Clock | None) -> int | None:
    if clock is None:
        return None
    if clock.kind is Kind.OUT_OF_BAND:
        return clock.zero_ahead if tally.proven > 0 else None
    if state is not RestState.RESTING or not clock.is_fresh or clock.air.last_at is None:
        return None
    stale_at = clock.air.last_at + clock.max_gap
    since = max(clock.stay.start, clock.opened, clock.air.last_at)
    # Where statements cover all of it, no time hangs on a reading.
    hangs = any(kind is Kind.PROVISIONAL for _, _, kind in clock.air.steps.within(since, stale_at))
    return stale_at if hangs else None


def _changes(
    state: RestState,
    tally: _Tally,
    clock: _Clock | None,
    axis: _Axis,
    airs: Iterable[Air],
    read_again_by: int | None,
) -> Iterator[int]:
    """Yield instants after the present, the first change of the answer among them."""
    yield from axis.ahead
    for air in airs:
        yield air.next_fact_at
    if axis.here is not None:
        yield axis.here.end
    if clock is None:
        return
    turn = clock.air.steps.next_after(clock.now)
    if turn is not None:
        # At the turn itself the strip only ends there; a statement holds from its first instant on.
        at, kind = turn
        begins = kind is Kind.STATED and state in (RestState.PAUSED, RestState.NOT_STARTED)
        yield at if begins else at + 1
    zero_ahead = clock.zero_ahead
    if zero_ahead is not None:
        yield zero_ahead + 1
    # A statement may outlast the readings: what is provisional is lost while the clock still runs.
    if read_again_by is not None:
        yield read_again_by + 1
    if state is RestState.RESTING and clock.kind not in _RUNNING_KINDS:
        yield clock.now + 1
    if clock.kind is Kind.STATED and tally.lacking > 0:
        yield clock.now + tally.lacking


def _strip(pieces: Sequence[_Piece], zeros: Sequence[int]) -> tuple[Stretch, ...]:
    strip: list[Stretch] = []
    at = instant(pieces[0].start) if pieces else None
    for piece in pieces:
        i, lost = bisect_left(zeros, piece.start), bisect_left(zeros, piece.end)
        restart = i < len(zeros) and zeros[i] == piece.start
        lost_at = instant(zeros[lost]) if lost < len(zeros) else None
        assert at is not None
        # They tile: the end of one is the beginning of the next.
        to_at = instant(piece.end)
        strip.append(Stretch(at, to_at, piece.kind, restart, piece.zone, lost_at))
        at = to_at
    return tuple(strip)


def _together(ignored: Iterable[Ignored], superseded: tuple[str, ...]) -> Ignored:
    every = [one for one in ignored if one is not NOTHING_IGNORED]
    if not every and not superseded:
        return NOTHING_IGNORED
    return Ignored(
        after_now=tuple(sorted(name for one in every for name in one.after_now)),
        superseded=superseded,
        contradicted=tuple(sorted(name for one in every for name in one.contradicted)),
    )


def _by_zone(facts: Iterable[Fact]) -> dict[Hashable, list[Fact]]:
    by_zone: dict[Hashable, list[Fact]] = {}
    for fact in facts:
        by_zone.setdefault(fact.zone, []).append(fact)
    return by_zone


def _instant(at: int | None) -> datetime | None:
    return None if at is None else instant(at)


def _earliest(instants: Iterable[int]) -> datetime | None:
    first = min(instants, default=FOREVER)
    return None if first >= FOREVER else instant(first)
