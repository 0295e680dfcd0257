"""A zone's page: its air, and everything that rests in it on one axis of time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from uuid import UUID
from zoneinfo import ZoneInfo

from django.db.models import Q
from django.urls import reverse

from jobs.clocks import clocks_known_by, meant_by
from jobs.core.conditions import Band
from jobs.core.units import celsius, fahrenheit
from jobs.core.words import Say, Value, say, say_n
from jobs.core.worktime import time_zone
from jobs.models import Memory, Person, Reading, Statement, Zone
from jobs.services.meters import ROUNDING_K, ROUNDING_PCT
from materials.core.choice_words import choice_words
from materials.core.rest import RestState
from materials.models import Placement, Product
from scheduling import answers, drawing, parts
from scheduling.answers import StoredRest
from scheduling.core.room_outlook import StackOutlook
from scheduling.models import RoomState
from scheduling.outlooks import stack_outlooks
from scheduling.pages.loggers import ZoneLoggers, zone_loggers
from scheduling.pages.room import (
    clock_of,
    corrections,
    last_readings,
    memories_of,
    reading_lines,
    remembered_around,
    rights_of,
    state_of,
    stretch_rows,
)
from scheduling.pages.trace import NO_AIR, air_to_draw, hours_ledger
from scheduling.pages.wood import settled_in, settled_words

#: The axis goes back no further: what began before is cut off, and its length still stands in words.
LONGEST = timedelta(days=21)
#: Where nothing rests, so much of the air is drawn.
WITHOUT_RESTS = timedelta(days=3)
#: Memories and statements that are listed.
SAID_AT_ONCE = 6
#: A trace is broken where two readings lie further apart, where no rule says otherwise.
BREAK_AFTER = timedelta(hours=18)


@dataclass(frozen=True, slots=True)
class RestLine:
    """One placement on the shared axis: what and whose it is, how far it is, its stretches."""

    key: str
    batch: str
    product: str
    room: str
    url: str
    state: Say
    #: None: no rest is asked, or no time here can count.
    clock: parts.RestClock | None
    lane: drawing.Lane
    stretches: tuple[parts.StretchRow, ...]
    proven: timedelta
    needed: timedelta
    #: What would have it proven soonest; None: it is proven, or nothing is known that would.
    soonest: Say | None = None


@dataclass(frozen=True, slots=True)
class ZonePage:
    """All that a zone's page shows; what there is none of is None or empty."""

    zone: Zone
    time_zone: ZoneInfo
    answer: Say
    trouble: Say | None
    air: parts.AirNow | None
    shape: drawing.Strip
    band: Band
    #: From when on the axis shows.
    since: datetime
    lines: tuple[RestLine, ...]
    kinds: tuple[str, ...]
    has_saw: bool
    hours: parts.Ledger | None
    readings: tuple[parts.LogRow, ...]
    memories: tuple[parts.LogRow, ...]
    statements: tuple[parts.LogRow, ...]
    loggers: ZoneLoggers
    wood: Say | None
    may_record_site: bool
    is_manager: bool


def zone_page(
    zone: Zone, person: Person, *, may_record_site: bool, all_hours: bool = False, now: datetime
) -> ZonePage:
    """Return what the page of a zone shows; the states of its rooms must have been brought up to date.

    Args:
        zone: with its job and site.
        all_hours: tell every hour of the axis in the table, not the latest alone.
    """
    place = time_zone(zone.job.site.time_zone)
    rests = _rests(zone, now=now)
    since = _since([rest for _room, _name, rest in rests], now=now)
    span = drawing.strip_span(since, now, zone=place)
    band = Band(zone.t_min, zone.t_max, zone.rh_min, zone.rh_max)
    read = last_readings(zone.pk)
    air = air_to_draw({zone.pk}, since, clocks=clocks_known_by(read), now=now).get(zone.pk, NO_AIR)
    memories = memories_of({zone.pk}, since)
    break_after = min((rest.max_gap for _, _, rest in rests), default=BREAK_AFTER)
    shape = drawing.strip(
        span,
        band=band,
        readings=air.points,
        stretches=(),
        memories=memories.get(zone.pk, []),
        break_after=break_after,
        zone=place,
        now=now,
    )
    every = [rest for _room, _name, rest in rests]
    outlooks = stack_outlooks(every, zone=zone, job=zone.job, readings=read, now=now)
    lines = tuple(
        _line(room, name, rest, span, memories, soonest=_soonest(outlooks.get(rest.placement), now=now))
        for room, name, rest in rests
    )
    present = {row.kind for line in lines for row in line.stretches if row.to_at > span.start}
    last = _last(read)
    alike = since_when(air.points, band, break_after=break_after)
    rights = rights_of(person, may_record=False, may_record_site=may_record_site)
    answer, trouble = _answer(last, band, every, alike=alike, now=now)
    return ZonePage(
        zone=zone,
        time_zone=place,
        answer=answer,
        trouble=trouble,
        air=_air_now(read, band, now=now),
        shape=shape,
        band=band,
        since=span.start,
        lines=lines,
        kinds=tuple(kind for kind in parts.STRETCH_WORDS if kind in present),
        has_saw=any(line.lane.saws for line in lines),
        hours=hours_ledger(
            air.hours,
            all_url=None if all_hours else reverse("scheduling:zone", args=[zone.pk]) + "?hours=all#h-hours",
        ),
        readings=reading_lines(read, may_correct=may_record_site),
        memories=_memory_lines(zone, may_correct=may_record_site),
        statements=_statement_lines(zone, may_correct=may_record_site),
        loggers=zone_loggers(zone, rights=rights, now=now),
        wood=_wood(zone, every, now=now),
        may_record_site=may_record_site,
        is_manager=person.is_manager,
    )


# ---- what rests here ----


def _rests(zone: Zone, *, now: datetime) -> list[tuple[int, str, StoredRest]]:
    """Return the placements that stand here, each with its room's key and name, in the order they came."""
    here = Placement.objects.standing().filter(zone=zone, room__isnull=False).values("room")
    states = RoomState.objects.filter(room__in=here, stage=RoomState.Stage.WAITING)
    started = RoomState.objects.filter(room__in=here, stage=RoomState.Stage.STARTED)
    rows = (states | started).values_list("pk", "room__name", "rests")
    found = [
        (room, name, answers.rest_from_json(stored, now=now))
        for room, name, all_of in rows
        for stored in all_of
    ]
    here_now = [one for one in found if one[2].zones and one[2].zones[-1] == zone.pk and one[2].sheets]
    return sorted(here_now, key=lambda one: (one[2].in_at, one[1], one[2].batch, one[2].placement))


def _since(rests: Sequence[StoredRest], *, now: datetime) -> datetime:
    """Return where the axis begins: with the first of what rests here, at most `LONGEST` ago."""
    begun = [rest.rest.strip[0].from_at for rest in rests if rest.rest.strip]
    return max(min(begun, default=now - WITHOUT_RESTS), now - LONGEST)


def _soonest(stack: StackOutlook | None, *, now: datetime) -> Say | None:
    choices = stack.outlook.choices if stack is not None else ()
    return choice_words(choices[0], now=now) if choices else None


def _line(
    room: int,
    name: str,
    one: StoredRest,
    span: drawing.Span,
    memories: Mapping[int, list[parts.MemorySpell]],
    *,
    soonest: Say | None,
) -> RestLine:
    rest = one.rest
    asked = bool(rest.required) and one.band is not None
    rows = parts.with_losses(stretch_rows(one, remembered_around(one, memories)))
    return RestLine(
        key=one.placement,
        batch=one.batch,
        product=one.product_name,
        room=name,
        url=reverse("scheduling:room", args=[room]) + f"#rest-{one.placement}",
        state=state_of(one) if rest.required else say("No rest is asked of this product."),
        clock=clock_of(one) if asked else None,
        lane=drawing.lane(span, rows if asked else ()),
        stretches=rows if asked else (),
        proven=rest.proven,
        needed=rest.required,
        soonest=soonest,
    )


# ---- the head ----


def since_when(
    points: Sequence[parts.ReadingPoint], band: Band, *, break_after: timedelta
) -> datetime | None:
    """Return since when the air has been in the band, or out of it, as it is now; None: nothing is drawn.

    Nothing is said of time before two readings further apart than `break_after`.
    """
    since, later = None, None
    for point in reversed(points):
        inside = band.admits(point.t_c, point.rh_pct)
        if later is not None and (inside != later[1] or later[0] - point.at > break_after):
            break
        since, later = point.at, (point.at, inside)
    return since


def _last(read: Sequence[Reading]) -> parts.ReadingPoint | None:
    """Return the latest reading, its clock put right."""
    if not read:
        return None
    at, _said_at = meant_by(read[0])
    return parts.ReadingPoint(at, read[0].t_c, min(read[0].humidity_pct, 100.0))


def _answer(
    last: parts.ReadingPoint | None,
    band: Band,
    rests: Sequence[StoredRest],
    *,
    alike: datetime | None,
    now: datetime,
) -> tuple[Say, Say | None]:
    """Return the sentence at the head, and what is wrong with the air.

    Args:
        alike: since when the air has been in band, or out of it, as it is now.
    """
    if last is None:
        return say("Nobody has read the air here yet."), None
    resting = [rest.rest for rest in rests if rest.rest.required and rest.rest.state is not RestState.PROVEN]
    inside = band.admits(last.t_c, last.rh_pct)
    head = _air_words(last, inside, alike)
    trouble = None if inside else _wrong(last, band)
    if not resting:
        return say("{air} Nothing rests here now.", air=head), trouble
    if len(resting) < len(rests):
        here = say_n(
            "One of {all} placements here is not proven.",
            "{n} of {all} placements here are not proven.",
            n=len(resting),
            all=len(rests),
        )
    else:
        here = say_n("One placement rests here.", "{n} placements rest here.", n=len(resting))
    forecasts = [rest.forecast.instant(now=now) for rest in resting if rest.forecast is not None]
    if not forecasts:
        return say("{air} {here}", air=head, here=here), trouble
    return (
        say("{air} {here} The next can be proven {at}.", air=head, here=here, at=min(forecasts)),
        trouble,
    )


def _air_words(last: parts.ReadingPoint, inside: bool, alike: datetime | None) -> Say:
    words: dict[str, Value] = {"t_c": f"{last.t_c:.1f}", "rh_pct": f"{last.rh_pct:.0f}", "at": last.at}
    if alike is None or alike >= last.at:
        return say("{t_c} °C and {rh_pct} %, read {at}.", **words)
    if inside:
        return say("{t_c} °C and {rh_pct} %, read {at}, in band since {since}.", since=alike, **words)
    return say("{t_c} °C and {rh_pct} %, read {at}, out of band since {since}.", since=alike, **words)


def _wrong(last: parts.ReadingPoint, band: Band) -> Say:
    """Return by how much the air is out of the zone's band."""
    if last.t_c < band.t_min:
        return say("Too cold by {k} K.", k=f"{band.t_min - last.t_c:.1f}")
    if last.t_c > band.t_max:
        return say("Too warm by {k} K.", k=f"{last.t_c - band.t_max:.1f}")
    if last.rh_pct < band.rh_min:
        return say("Too dry by {points} %.", points=f"{band.rh_min - last.rh_pct:.0f}")
    return say("Too damp by {points} %.", points=f"{last.rh_pct - band.rh_max:.0f}")


def _air_now(read: Sequence[Reading], band: Band, *, now: datetime) -> parts.AirNow | None:
    last = _last(read)
    if last is None:
        return None
    by = read[0].logger or read[0].said_by or read[0].recorded_by.name
    return parts.air_now(last, band=band, source=by, now=now)


def _wood(zone: Zone, rests: Sequence[StoredRest], *, now: datetime) -> Say | None:
    """Return where the air draws wood, where backed panels stand here."""
    backed = Product.objects.filter(pk__in={rest.product for rest in rests}, kind=Product.Kind.BACKED)
    return settled_words(settled_in(zone.pk, now=now)) if rests and backed.exists() else None


# ---- tables and lists ----


def _memory_lines(zone: Zone, *, may_correct: bool) -> tuple[parts.LogRow, ...]:
    """Return the latest memories of meters, each with the first reading that contradicts it."""
    rows = Memory.objects.standing().filter(zone=zone).select_related("recorded_by", "zone")
    memories = list(rows.order_by("-happened_at", "-pk")[:SAID_AT_ONCE])
    against = _disagreeing(memories)
    lines = []
    for one in memories:
        other = against.get(one.pk)
        detail = say("{by}", by=one.said_by or one.recorded_by.name)
        if other is not None:
            detail = say(
                "{by}. Contradicted by the reading of {at}: {t_c} °C and {rh_pct} %. Correct the one that is wrong.",
                by=detail,
                at=other.happened_at,
                t_c=f"{other.t_c:.1f}",
                rh_pct=f"{other.humidity_pct:.0f}",
            )
        lines.append(
            parts.LogRow(
                at=one.happened_at,
                fact=one.says(),
                detail=detail,
                state="stands" if other is None else "disagrees",
                key=f"memory-{one.pk}",
                acts=corrections(one.pk) if may_correct else (),
            )
        )
    return tuple(lines)


def _disagreeing(memories: Sequence[Memory]) -> Mapping[UUID, Reading]:
    """Return the first reading outside each memory in whose span it lies, by memory; in one query."""
    if not memories:
        return {}
    wanted = Q()
    for one in memories:
        wanted |= Q(happened_at__gte=one.from_at, happened_at__lte=one.happened_at) & _outside(one)
    readings = Reading.objects.standing().filter(wanted, zone=memories[0].zone_id)
    found: dict[UUID, Reading] = {}
    for reading in readings.order_by("happened_at", "pk")[:MOST_OUTSIDE]:
        for one in memories:
            if one.from_at <= reading.happened_at <= one.happened_at and _lies_outside(reading, one):
                found.setdefault(one.pk, reading)
    return found


#: So many readings outside memories are looked at: beyond them only the first of each matters.
MOST_OUTSIDE = 200


def _limits(one: Memory) -> tuple[float, float, float, float]:
    low, high = celsius(one.t_min, one.unit), celsius(one.t_max, one.unit)
    return low - ROUNDING_K, high + ROUNDING_K, one.rh_min - ROUNDING_PCT, one.rh_max + ROUNDING_PCT


def _outside(one: Memory) -> Q:
    low, high, dry, damp = _limits(one)
    cold_or_warm = Q(unit="c") & (Q(temperature__lt=low) | Q(temperature__gt=high))
    cold_or_warm |= Q(unit="f") & (Q(temperature__lt=fahrenheit(low)) | Q(temperature__gt=fahrenheit(high)))
    return cold_or_warm | Q(humidity_pct__lt=dry) | Q(humidity_pct__gt=damp)


def _lies_outside(reading: Reading, one: Memory) -> bool:
    low, high, dry, damp = _limits(one)
    return not (low <= reading.t_c <= high and dry <= reading.humidity_pct <= damp)


def _statement_lines(zone: Zone, *, may_correct: bool) -> tuple[parts.LogRow, ...]:
    counts = zone.job.accepts_statements
    rows = Statement.objects.standing().filter(zone=zone).select_related("recorded_by", "zone")
    return tuple(
        parts.LogRow(
            at=one.happened_at,
            fact=one.says(),
            detail=say("{by}", by=one.said_by or one.recorded_by.name)
            if counts
            else say("{by}; it proves no rest on this job", by=one.said_by or one.recorded_by.name),
            key=f"statement-{one.pk}",
            acts=corrections(one.pk) if may_correct else (),
        )
        for one in rows.order_by("-happened_at", "-pk")[:SAID_AT_ONCE]
    )
