"""The air of one zone as the rest clock sees it: what each second of it is worth under a rule.

The exact meaning, edges decided, is the contract of the worked cases, kind `rest`.  Everything here depends
on one zone's facts and the rule alone, so it is worked out once and shared by all placements in the zone.
Inside, instants are whole epoch seconds.
"""

from __future__ import annotations

import operator
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from enum import IntFlag, StrEnum
from itertools import islice
from typing import NamedTuple

from jobs.core.conditions import Band
from materials.core import spans
from materials.core.evidence import Ignored, Memory, Reading, Statement
from materials.core.instants import Instants
from materials.core.spans import FOREVER, NEVER, Span, Steps

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
SECOND = timedelta(seconds=1)


class RestartOn(StrEnum):
    """What must leave its band for too long to set the count back to zero."""

    ANY = "any"
    TEMPERATURE = "temperature"


class Proof(StrEnum):
    """What proves rest."""

    READINGS = "readings"
    READINGS_OR_STATEMENTS = "readings_or_statements"


class Kind(StrEnum):
    """What a stretch of the rest is.  Bridged time is counted time between readings far apart."""

    ABSENT = "absent"
    WRAPPED = "wrapped"
    OUT_OF_BAND = "out_of_band"
    COUNTED = "counted"
    BRIDGED = "bridged"
    STATED = "stated"
    PROVISIONAL = "provisional"
    GAP = "gap"


class Cause(IntFlag):
    """Which limit of a band air is past."""

    COLD = 1
    WARM = 2
    DRY = 4
    DAMP = 8


NOTHING_IGNORED = Ignored()
_HOT_OR_COLD = Cause.COLD | Cause.WARM


@dataclass(frozen=True, slots=True)
class RestRule:
    """How long panels must rest, in what air, and what proves it.

    Two in-band readings no further apart than `max_gap` prove the time between them; further apart than
    `fine_gap` (which may be the longer) it is shown as bridged.  More than `restart_after` out of the band
    sets the count back to zero.
    """

    required: timedelta
    max_gap: timedelta
    restart_after: timedelta
    band: Band
    fine_gap: timedelta = timedelta(hours=1)
    restart_on: RestartOn = RestartOn.ANY
    proof: Proof = Proof.READINGS
    needs_opening: bool = False

    def __post_init__(self) -> None:
        if min(self.required, self.max_gap, self.fine_gap) < SECOND or self.restart_after < timedelta(0):
            raise ValueError("the times of a rest rule are at least a second, restart_after not negative")


def seconds(at: datetime) -> int:
    """Return the epoch seconds of an aware instant."""
    return (at - EPOCH) // SECOND


def instant(at: int) -> datetime:
    """Return the instant, in UTC, of epoch seconds."""
    return datetime.fromtimestamp(at, UTC)


@dataclass(frozen=True, slots=True)
class Columns:
    """Standing readings of one zone, parallel: epoch seconds, °C, percent, and ids where they are asked for.

    In any order, though sorted is quicker; several at one instant are allowed.
    """

    at: Sequence[int] = ()
    t_c: Sequence[float] = ()
    rh_pct: Sequence[float] = ()
    ids: Sequence[str] = ()

    @classmethod
    def of_instants(
        cls, at: Iterable[datetime], t_c: Sequence[float], rh_pct: Sequence[float], ids: Sequence[str] = ()
    ) -> Columns:
        """Return columns whose instants were datetimes, as rows of a database have them."""
        return cls([seconds(one) for one in at], t_c, rh_pct, ids)

    @classmethod
    def of_readings(cls, readings: Iterable[Reading]) -> Columns:
        """Return the columns of readings that all stand and are of one zone."""
        rows = sorted((seconds(one.at), one.t_c, one.rh_pct, one.id) for one in readings)
        at, t_c, rh_pct, ids = zip(*rows, strict=True) if rows else ((), (), (), ())
        return cls(at, t_c, rh_pct, ids)

    def rises(self) -> bool:
        """Return whether the readings are sorted, one an instant."""
        return all(map(operator.lt, self.at, islice(self.at, 1, None)))

    def worst_first(self, band: Band) -> Columns:
        """Return them sorted, of one instant those out of band first: the worst of them stands for all."""
        at, t_c, rh_pct = self.at, self.t_c, self.rh_pct

        def place(i: int) -> tuple[int, bool]:
            return at[i], band.admits(t_c[i], rh_pct[i])

        return self.taken(sorted(range(len(at)), key=place))

    def taken(self, order: Sequence[int]) -> Columns:
        """Return the rows of these indices, in their order."""
        return Columns(
            [self.at[i] for i in order],
            [self.t_c[i] for i in order],
            [self.rh_pct[i] for i in order],
            [self.ids[i] for i in order] if self.ids else (),
        )

    def split(self, cut: int) -> tuple[Columns, Columns]:
        """Return the rows before an index and those from it on."""
        if cut == len(self.at):
            return self, Columns()
        at, t_c, rh_pct, ids = self.at, self.t_c, self.rh_pct, self.ids
        return (
            Columns(at[:cut], t_c[:cut], rh_pct[:cut], ids[:cut]),
            Columns(at[cut:], t_c[cut:], rh_pct[cut:], ids[cut:]),
        )

    def seen(self, from_at: datetime, to_at: datetime) -> Seen | None:
        """Return what the readings of [`from_at`, `to_at`) said, or None if there was none."""
        start, end = seconds(from_at), seconds(to_at)
        rows = [i for i, at in enumerate(self.at) if start <= at < end]
        if not rows:
            return None
        t_c, rh_pct = [self.t_c[i] for i in rows], [self.rh_pct[i] for i in rows]
        instants = len({self.at[i] for i in rows})
        return Seen(instants, min(t_c), max(t_c), min(rh_pct), max(rh_pct))


@dataclass(frozen=True, slots=True)
class Seen:
    """What the readings of a stretch said: how many instants, and the extremes in °C and percent."""

    readings: int
    t_min: float
    t_max: float
    rh_min: float
    rh_max: float


@dataclass(frozen=True, slots=True)
class Noted:
    """What a rule made of the readings of a stretch: how many instants, and which limits they were past."""

    readings: int
    causes: Cause


@dataclass(frozen=True, slots=True)
class Air:
    """What every second of one zone's air is worth under one rule.

    It is good for any present from `as_of` to before `next_fact_at`.

    Args:
        steps: kinds along time, ABSENT and WRAPPED never among them; after the last reading as they will be
            if none follows.
        zeros: sorted instants at which an excursion has lasted `restart_after` and goes on.
        said: spans of the accepted statements, joined.
        last_at: the last reading at or before `as_of`; `last_good`: whether it is in band.
        next_fact_at: when a reading or memory given already becomes a fact; `FOREVER` if there is none.
        times: when it was read up to `as_of`, rising.
        bad: those of them that are out of band, with why.
    """

    as_of: int
    next_fact_at: int
    steps: Steps[Kind]
    zeros: Sequence[int]
    said: Sequence[Span]
    last_at: int | None
    last_good: bool
    ignored: Ignored
    times: Sequence[int]
    bad: Bad

    def is_good(self, *, now: datetime) -> bool:
        """Return whether this speaks for the present `now`."""
        return self.as_of <= seconds(now) < self.next_fact_at

    def noted(self, from_at: datetime, to_at: datetime) -> Noted | None:
        """Return what the rule made of the readings of [`from_at`, `to_at`), or None if there was none."""
        start, end = seconds(from_at), seconds(to_at)
        count = bisect_left(self.times, end) - bisect_left(self.times, start)
        return Noted(count, self.bad.causes(start, end)) if count else None


def air_of(
    rule: RestRule,
    columns: Columns,
    memories: Sequence[Memory] = (),
    statements: Sequence[Statement] = (),
    *,
    now: datetime,
) -> Air:
    """Return the air of one zone from facts that stand: corrections resolved, each fact once, all its own."""
    rises = columns.rises()
    columns = columns if rises else columns.worst_first(rule.band)
    facts, later = columns.split(bisect_right(columns.at, seconds(now)))
    trace = Trace()
    trace.take(facts, rule)
    times = facts.at if rises else sorted(set(facts.at))
    heard = Heard(trace, times, later.ids, later.at[0] if later.at else FOREVER)
    return air_heard(rule, heard, memories, statements, now=now)


class Heard(NamedTuple):
    """What readings say by a present: their trace and when they were read; and those still to come.

    Args:
        later: ids of those that are still to come; `next_at`: the first of them, `FOREVER` if there is none.
    """

    trace: Trace
    times: Sequence[int]
    later: Sequence[str]
    next_at: int

    def leads(self) -> list[Span]:
        """Return the spans from the reading before each excursion, or from `NEVER`, to its beginning."""
        found: list[Span] = []
        for start, _end in self.trace.excursions():
            before = bisect_left(self.times, start)
            found.append((self.times[before - 1] if before else NEVER, start))
        return found


def air_heard(
    rule: RestRule,
    heard: Heard,
    memories: Sequence[Memory],
    statements: Sequence[Statement],
    *,
    now: datetime,
) -> Air:
    """Return the air of one zone from what its readings say by `now`, memories and statements laid over it."""
    present = seconds(now)
    trace = heard.trace
    steps = trace.steps(rule)
    said: Sequence[Span] = ()
    if statements and rule.proof is Proof.READINGS_OR_STATEMENTS:
        said = _spans_of(statements)
        standing = _let_stand(said, statements, heard.leads())
        steps = steps.painted(standing, Kind.STATED, over=(Kind.GAP, Kind.PROVISIONAL))
    next_at, ignored, bad = heard.next_at, NOTHING_IGNORED, list[Memory]()
    # Most zones have no meter's memory, and then nothing of it costs anything.
    if memories or heard.later:
        remembered = [one for one in memories if seconds(one.to_at) <= present]
        unremembered = [one for one in memories if seconds(one.to_at) > present]
        good, bad, contradicted = _judged(remembered, rule.band, trace.bad.at)
        steps = steps.painted(_spans_of(good), Kind.COUNTED, over=frozenset(Kind) - {Kind.OUT_OF_BAND})
        steps = steps.painted(_spans_of(bad), Kind.OUT_OF_BAND, over=frozenset(Kind))
        next_at = min([next_at, *(seconds(one.to_at) for one in unremembered)])
        ignored = Ignored(
            after_now=tuple(sorted([*heard.later, *(one.id for one in unremembered)])),
            contradicted=tuple(sorted(one.id for one in contradicted)),
        )
    return Air(
        as_of=present,
        next_fact_at=next_at,
        steps=steps,
        zeros=_zeros(rule, trace, bad),
        said=said,
        last_at=None if trace.last == NEVER else trace.last,
        last_good=trace.last_good,
        ignored=ignored,
        times=heard.times,
        bad=trace.bad,
    )


@dataclass(slots=True)
class Bad:
    """The readings out of band: when, and from which of them on past which limits.

    An entry of `why` begins with each excursion, and where others of the limits are passed.
    """

    at: Instants = field(default_factory=Instants)
    why_from: list[int] = field(default_factory=list)
    why: list[int] = field(default_factory=list)

    def causes(self, start: int, end: int) -> Cause:
        """Return all that was wrong in [`start`, `end`)."""
        found = 0
        first = max(bisect_right(self.why_from, start) - 1, 0)
        for i in range(first, bisect_left(self.why_from, end)):
            until = min(self.why_from[i + 1], end) if i + 1 < len(self.why_from) else end
            if self.at.upto(until - 1) > self.at.upto(max(self.why_from[i], start) - 1):
                found |= self.why[i]
        return Cause(found)

    def holds(self, at: int) -> bool:
        """Return whether one of them was read at this very instant."""
        return bool(self.at) and self.at[-1] >= at and self.at.upto(at) > self.at.upto(at - 1)

    def copied(self, first_at: int, last_at: int) -> Bad:
        """Return those from the first instant to the last, where the first begins an excursion."""
        if not self.at or self.at[-1] < first_at:
            return Bad()
        begin, end = bisect_left(self.why_from, first_at), bisect_right(self.why_from, last_at)
        at = self.at[self.at.upto(first_at - 1) : self.at.upto(last_at)]
        return Bad(at, self.why_from[begin:end], self.why[begin:end])


@dataclass(slots=True)
class Trace:
    """What readings say of each second up to the last of them; it goes on from there when others follow.

    Every step begins at a reading, and what its tail will be is in its last reading.  So it can be taken back
    to any of its readings, and be what it was then.
    """

    starts: list[int] = field(default_factory=lambda: [NEVER])
    kinds: list[Kind] = field(default_factory=lambda: [Kind.GAP])
    bad: Bad = field(default_factory=Bad)
    last: int = NEVER
    last_good: bool = False

    def take(self, columns: Columns, rule: RestRule) -> None:
        """Go on over readings later than all before, in one pass; sorted, of one instant the worst first."""
        band = rule.band
        t_min, t_max, rh_min, rh_max = band.t_min, band.t_max, band.rh_min, band.rh_max
        max_gap = rule.max_gap // SECOND
        fine_gap = min(rule.fine_gap // SECOND, max_gap)
        last, last_good = self.last, self.last_good
        bad_at: list[int] = []
        # While counted time runs, an in-band reading up to `reach` only lengthens it; `last` is left unwritten,
        # it is `reach - fine_gap`.  So a long quiet record costs about as much as a bare loop over it.
        reach = last + fine_gap if last_good and self.kinds[-1] is Kind.COUNTED else NEVER
        for at, t_c, rh_pct in zip(columns.at, columns.t_c, columns.rh_pct, strict=True):
            if t_min <= t_c <= t_max and rh_min <= rh_pct <= rh_max:
                if at <= reach:
                    reach = at + fine_gap
                    continue
                if reach != NEVER:
                    last = reach - fine_gap
                if at == last:
                    continue
                if last_good:
                    gap = at - last
                    bridged_or_gap = Kind.BRIDGED if gap <= max_gap else Kind.GAP
                    self._step(last, Kind.COUNTED if gap <= fine_gap else bridged_or_gap)
                last, last_good = at, True
                reach = at + fine_gap if self.kinds[-1] is Kind.COUNTED else NEVER
                continue
            why = (t_c < t_min) | (t_c > t_max) << 1 | (rh_pct < rh_min) << 2 | (rh_pct > rh_max) << 3
            if reach != NEVER:
                last = reach - fine_gap
            if last_good:
                self._step(last, Kind.GAP)
            begins = last_good or last == NEVER
            if begins:
                self._step(at, Kind.OUT_OF_BAND)
            self._why(at, why, begins=begins, again=at == last)
            bad_at.append(at)
            last, last_good, reach = at, False, NEVER
        if reach != NEVER:
            last = reach - fine_gap
        self.bad.at.extend(bad_at)
        self.last, self.last_good = last, last_good

    def steps(self, rule: RestRule) -> Steps[Kind]:
        """Return the kinds along time; after the last reading as they will be if none follows."""
        starts, kinds = self.starts, self.kinds
        if self.last_good:
            # Never merged with what is before: no settled step is provisional.
            tail = (Kind.PROVISIONAL, Kind.GAP)
            return Steps([*starts, self.last, self.last + rule.max_gap // SECOND], [*kinds, *tail])
        return Steps(starts, kinds)

    def excursions(self) -> Iterator[Span]:
        """Yield [first out-of-band reading, first following in-band reading); without end: `FOREVER`."""
        if Kind.OUT_OF_BAND not in self.kinds:
            return
        ends = [*self.starts[1:], self.last if self.last_good else FOREVER]
        for start, kind, end in zip(self.starts, self.kinds, ends, strict=True):
            if kind is Kind.OUT_OF_BAND:
                yield start, end

    def hot_or_cold(self) -> Iterator[Span]:
        """Yield the parts of excursions in which the temperature is out of its own limits."""
        turns, whys = self.bad.why_from, self.bad.why
        i = 0
        for _begin, end in self.excursions():
            while i < len(turns) and turns[i] < end:
                if whys[i] & _HOT_OR_COLD:
                    yield turns[i], min(turns[i + 1], end) if i + 1 < len(turns) else end
                i += 1

    def copied(self, first_at: int, last_at: int) -> Trace:
        """Return the trace as it was at one of its readings, without what lies before another instant.

        Args:
            first_at: before it nothing is told; an excursion that holds it is kept whole.
            last_at: of a reading; `NEVER`: of none.
        """
        if last_at == NEVER:
            return Trace()
        is_bad = self.bad.holds(last_at)
        end = bisect_right(self.starts, last_at) if is_bad else bisect_left(self.starts, last_at)
        # The step before one that begins at that very instant may be an excursion that a memory touches.
        begin = min(max(bisect_left(self.starts, first_at) - 1, 0), end - 1)
        starts = self.starts[begin:end]
        if begin and self.kinds[begin] is Kind.OUT_OF_BAND:
            starts, kinds = [NEVER, *starts], [Kind.GAP, *self.kinds[begin:end]]
        else:
            starts[0], kinds = NEVER, self.kinds[begin:end]
        return Trace(starts, kinds, self.bad.copied(self.starts[begin], last_at), last_at, not is_bad)

    def _step(self, at: int, kind: Kind) -> None:
        if self.kinds[-1] is not kind:
            self.starts.append(at)
            self.kinds.append(kind)

    def _why(self, at: int, why: int, *, begins: bool, again: bool) -> None:
        """Note which limits a reading is past; another of the same instant adds its own."""
        bad = self.bad
        if again:
            why |= bad.why[-1]
            if bad.why_from[-1] == at:
                bad.why[-1] = why
                return
        if begins or bad.why[-1] != why:
            bad.why_from.append(at)
            bad.why.append(why)


def _judged(
    memories: Sequence[Memory], band: Band, bad_at: Sequence[int]
) -> tuple[list[Memory], list[Memory], list[Memory]]:
    """Return the memories in band, those out of it, and those in band that a reading contradicts."""
    good: list[Memory] = []
    bad: list[Memory] = []
    contradicted: list[Memory] = []
    for memory in memories:
        lows, highs = (memory.t_min, memory.rh_min), (memory.t_max, memory.rh_max)
        if not (band.admits(*lows) and band.admits(*highs)):
            bad.append(memory)
        elif bisect_left(bad_at, seconds(memory.from_at)) < bisect_right(bad_at, seconds(memory.to_at)):
            contradicted.append(memory)
        else:
            good.append(memory)
    return good, bad, contradicted


def _zeros(rule: RestRule, trace: Trace, bad: Sequence[Memory]) -> list[int]:
    """Return when excursions have lasted `restart_after` and go on."""
    excursions = trace.excursions()
    if rule.restart_on is RestartOn.TEMPERATURE:
        excursions, admits = trace.hot_or_cold(), rule.band.admits_temperature
        bad = [one for one in bad if not (admits(one.t_min) and admits(one.t_max))]
    restart_after = rule.restart_after // SECOND
    joined = list(excursions)
    if bad or len(joined) > 1:
        joined = spans.union([*joined, *_spans_of(bad)])
    return [start + restart_after for start, end in joined if start + restart_after < end]


def _let_stand(
    said: Sequence[Span], statements: Iterable[Statement], leads: Sequence[Span]
) -> Sequence[Span]:
    """Return where a statement may count.

    Not between a reading and the out-of-band one after it, unless the statement ends before that one.
    """
    if not said or not leads:
        return said
    short: list[Span] = []
    for statement in statements:
        start, end = seconds(statement.from_at), seconds(statement.to_at)
        i = bisect_right(leads, end, key=lambda lead: lead[1])
        if i < len(leads) and leads[i][0] < end:
            short.append((max(start, leads[i][0]), end))
    return spans.union([*spans.without(said, leads), *short])


def _spans_of(facts: Iterable[Memory | Statement]) -> list[Span]:
    return spans.union((seconds(one.from_at), seconds(one.to_at)) for one in facts)
