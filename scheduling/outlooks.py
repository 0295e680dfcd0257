"""The outlook of rooms and placements for pages: from stored states and the last readings, computed as it is shown.

Of the past a stored rest says all that a choice needs, so no reading but the last of each zone is read.  Nothing
of it is stored: it slides with the clock, and what another zone's air says now no fact of this room would tell.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import partial
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import OuterRef, Subquery

from jobs.clocks import meant_by, with_offset
from jobs.core.conditions import Band
from jobs.core.units import celsius
from jobs.models import Job, Reading, Room, Zone
from materials.core.choices import IN_BAND_AFTER, Choice, LastAir, Outlook, Way, WhyNot, outlook_of
from materials.core.rest import Kind, Proof, RestRule, RestState
from scheduling.answers import StoredRest
from scheduling.core import room_facts as core
from scheduling.core.holds import HoldState, RoomAnswer
from scheduling.core.room_facts import HoldKind, RoomFacts
from scheduling.core.room_outlook import StackOutlook, room_outlook
from scheduling.warmth import QUARTER, rounded_up

_UTC = ZoneInfo("UTC")
_EVER = datetime(2000, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class LastRead:
    """The last readings of a zone, all of one instant: °C and percent."""

    zone: int
    name: str
    at: datetime
    airs: tuple[tuple[float, float], ...]

    def under(self, rule: RestRule) -> LastAir:
        """Return the worst of them under a rule: they are in band only if all are."""
        band = rule.band
        t_c, rh_pct = min(self.airs, key=lambda air: (band.admits(*air), band.admits_temperature(air[0])))
        return LastAir(self.zone, self.name, self.at, t_c, rh_pct)


def last_read_of(zone: Zone, readings: Iterable[Reading], *, now: datetime) -> LastRead | None:
    """Return what was read last in a zone, its loggers' clocks put right; None: nothing by `now`.

    Args:
        readings: at least the latest of the zone, read by `jobs.clocks.with_offset`.
    """
    meant = [(meant_by(one)[0], _air(one.t_c, one.humidity_pct)) for one in readings]
    return _last_of(zone.pk, zone.name, meant, now=now)


def last_reads(job: Job, *, now: datetime) -> tuple[LastRead, ...]:
    """Return what was read last in each zone of a job that has a reading, clocks put right; one query."""
    latest = with_offset(Reading.objects.standing().filter(zone=OuterRef("pk"), happened_at__lte=now))
    columns = {}
    # Two of them: readings of one instant, by two meters, are in band only if both are.
    for number in range(2):
        for name in ("happened_at", "offset_s", "temperature", "unit", "humidity_pct"):
            values = latest.order_by("-happened_at", "-pk").values(name)
            columns[f"{name}_{number}"] = Subquery(values[number : number + 1])
    zones = Zone.objects.filter(job=job).annotate(**columns).order_by("name")
    found = (
        _last_of(row["pk"], row["name"], [*_meant(row, 0), *_meant(row, 1)], now=now)
        for row in zones.values("pk", "name", *columns)
    )
    return tuple(one for one in found if one is not None)


def _meant(row: dict[str, Any], number: int) -> Iterator[tuple[datetime, tuple[float, float]]]:
    at = row[f"happened_at_{number}"]
    if at is not None:
        t_c = celsius(row[f"temperature_{number}"], row[f"unit_{number}"])
        offset = timedelta(seconds=row[f"offset_s_{number}"] or 0)
        yield at + offset, _air(t_c, row[f"humidity_pct_{number}"])


def _last_of(
    zone: int, name: str, meant: Iterable[tuple[datetime, tuple[float, float]]], *, now: datetime
) -> LastRead | None:
    by_now = [(at, air) for at, air in meant if at <= now]
    if not by_now:
        return None
    last = max(at for at, _air_then in by_now)
    return LastRead(zone, name, last, tuple(air for at, air in by_now if at == last))


def _air(t_c: float, rh_pct: float) -> tuple[float, float]:
    return t_c, min(rh_pct, 100.0)


def stack_outlook(one: StoredRest, reads: Iterable[LastRead], *, accepts_statements: bool) -> StackOutlook:
    """Return the outlook of a placement at the present of its rest.

    Args:
        reads: of every zone of its job.
    """
    rule = _rule_of(one, accepts_statements=accepts_statements)
    if rule is None:
        # No rest is asked, which is as good as proven, or no air of the zone could ever count.
        return StackOutlook(one.rest, Outlook(one.rest.proven_at, WhyNot.NO_BAND))
    airs = [read.under(rule) for read in reads]
    stack = one.stack
    not_before = stack.latest if one.cold and stack is not None else None
    if one.cold and not_before is None:
        return StackOutlook(one.rest, Outlook(None, WhyNot.COLD))
    open_from = stack.open_from if stack is not None else None
    outlook_from = partial(
        outlook_of,
        one.rest,
        rule,
        here=next((air for air in airs if air.zone == one.rest.zone), None),
        others=airs,
        open_from=open_from,
        # A time that one can name: the next quarter of an hour.
        in_band_after=rounded_up(one.rest.as_of + IN_BAND_AFTER, QUARTER) - one.rest.as_of,
        now=one.rest.as_of,
    )
    outlook = outlook_from(not_before=not_before)
    if stack is not None and stack.is_too_damp:
        # It would sweat in this air whenever it is unwrapped, so that is no choice.
        outlook = replace(outlook, choices=tuple(way for way in outlook.choices if way.opens is None))
    if one.laid_out_in is not None and one.opened_at is not None:
        laid_out_at = rounded_up(one.rest.as_of + one.laid_out_in, QUARTER)
        outlook = _or_laid_out(outlook, outlook_from(not_before=laid_out_at).finish)
    return StackOutlook(one.rest, outlook, open_from, not_before)


def _or_laid_out(outlook: Outlook, finish: datetime | None) -> Outlook:
    """Return an outlook with the choice to lay the stack out, where its middle is then warm sooner."""
    if finish is None or (outlook.finish is not None and outlook.finish <= finish):
        return outlook
    choices = (*outlook.choices, Choice(Way.LAY_OUT, finish))
    return replace(outlook, choices=tuple(sorted(choices, key=lambda one: one.finish)))


def outlook_of_room(
    room: Room,
    asks: dict[str, Any] | None,
    rests: Sequence[StoredRest],
    readings: Iterable[Reading],
    *,
    now: datetime,
) -> Outlook | None:
    """Return the outlook of a room whose rest is held; None: it is not, or its state was stored without.

    Args:
        room: with its zone and job.
        asks: as `asks_to_json` stored it.
        rests: of the room's stored state, slid to `now`.
        readings: the latest of the room's zone.
    """
    shown = [one for one in rests if one.sheets]
    if asks is None or not shown:
        return None
    stacks = stack_outlooks(shown, zone=room.zone, job=room.job, readings=readings, now=now)
    present = max(one.rest.as_of for one in shown)
    return room_outlook(facts_asked(asks, shown), stacks, now=present)


def stack_outlooks(
    rests: Sequence[StoredRest], *, zone: Zone, job: Job, readings: Iterable[Reading], now: datetime
) -> dict[str, StackOutlook]:
    """Return the outlook of each placement, by its key.

    Other zones are read, in one query, only where sheets might be moved there or stand there.

    Args:
        readings: the latest of the zone.
    """
    here = last_read_of(zone, readings, now=now)
    reads: tuple[LastRead, ...] = (here,) if here is not None else ()
    if any(_looks_elsewhere(one, here, zone) for one in rests):
        reads = last_reads(job, now=now)
    accepts = job.accepts_statements
    return {one.placement: stack_outlook(one, reads, accepts_statements=accepts) for one in rests}


def _looks_elsewhere(one: StoredRest, here: LastRead | None, zone: Zone) -> bool:
    """Return whether the air of other zones matters: the sheets stand there, or the air here is no good."""
    if one.rest.state is RestState.PROVEN:
        return False
    if one.rest.zone != zone.pk or one.rest.goes_on is Kind.OUT_OF_BAND:
        return True
    if one.rest.goes_on is not Kind.WRAPPED or here is None or one.band is None:
        return False
    return not all(Band(*one.band).admits(*air) for air in here.airs)


def _rule_of(one: StoredRest, *, accepts_statements: bool) -> RestRule | None:
    if one.band is None or not one.rest.required:
        return None
    return RestRule(
        required=one.rest.required,
        max_gap=one.max_gap,
        restart_after=one.restart_after,
        restart_on=one.restart_on,
        band=Band(*one.band),
        proof=Proof.READINGS_OR_STATEMENTS if accepts_statements else Proof.READINGS,
    )


# ---- what a room asks, as its state keeps it ----


def asks_to_json(facts: RoomFacts, answer: RoomAnswer) -> dict[str, Any] | None:
    """Return what decides how many of the placements are enough, while the rest is held; else None."""
    held = {hold.kind for hold in answer.holds if hold.state is HoldState.HELD}
    if HoldKind.REST not in held:
        return None
    return {
        "needs": [[one.product, one.sheets, one.one_batch] for one in facts.requirement],
        "mixes": sorted({one.product for one in facts.mixes}),
        "coming": [
            [one.id, one.product, one.batch, one.sheets, one.expected_at and one.expected_at.isoformat()]
            for one in facts.deliveries
        ],
        "rest": facts.rest_required.total_seconds(),
        "waived": [
            [one.id, one.at.isoformat(), one.until and one.until.isoformat()]
            for one in facts.waivers
            if one.hold is HoldKind.PANELS_ON_SITE
        ],
    }


def facts_asked(asks: dict[str, Any], rests: Sequence[StoredRest]) -> RoomFacts:
    """Return the facts of a room as far as its rest hold asks for them."""
    return RoomFacts(
        time_zone=_UTC,
        requirement=tuple(
            core.Requirement(product=product, label="", sheets=sheets, one_batch=one_batch)
            for product, sheets, one_batch in asks["needs"]
        ),
        placements=tuple(
            core.Placement(
                id=one.placement,
                product=str(one.product),
                batch=one.batch,
                sheets=one.sheets,
                in_at=one.in_at,
            )
            for one in rests
        ),
        inspections=tuple(
            core.Inspection(
                id=f"{one.placement}/seen",
                placement=one.placement,
                at=one.in_at,
                inspected=one.inspected,
                rejected=one.rejected,
                mark_seen=one.mark_seen,
            )
            for one in rests
            if one.inspected
        ),
        mixes=tuple(core.Mix(id=f"mix/{product}", product=product, at=_EVER) for product in asks["mixes"]),
        deliveries=tuple(
            core.Delivery(id=key, product=product, batch=batch, sheets=sheets, expected_at=_at(expected))
            for key, product, batch, sheets, expected in asks["coming"]
        ),
        rest_required=timedelta(seconds=asks["rest"]),
        waivers=tuple(
            core.Waiver(
                id=key,
                hold=HoldKind.PANELS_ON_SITE,
                at=datetime.fromisoformat(at),
                until=_at(until),
            )
            for key, at, until in asks["waived"]
        ),
    )


def _at(stored: str | None) -> datetime | None:
    return None if stored is None else datetime.fromisoformat(stored)
