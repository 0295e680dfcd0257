"""A supplier's record: its lead time, what came on time and complete, what was defective, how soon it answers.

Contractor and supplier read the same figures, for nothing here knows who asks.  A figure that has no facts behind
it is None, "not known yet", and one with few says how many.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from fractions import Fraction
from typing import TypeVar

from jobs.core.words import Say, say

SECOND = timedelta(seconds=1)
DAY = timedelta(days=1)
#: Below so many a figure is said to rest on few, and no spread is given; common practice, no source.
FEW = 5
#: So long after its hour a delivery is still on time; common practice, no source.
TOLERANCE = timedelta(hours=2)

Key = TypeVar("Key", int, tuple[int, str])


# ---- the facts


@dataclass(frozen=True, slots=True)
class Ordered:
    """An order as it was sent, and when the arrival that completed it came (None: something is still to come)."""

    sent_at: datetime
    complete_at: datetime | None


@dataclass(frozen=True, slots=True)
class Asked:
    """When we asked for a delivery to be there, said at `at`."""

    at: datetime
    wanted_at: datetime


@dataclass(frozen=True, slots=True)
class Promise:
    """When the supplier said a delivery would be there; None: that it does not know any more."""

    at: datetime
    expected_at: datetime | None


@dataclass(frozen=True, slots=True)
class Delivered:
    """One delivery: what was asked and promised, when it came, and what was announced and counted, by product."""

    asked: tuple[Asked, ...]
    promises: tuple[Promise, ...]
    #: None: it has not come.
    arrived_at: datetime | None
    announced: tuple[tuple[int, int], ...] = ()
    counted: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True, slots=True)
class Inspected:
    """So many sheets of a product and a batch looked at, so many of these rejected.

    Raises:
        ValueError: more rejected than looked at.
    """

    product: int
    batch: str
    sheets: int
    rejected: int

    def __post_init__(self) -> None:
        if not 0 <= self.rejected <= self.sheets:
            raise ValueError(f"{self.rejected} of {self.sheets} sheets cannot have been rejected")


@dataclass(frozen=True, slots=True)
class Claimed:
    """A claim that was sent, and its first answer (None: none yet)."""

    sent_at: datetime
    answered_at: datetime | None


# ---- the figures


@dataclass(frozen=True, slots=True)
class Times:
    """Durations as one figure: the median and, of `FEW` or more, the quartiles; whole seconds."""

    of: int
    median: timedelta
    low: timedelta | None
    high: timedelta | None

    @property
    def is_few(self) -> bool:
        """Whether it rests on few facts."""
        return self.of < FEW


@dataclass(frozen=True, slots=True)
class Share:
    """`part` of `of`, which is at least 1."""

    part: int
    of: int

    @property
    def is_few(self) -> bool:
        """Whether it rests on few facts."""
        return self.of < FEW

    @property
    def percent(self) -> int:
        """The share in whole percent, a half up; never 100 or 0 where it is not quite that."""
        rounded = (Fraction(200 * self.part, self.of) + 1) // 2
        if 0 < self.part < self.of:
            return min(99, max(1, rounded))
        return rounded


@dataclass(frozen=True, slots=True)
class Record:
    """A supplier's figures; None: not known yet.

    `orders_open` and `claims_open` are those that lead time and answer time cannot count yet.  `defects` is the
    share of rejected sheets among those that were looked at; by product and by product and batch, most first.
    """

    lead: Times | None
    orders_open: int
    on_time: Share | None
    complete: Share | None
    defects: Share | None
    by_product: tuple[tuple[int, Share], ...]
    by_batch: tuple[tuple[tuple[int, str], Share], ...]
    answer: Times | None
    claims_open: int
    #: When a delivery that has not come will count as late; None: none will.
    good_until: datetime | None


def record_of(
    *,
    orders: Iterable[Ordered] = (),
    deliveries: Iterable[Delivered] = (),
    inspected: Iterable[Inspected] = (),
    claims: Iterable[Claimed] = (),
    tolerance: timedelta = TOLERANCE,
    now: datetime,
) -> Record:
    """Return a supplier's figures as they stand at `now`.

    An order counts for the lead time once it is complete.  A delivery is on time if it came no later than
    `tolerance` after it was due; one that is overdue and has not come is not.  It is complete if of no product
    fewer sheets were counted than announced.  An end before its beginning is a slip of the pen and takes no time.
    """
    sent, delivered, answers, looked = list(orders), list(deliveries), list(claims), list(inspected)
    came = [one for one in delivered if one.arrived_at is not None and one.announced]
    limits = [due + tolerance for one in delivered if (due := due_at(one)) and one.arrived_at is None]
    return Record(
        lead=times([one.complete_at - one.sent_at for one in sent if one.complete_at is not None]),
        orders_open=sum(one.complete_at is None for one in sent),
        on_time=_share([on for one in delivered if (on := is_on_time(one, tolerance, now=now)) is not None]),
        complete=_share([is_complete(one) for one in came]),
        defects=_defects(looked),
        by_product=_worst_first(looked, lambda one: one.product),
        by_batch=_worst_first(looked, lambda one: (one.product, one.batch)),
        answer=times([one.answered_at - one.sent_at for one in answers if one.answered_at is not None]),
        claims_open=sum(one.answered_at is None for one in answers),
        good_until=min((limit + SECOND for limit in limits if limit >= now), default=None),
    )


def due_at(one: Delivered) -> datetime | None:
    """Return the instant that a delivery is measured by; None: nobody has said one.

    It is the first promise after we last changed what we ask, so that a promise that slips is not met by having
    slipped.  Where there is none since, an earlier promise still stands, unless we now ask for later; where
    there is none at all, what we ask.
    """
    asked = max(one.asked, key=lambda ask: ask.at, default=None)
    dated = sorted((said.at, said.expected_at) for said in one.promises if said.expected_at is not None)
    since = [expected for at, expected in dated if asked is None or at >= asked.at]
    if since:
        return since[0]
    said = [*(expected for _at, expected in dated[:1]), *([asked.wanted_at] if asked else [])]
    return max(said, default=None)


def is_on_time(one: Delivered, tolerance: timedelta = TOLERANCE, *, now: datetime) -> bool | None:
    """Return whether a delivery came in time; None: it has no date, or has still time to come."""
    due = due_at(one)
    if due is None:
        return None
    if one.arrived_at is not None:
        return one.arrived_at <= due + tolerance
    return False if now > due + tolerance else None


def is_complete(one: Delivered) -> bool:
    """Return whether of every product at least as many sheets were counted as announced."""
    announced, counted = _totals(one.announced), _totals(one.counted)
    return all(counted.get(product, 0) >= sheets for product, sheets in announced.items())


def offered_lead(record: Record) -> timedelta | None:
    """Return the lead time to offer for this supplier: the upper quartile, else the median, in whole days, up."""
    if record.lead is None:
        return None
    safe = record.lead.high if record.lead.high is not None else record.lead.median
    return -(-safe // DAY) * DAY


def times(durations: Iterable[timedelta]) -> Times | None:
    """Return the median and the quartiles of durations; None: there are none.

    Between two ranks it goes in proportion: quantile q of n values lies at rank 1 + q (n - 1).  Parts of a second
    are cut off.

    Source: Hyndman and Fan 1996, "Sample quantiles in statistical packages", definition 7; from memory.
    """
    ranked = sorted(max(duration, timedelta(0)) for duration in durations)
    if not ranked:
        return None
    is_few = len(ranked) < FEW
    return Times(
        len(ranked),
        _quantile(ranked, Fraction(1, 2)),
        None if is_few else _quantile(ranked, Fraction(1, 4)),
        None if is_few else _quantile(ranked, Fraction(3, 4)),
    )


def _quantile(ranked: Sequence[timedelta], q: Fraction) -> timedelta:
    rank = q * (len(ranked) - 1)
    below = int(rank)
    low, high = ranked[below] // SECOND, ranked[min(below + 1, len(ranked) - 1)] // SECOND
    return int(low + (rank - below) * (high - low)) * SECOND


def _share(claims: Sequence[bool]) -> Share | None:
    return Share(sum(claims), len(claims)) if claims else None


def _defects(looked: Iterable[Inspected]) -> Share | None:
    sheets = rejected = 0
    for one in looked:
        sheets, rejected = sheets + one.sheets, rejected + one.rejected
    return Share(rejected, sheets) if sheets else None


def _worst_first(
    looked: Iterable[Inspected], key: Callable[[Inspected], Key]
) -> tuple[tuple[Key, Share], ...]:
    """Return the share of defects by key, the largest first; of two alike the one with more sheets, then by key."""
    members: dict[Key, list[Inspected]] = defaultdict(list)
    for one in looked:
        members[key(one)].append(one)
    shares = [(name, share) for name, mine in members.items() if (share := _defects(mine))]
    return tuple(sorted(shares, key=lambda pair: (-Fraction(pair[1].part, pair[1].of), -pair[1].of, pair[0])))


def _totals(lines: Iterable[tuple[int, int]]) -> dict[int, int]:
    totals: dict[int, int] = defaultdict(int)
    for product, sheets in lines:
        totals[product] += sheets
    return totals


# ---- in words

NOT_KNOWN = say("not known yet")


def times_words(one: Times | None) -> Say:
    """Return a duration as a clause: `9 d, half of them 7 d to 12 d (of 14)`."""
    if one is None:
        return NOT_KNOWN
    if one.low is None or one.high is None:
        return say("{median}, of only {of}", median=one.median, of=one.of)
    return say(
        "{median}, half of them {low} to {high} (of {of})",
        median=one.median,
        low=one.low,
        high=one.high,
        of=one.of,
    )


def share_words(one: Share | None) -> Say:
    """Return a share as a clause: `93 % (13 of 14)`; of few the count alone, for a percentage would mislead."""
    if one is None:
        return NOT_KNOWN
    if one.is_few:
        return say("{part} of only {of}", part=one.part, of=one.of)
    return say("{percent}\N{NO-BREAK SPACE}% ({part} of {of})", percent=one.percent, part=one.part, of=one.of)
