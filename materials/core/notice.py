"""Periods of notice: until when a fault may be reported, counted in whole days from an arrival.

A day is a day of the site, from midnight to midnight there, and the day of the arrival is day 0: it counts for
nothing but itself (CMR art. 30(4), from memory; taken for the other rules too).  What is counted here reminds a
person; it gives no legal advice, and the contract and the law of the place come first.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum
from zoneinfo import ZoneInfo

from jobs.core.words import Say, say, say_n
from jobs.core.worktime import MINUTES_A_DAY, ONE_DAY, instant_at

#: The longest period that a contract may name; a longer one is a slip.
MOST_DAYS = 3_660
#: A period is near its end in its last tenth, and at least over its last two days; common practice, no source.
NEAR_DAYS, NEAR_PART = 2, 10

NOT_ADVICE = say("A reminder, not legal advice: the contract and the law of the place come first.")


class Counts(StrEnum):
    """Which days of a period count."""

    CALENDAR = "calendar"
    BUSINESS = "business"  # Monday to Friday, public holidays excepted
    NO_SUNDAYS = "no_sundays"  # Sundays and public holidays excepted


@dataclass(frozen=True, slots=True)
class Period:
    """So many days of notice; 0 is the day of the arrival alone, None is "promptly": no day is set.

    Raises:
        ValueError: fewer than 0 or more than `MOST_DAYS` days.
    """

    days: int | None
    counts: Counts = Counts.CALENDAR

    def __post_init__(self) -> None:
        if self.days is not None and not 0 <= self.days <= MOST_DAYS:
            raise ValueError(f"a period of notice is 0 to {MOST_DAYS} days, not {self.days}")


class Carriage(StrEnum):
    """Whose law governs how the sheets came."""

    CMR = "cmr"  # international road carriage
    US_ROAD = "us_road"  # road carriage between states of the USA
    OTHER = "other"


class Ground(StrEnum):
    """What is wrong."""

    VISIBLE = "visible"  # damage or shortage that anybody sees at the dock
    HIDDEN = "hidden"  # what only unwrapping shows
    DELAY = "delay"


class Against(StrEnum):
    """Who is told."""

    CARRIER = "carrier"
    SUPPLIER = "supplier"


@dataclass(frozen=True, slots=True)
class Rule:
    """A period, to whom notice is given, of what, and where that is written."""

    code: str
    name: Say
    period: Period
    against: Against
    grounds: frozenset[Ground]
    #: None: whatever law governs the carriage.
    carriage: Carriage | None
    source: str


class Urgency(StrEnum):
    """How a period of notice stands."""

    OPEN = "open"
    NEAR = "near"
    LAST_DAY = "last_day"
    OVER = "over"
    PROMPTLY = "promptly"


@dataclass(frozen=True, slots=True)
class Notice:
    """A period of notice as it stands; `last_on` and `ends_at` are None where no day is set.

    `ends_at` is the first instant that is too late.  `days_left` are calendar days from today to `last_on`, 0 on
    the last day and after it; `counted_left` are those of them that the period counts.
    """

    period: Period
    arrived_on: date
    last_on: date | None
    ends_at: datetime | None
    urgency: Urgency
    days_left: int | None
    counted_left: int | None
    #: None: it never changes by itself any more.
    good_until: datetime | None

    @property
    def is_pressing(self) -> bool:
        """Whether it belongs on the morning page: near its end, on its last day, or due promptly."""
        return self.urgency in (Urgency.NEAR, Urgency.LAST_DAY, Urgency.PROMPTLY)

    def is_in_time(self, sent_at: datetime) -> bool | None:
        """Return whether notice given at `sent_at` kept the period; None: no day is set, a person judges."""
        return None if self.ends_at is None else sent_at < self.ends_at


def notice_of(
    period: Period, arrived_at: datetime, *, zone: ZoneInfo, holidays: Collection[date] = (), now: datetime
) -> Notice:
    """Return how a period of notice stands at `now`.

    Args:
        zone: the site's; it decides on which day the sheets arrived and when a day ends.
        holidays: public holidays there.  One that is not given counts as a day, which only reminds too early.
    """
    arrived_on, today = arrived_at.astimezone(zone).date(), now.astimezone(zone).date()
    last_on = last_day(period, arrived_on, holidays=holidays)
    if last_on is None:
        return Notice(period, arrived_on, None, None, Urgency.PROMPTLY, None, None, None)
    counted_left = _counted(period.counts, today, last_on, holidays)
    return Notice(
        period,
        arrived_on,
        last_on,
        ends_at=instant_at(last_on, MINUTES_A_DAY, zone),
        urgency=_urgency(period, today, last_on, counted_left),
        days_left=max(0, (last_on - today).days),
        counted_left=counted_left,
        good_until=instant_at(today, MINUTES_A_DAY, zone) if today <= last_on else None,
    )


def last_day(period: Period, arrived_on: date, *, holidays: Collection[date] = ()) -> date | None:
    """Return the last day of notice after an arrival on a day of the site; None: no day is set."""
    if period.days is None:
        return None
    day, left = arrived_on, period.days
    while left:
        day += ONE_DAY
        left -= does_count(day, period.counts, holidays=holidays)
    return day


def does_count(day: date, counts: Counts, *, holidays: Collection[date] = ()) -> bool:
    """Return whether a day is one of those that a period counts."""
    match counts:
        case Counts.CALENDAR:
            return True
        case Counts.BUSINESS:
            return day.isoweekday() <= 5 and day not in holidays
        case Counts.NO_SUNDAYS:
            return day.isoweekday() != 7 and day not in holidays


def _counted(counts: Counts, today: date, last_on: date, holidays: Collection[date]) -> int:
    """Return how many days after today, up to the last, count."""
    days = (today + i * ONE_DAY for i in range(1, (last_on - today).days + 1))
    return sum(does_count(day, counts, holidays=holidays) for day in days)


def _urgency(period: Period, today: date, last_on: date, counted_left: int) -> Urgency:
    if today > last_on:
        return Urgency.OVER
    if today == last_on:
        return Urgency.LAST_DAY
    is_near = counted_left <= max(NEAR_DAYS, (period.days or 0) // NEAR_PART)
    return Urgency.NEAR if is_near else Urgency.OPEN


# ---- what public law says, as a reminder


def rules_for(ground: Ground, carriage: Carriage) -> tuple[Rule, ...]:
    """Return the rules of public law for what is wrong, in the order of the table."""
    return tuple(rule for rule in RULES if ground in rule.grounds and rule.carriage in (None, carriage))


def rule_for(
    ground: Ground, carriage: Carriage, *, against: Against = Against.SUPPLIER, own: Period | None = None
) -> Rule | None:
    """Return the rule that a claim on the supplier, or on the carrier, is held to.

    The contract's `own` period where there is one, else the rule of public law with the fewest days; None:
    there is none.  Notice to the carrier and notice to the seller are two duties, and neither does for the other.
    """
    if own is not None:
        name, source = say("Notice by the contract"), "the contract"
        return Rule("contract", name, own, against, frozenset(Ground), None, source)
    rules = (rule for rule in rules_for(ground, carriage) if rule.against is against)
    return min(rules, key=_strictness, default=None)


def _strictness(rule: Rule) -> tuple[bool, int]:
    return rule.period.days is None, rule.period.days or 0


def in_order(notices: Iterable[Notice]) -> list[Notice]:
    """Return notices with the one that ends first first; those without a day come last."""
    return sorted(notices, key=lambda one: (one.last_on is None, one.last_on or date.min))


#: Sources as trade-facts section 8 gives them: what was opened and what is from memory is said there and here.
RULES: tuple[Rule, ...] = (
    Rule(
        "cmr_visible",
        say("Visible damage or shortage: on the carrier's paper, before it is signed"),
        Period(0),
        Against.CARRIER,
        frozenset({Ground.VISIBLE}),
        Carriage.CMR,
        "CMR art. 30(1): at the time of delivery; opening words opened, rest from memory",
    ),
    Rule(
        "cmr_hidden",
        say("Hidden damage: to the carrier in writing, Sundays and public holidays not counted"),
        Period(7, Counts.NO_SUNDAYS),
        Against.CARRIER,
        frozenset({Ground.HIDDEN}),
        Carriage.CMR,
        "CMR art. 30(1): within 7 days, Sundays and public holidays excepted; from memory",
    ),
    Rule(
        "cmr_delay",
        say("Delay: to the carrier in writing"),
        Period(21),
        Against.CARRIER,
        frozenset({Ground.DELAY}),
        Carriage.CMR,
        "CMR art. 30(3): within 21 days of placing at disposal; opened in a law commentary",
    ),
    Rule(
        "us_hidden",
        say("Hidden damage: to the carrier, with a request to inspect; keep goods and packing as found"),
        Period(5, Counts.BUSINESS),
        Against.CARRIER,
        frozenset({Ground.HIDDEN}),
        Carriage.US_ROAD,
        "NMFC item 300135, in force 18 April 2015: 5 business days of delivery; opened",
    ),
    Rule(
        "us_claim",
        say("Claim on the carrier: no carrier may allow less than nine months"),
        Period(270),
        Against.CARRIER,
        frozenset(Ground),
        Carriage.US_ROAD,
        "49 U.S.C. 14706(e)(1): not less than 9 months, kept here as 270 days; opened in two law notes",
    ),
    Rule(
        "sale",
        say("Notice to the seller, saying what is wrong"),
        Period(None),
        Against.SUPPLIER,
        frozenset(Ground),
        None,
        "CISG art. 38-39; US UCC 2-602, 2-605, 2-607: within a reasonable time; from memory",
    ),
)


# ---- in words


def period_words(period: Period) -> Say:
    """Return a period as a clause: `within 7 days, Sundays and public holidays not counted`."""
    if period.days is None:
        return say("promptly")
    if period.days == 0:
        return say("on the day of arrival")
    match period.counts:
        case Counts.CALENDAR:
            return say_n("within {n} day", "within {n} days", n=period.days)
        case Counts.BUSINESS:
            return say_n("within {n} business day", "within {n} business days", n=period.days)
        case Counts.NO_SUNDAYS:
            return say_n(
                "within {n} day, Sundays and public holidays not counted",
                "within {n} days, Sundays and public holidays not counted",
                n=period.days,
            )


def notice_words(notice: Notice) -> Say:
    """Return how a period stands as a sentence."""
    if notice.last_on is None:
        return say("No day is set for notice: give it promptly.")
    match notice.urgency:
        case Urgency.OVER:
            return say("The time for notice ended with {day}.", day=notice.last_on)
        case Urgency.LAST_DAY:
            return say("The time for notice ends today, {day}.", day=notice.last_on)
        case _:
            return say_n(
                "{n} day left for notice: it ends with {day}.",
                "{n} days left for notice: it ends with {day}.",
                n=notice.days_left or 0,
                day=notice.last_on,
            )
