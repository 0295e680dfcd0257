"""The air of one zone as the rest clock sees it: what each second of it is worth under a rule.

The exact meaning, edges decided, is the contract of the worked cases, kind `rest`.  Everything here depends
on one zone's facts and the rule alone, so it is worked out once and shared by all placements in the zone.
Inside, instants are whole epoch seconds.
"""

from __future__ import annotations

import operator
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from itertools import islice

from jobs.core.conditions import Band
from materials.core import spans
from materials.core.evidence import Ignored, Memory, Reading, Statement
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
    return EPOCH + timedelta(seconds=at)


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


@dataclass(frozen=True, slots=True)
class Seen:
    """What the readings of a stretch said: how many instants, and the extremes in °C and percent."""

    readings: int
    t_min: float
    t_max: float
    rh_min: float
    rh_max: float


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
        columns: the readings up to `as_of`, one an instant, sorted.
    """

    as_of: int
    next_fact_at: int
    steps: Steps[Kind]
    zeros: Sequence[int]
    said: Sequence[Span]
    last_at: int | None
    last_good: bool
    ignored: Ignored
    columns: Columns

    def is_good(self, *, now: datetime) -> bool:
        """Return whether this speaks for the present `now`."""
        return self.as_of <= seconds(now) < self.next_fact_at

    def seen(self, from_at: datetime, to_at: datetime) -> Seen | None:
        """Return what the readings of [`from_at`, `to_at`) said, or None if there was none."""
        first = bisect_left(self.columns.at, seconds(from_at))
        last = bisect_left(self.columns.at, seconds(to_at))
        if first == last:
            return None
        t_c, rh_pct = self.columns.t_c[first:last], self.columns.rh_pct[first:last]
        return Seen(last - first, min(t_c), max(t_c), min(rh_pct), max(rh_pct))


def air_of(
    rule: RestRule,
    columns: Columns,
    memories: Sequence[Memory] = (),
    statements: Sequence[Statement] = (),
    *,
    now: datetime,
) -> Air:
    """Return the air of one zone from facts that stand: corrections resolved, each fact once, all its own."""
    present = seconds(now)
    facts, later = _facts_and_later(columns, rule.band, present)
    remembered = [one for one in memories if seconds(one.to_at) <= present]
    unremembered = [one for one in memories if seconds(one.to_at) > present]
    trace = _trace(facts, rule)
    good, bad, contradicted = _judged(remembered, rule.band, trace.bad_at)
    said = _spans_of(statements) if rule.proof is Proof.READINGS_OR_STATEMENTS else []
    return Air(
        as_of=present,
        next_fact_at=min([*later.at, *(seconds(one.to_at) for one in unremembered)], default=FOREVER),
        steps=(
            trace.steps.painted(
                _let_stand(said, statements, trace.leads), Kind.STATED, over=(Kind.GAP, Kind.PROVISIONAL)
            )
            .painted(_spans_of(good), Kind.COUNTED, over=frozenset(Kind) - {Kind.OUT_OF_BAND})
            .painted(_spans_of(bad), Kind.OUT_OF_BAND, over=frozenset(Kind))
        ),
        zeros=_zeros(rule, trace, bad),
        said=said,
        last_at=facts.at[-1] if facts.at else None,
        last_good=trace.last_good,
        ignored=Ignored(
            after_now=tuple(sorted([*later.ids, *(one.id for one in unremembered)])),
            contradicted=tuple(sorted(one.id for one in contradicted)),
        ),
        columns=facts,
    )


@dataclass(slots=True)
class _Trace:
    """What the readings alone say.

    `bad_at` are the instants of out-of-band readings; `leads` the spans from a reading (or from `NEVER`) to
    the out-of-band one after it that begins an excursion; `excursions` are those of the band, `hot` those of
    its temperature.
    """

    starts: list[int] = field(default_factory=lambda: [NEVER])
    kinds: list[Kind] = field(default_factory=lambda: [Kind.GAP])
    bad_at: list[int] = field(default_factory=list)
    leads: list[Span] = field(default_factory=list)
    excursions: list[Span] = field(default_factory=list)
    hot: list[Span] = field(default_factory=list)
    last_good: bool = False

    @property
    def steps(self) -> Steps[Kind]:
        return Steps(self.starts, self.kinds)

    def step(self, at: int, kind: Kind) -> None:
        if self.kinds[-1] is not kind:
            self.starts.append(at)
            self.kinds.append(kind)

    def warm_or_cold(self, at: int, admitted: bool) -> None:
        """Begin or end an excursion of temperature."""
        if admitted and self.hot and self.hot[-1][1] == FOREVER:
            self.hot[-1] = (self.hot[-1][0], at)
        elif not admitted and not (self.hot and self.hot[-1][1] == FOREVER):
            self.hot.append((at, FOREVER))


def _trace(columns: Columns, rule: RestRule) -> _Trace:
    """Return what the readings say of each second, in one pass; they are sorted, one an instant."""
    band = rule.band
    t_min, t_max, rh_min, rh_max = band.t_min, band.t_max, band.rh_min, band.rh_max
    max_gap = rule.max_gap // SECOND
    fine_gap = min(rule.fine_gap // SECOND, max_gap)
    trace = _Trace()
    last, last_good = NEVER, False
    # While counted time runs, an in-band reading up to `reach` only lengthens it; `last` is left unwritten,
    # it is `reach - fine_gap`.  So a long quiet record costs about as much as a bare loop over it.
    reach = NEVER
    for at, t_c, rh_pct in zip(columns.at, columns.t_c, columns.rh_pct, strict=True):
        if t_min <= t_c <= t_max and rh_min <= rh_pct <= rh_max:
            if at <= reach:
                reach = at + fine_gap
                continue
            if reach != NEVER:
                last = reach - fine_gap
            if last_good:
                gap = at - last
                bridged_or_gap = Kind.BRIDGED if gap <= max_gap else Kind.GAP
                trace.step(last, Kind.COUNTED if gap <= fine_gap else bridged_or_gap)
            elif last != NEVER:
                trace.excursions[-1] = (trace.excursions[-1][0], at)
                trace.warm_or_cold(at, True)
            last, last_good = at, True
            reach = at + fine_gap if trace.kinds[-1] is Kind.COUNTED else NEVER
            continue
        if reach != NEVER:
            last = reach - fine_gap
        if last_good:
            trace.step(last, Kind.GAP)
        if last_good or last == NEVER:
            trace.step(at, Kind.OUT_OF_BAND)
            trace.leads.append((last, at))
            trace.excursions.append((at, FOREVER))
        trace.bad_at.append(at)
        trace.warm_or_cold(at, t_min <= t_c <= t_max)
        last, last_good, reach = at, False, NEVER
    if reach != NEVER:
        last = reach - fine_gap
    if last_good:
        trace.step(last, Kind.PROVISIONAL)
        trace.step(last + max_gap, Kind.GAP)
    trace.last_good = last_good
    return trace


def _facts_and_later(columns: Columns, band: Band, present: int) -> tuple[Columns, Columns]:
    """Return the readings up to the present, sorted and one an instant, and those later than it."""
    if columns.rises():
        return columns.split(bisect_right(columns.at, present))
    ats = columns.at

    def worst_first(i: int) -> tuple[int, int]:
        # Readings of one instant act as one, in band only if all are: the worst of them stands for all.
        t_c, rh_pct = columns.t_c[i], columns.rh_pct[i]
        return ats[i], band.admits_temperature(t_c) + band.admits(t_c, rh_pct)

    order = sorted(range(len(ats)), key=worst_first)
    cut = bisect_right(order, present, key=lambda i: ats[i])
    worst = [i for n, i in enumerate(order[:cut]) if n == 0 or ats[order[n - 1]] != ats[i]]
    return columns.taken(worst), columns.taken(order[cut:])


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


def _zeros(rule: RestRule, trace: _Trace, bad: Iterable[Memory]) -> list[int]:
    """Return when excursions have lasted `restart_after` and go on."""
    excursions = trace.excursions
    if rule.restart_on is RestartOn.TEMPERATURE:
        excursions, admits = trace.hot, rule.band.admits_temperature
        bad = [one for one in bad if not (admits(one.t_min) and admits(one.t_max))]
    restart_after = rule.restart_after // SECOND
    joined = spans.union([*excursions, *_spans_of(bad)])
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
