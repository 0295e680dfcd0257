"""What can be done about a rest that is not proven yet: each choice with the earliest instant it can finish.

A rest says all of the past that a choice needs, so no reading is looked at again: each finish is the one that
the rest clock itself would tell, were the pretended facts recorded.  A pretended reading is in band, and the air
stays so and is read often enough from then on.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum

from jobs.core.conditions import Band
from materials.core.air import SECOND, Kind, Proof, RestRule
from materials.core.rest import Rest, RestState, Stretch

#: How soon a heater, a dryer or the like can have the air in band where nobody says: common practice, no source.
IN_BAND_AFTER = timedelta(hours=2)


class Way(StrEnum):
    """What a choice does."""

    READ = "read"
    CLEAR = "clear"  # the air is brought into its band
    MOVE = "move"
    STATE = "state"
    OPEN = "open"
    LAY_OUT = "lay_out"


class Limit(StrEnum):
    """Which side of the band the air has left."""

    COLD = "cold"
    WARM = "warm"
    DRY = "dry"
    DAMP = "damp"


@dataclass(frozen=True, slots=True)
class Off:
    """How far the air is outside one limit, in kelvin or in percent of humidity."""

    limit: Limit
    by: float


@dataclass(frozen=True, slots=True)
class LastAir:
    """What a zone's last reading said; of several at one instant the worst."""

    zone: Hashable
    name: str
    at: datetime
    t_c: float
    rh_pct: float

    def is_in(self, rule: RestRule, *, now: datetime) -> bool:
        """Return whether it is in band, and recent enough that time counts from it on."""
        return rule.band.admits(self.t_c, self.rh_pct) and now - self.at <= rule.max_gap


@dataclass(frozen=True, slots=True)
class Choice:
    """One thing to do, and the earliest instant at which the rest is then proven.

    Args:
        finish: if all goes on well; may be past where a reading would prove what has been.
        by: when it is done at the latest for that finish; None: as soon as can be.
        otherwise: the earliest finish once what it keeps is lost; None: this choice is not about keeping anything.
        keeps: time that is proven, or waits for its proof, which is kept by it and lost without it.
        keeps_until: the last moment at which the air in band would still keep it; None: it does not hang on that.
        off: what the air lacks that this choice puts right.
        zone: where to, or of which zone; `zone_name` is what it is called.
        since: from when on somebody's word is asked.
        opens: when the wrap comes off for it; None: it is off.
    """

    way: Way
    finish: datetime
    by: datetime | None = None
    otherwise: datetime | None = None
    keeps: timedelta = timedelta(0)
    keeps_until: datetime | None = None
    off: tuple[Off, ...] = ()
    zone: Hashable | None = None
    zone_name: str = ""
    since: datetime | None = None
    opens: datetime | None = None


class WhyNot(StrEnum):
    """Why a rest is not proven by waiting."""

    NOT_HERE = "not_here"
    WRAPPED = "wrapped"
    OFF = "off"
    UNREAD = "unread"
    NO_BAND = "no_band"  # the zone's and the product's do not meet
    COLD = "cold"  # the middle of the stack, where the rule asks for it and nobody knows
    TOO_FEW = "too_few"  # of a room: not enough sheets are here or known to come


@dataclass(frozen=True, slots=True)
class Outlook:
    """When a rest is proven if the air stays as it is, and the choices, the earliest finish first.

    `finish` None: by waiting never, or nobody knows, for the reason `why_not`; `last_at`: the last reading there.
    """

    finish: datetime | None
    why_not: WhyNot | None = None
    off: tuple[Off, ...] = ()
    last_at: datetime | None = None
    choices: tuple[Choice, ...] = ()


def outlook_of(
    rest: Rest,
    rule: RestRule,
    *,
    here: LastAir | None,
    others: Iterable[LastAir] = (),
    open_from: datetime | None = None,
    in_band_after: timedelta = IN_BAND_AFTER,
    not_before: datetime | None = None,
    now: datetime,
) -> Outlook:
    """Return the outlook of one placement.

    Args:
        rest: as of `now`.
        here: the last reading where it stands; None: there is none.
        others: the last readings of zones that it could be moved to.
        open_from: before then a wrapped stack would sweat; None: it may be opened.
        in_band_after: how soon the air is supposed to be in band, once something is done about it; not at once.
        not_before: when the middle of the stack is warm, where the rule asks for that; None: nothing waits for it.

    Raises:
        ValueError: the rest is of another present.
    """
    if rest.as_of != now:
        raise ValueError("an outlook is of the present that its rest is of")
    if rest.state is RestState.PROVEN:
        return Outlook(_late(rest.proven_at, not_before))
    if rest.zone is None:
        return Outlook(None, WhyNot.NOT_HERE)
    facts = _Facts(rest, rule, here, tuple(others), open_from, now + in_band_after, now)
    found = sorted(_choices(facts), key=lambda choice: (choice.finish, choice.way.value, choice.zone_name))
    choices = tuple(replace(one, finish=_later(one.finish, not_before)) for one in found)
    return replace(_as_it_is(facts, not_before), choices=choices)


def off_band(band: Band, t_c: float, rh_pct: float) -> tuple[Off, ...]:
    """Return which limits of a band the air has left, and by how much; nothing where it is inside."""
    sides = (
        (Limit.COLD, band.t_min - t_c),
        (Limit.WARM, t_c - band.t_max),
        (Limit.DRY, band.rh_min - rh_pct),
        (Limit.DAMP, rh_pct - band.rh_max),
    )
    return tuple(Off(limit, by) for limit, by in sides if by > 0)


def finish_if_in_band(
    rest: Rest, at: datetime, *, open_from: datetime | None = None, now: datetime
) -> datetime:
    """Return when a rest whose air is out of band is proven, if that air is read in band at `at` first.

    What is proven is kept unless the excursion has set the count to zero by then.  A stack that is still wrapped
    is opened at once, or from `open_from` on.
    """
    if rest.goes_on is Kind.WRAPPED:
        return max(at, _opens(open_from, now)) + rest.required
    return at + rest.required - _kept(rest, at)


@dataclass(frozen=True, slots=True)
class _Facts:
    """What the choices of one placement are made of."""

    rest: Rest
    rule: RestRule
    here: LastAir | None
    others: tuple[LastAir, ...]
    open_from: datetime | None
    in_band_at: datetime
    now: datetime

    @property
    def off(self) -> tuple[Off, ...]:
        """How far the air is out of band here, by its last reading."""
        return off_band(self.rule.band, self.here.t_c, self.here.rh_pct) if self.here is not None else ()

    @property
    def is_wrapped(self) -> bool:
        return self.rest.goes_on is Kind.WRAPPED

    @property
    def is_off(self) -> bool:
        """Whether time is lost to bad air; while it is wrapped, whether it would be."""
        return bool(self.off) if self.is_wrapped else self.rest.goes_on is Kind.OUT_OF_BAND


def _as_it_is(facts: _Facts, not_before: datetime | None) -> Outlook:
    rest = facts.rest
    if facts.is_wrapped:
        return Outlook(None, WhyNot.WRAPPED, facts.off, rest.last_reading_at)
    if facts.is_off:
        return Outlook(None, WhyNot.OFF, facts.off, rest.last_reading_at)
    if rest.state is not RestState.RESTING or rest.forecast is None:
        return Outlook(None, WhyNot.UNREAD, (), rest.last_reading_at)
    return Outlook(_later(rest.forecast.instant(now=facts.now), not_before), last_at=rest.last_reading_at)


def _choices(facts: _Facts) -> Iterator[Choice]:
    if facts.is_off:
        yield from _clearing(facts)
        yield from _moving(facts)
    elif facts.is_wrapped:
        opens = _opens(facts.open_from, facts.now)
        yield Choice(Way.OPEN, opens + facts.rest.required, by=opens, opens=opens)
    elif facts.rest.state is RestState.RESTING:
        yield from _reading_again(facts)
    else:
        yield Choice(Way.READ, facts.now + facts.rest.required - facts.rest.proven)
        yield from _stating(facts)


def _reading_again(facts: _Facts) -> Iterator[Choice]:
    rest = facts.rest
    if rest.forecast is None:
        return
    finish, by = rest.forecast.instant(now=facts.now), rest.read_again_by
    if by is None:
        yield Choice(Way.READ, finish)
        return
    # The first reading that comes too late is a second after; it proves nothing of the time before it.
    otherwise = by + SECOND + rest.required - rest.proven
    yield Choice(Way.READ, finish, by=by, otherwise=otherwise, keeps=rest.provisional)


def _clearing(facts: _Facts) -> Iterator[Choice]:
    rest, now = facts.rest, facts.now
    opens = _opens(facts.open_from, now) if facts.is_wrapped else None
    keep_by = None if facts.is_wrapped else rest.read_again_by
    tries = [facts.in_band_at]
    # Not at the very instant of the reading that is out of band: two at one instant are good only if both are.
    last_at = rest.last_reading_at
    if keep_by is not None and now <= keep_by < facts.in_band_at and (last_at is None or last_at < keep_by):
        tries.append(keep_by)
    for at in tries:
        finish = finish_if_in_band(rest, at, open_from=facts.open_from, now=now)
        saves = keep_by is not None and at <= keep_by
        yield Choice(
            Way.CLEAR,
            finish,
            by=at,
            otherwise=keep_by + SECOND + rest.required if saves and keep_by is not None else None,
            keeps=rest.proven if saves else timedelta(0),
            keeps_until=keep_by if saves else None,
            off=facts.off,
            zone=rest.zone,
            opens=opens,
        )


def _moving(facts: _Facts) -> Iterator[Choice]:
    """Yield the zones whose air is in band: a move sets the count to zero, and it begins there at once."""
    opens = _opens(facts.open_from, facts.now) if facts.is_wrapped else None
    for other in facts.others:
        if other.zone != facts.rest.zone and other.is_in(facts.rule, now=facts.now):
            finish = max(facts.now, opens or facts.now) + facts.rest.required
            yield Choice(Way.MOVE, finish, zone=other.zone, zone_name=other.name, opens=opens)


def _stating(facts: _Facts) -> Iterator[Choice]:
    """Yield a person's word over the silence since the last reading, where it would count."""
    if facts.rule.proof is not Proof.READINGS_OR_STATEMENTS:
        return
    rest = facts.rest
    silent = [one for one in _since_zero(rest) if one.kind in (Kind.GAP, Kind.PROVISIONAL)]
    if rest.last_reading_at is not None:
        silent = [one for one in silent if one.from_at >= rest.last_reading_at]
    if not silent:
        return
    counted = [one for one in _since_zero(rest) if one.proven or one in silent]
    yield Choice(Way.STATE, _reached(counted, rest.required, now=facts.now), since=silent[0].from_at)


def _since_zero(rest: Rest) -> list[Stretch]:
    return [one for one in rest.strip if one.lost_at is None]


def _reached(counted: Sequence[Stretch], required: timedelta, *, now: datetime) -> datetime:
    """Return when stretches that count made the whole rest, or will if time counts from now on."""
    lacking = required
    for one in counted:
        if one.length >= lacking:
            return one.from_at + lacking
        lacking -= one.length
    return now + lacking


def _kept(rest: Rest, at: datetime) -> timedelta:
    """Return what is still proven when the air, out of band till then, is read in band at `at`."""
    is_lost = rest.read_again_by is not None and at > rest.read_again_by
    return timedelta(0) if is_lost else rest.proven


def _opens(open_from: datetime | None, now: datetime) -> datetime:
    return max(now, open_from) if open_from is not None else now


def _later(finish: datetime, not_before: datetime | None) -> datetime:
    return max(finish, not_before) if not_before is not None else finish


def _late(finish: datetime | None, not_before: datetime | None) -> datetime | None:
    return _later(finish, not_before) if finish is not None else None
