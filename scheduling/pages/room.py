"""A room's page: its holds on the rod, the rest of its placements, the day, and the history of its facts."""

from __future__ import annotations

from collections.abc import Collection, Hashable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from itertools import zip_longest
from typing import Literal, Protocol
from uuid import UUID
from zoneinfo import ZoneInfo

from django.db.models import Exists, OuterRef, Q
from django.urls import reverse

from jobs.clocks import clocks_known_by, meant_by, with_offset
from jobs.core.conditions import Band
from jobs.core.units import celsius
from jobs.core.words import Say, say, say_n
from jobs.core.worktime import time_zone
from jobs.models import Entry, Memory, Person, Reading, Room
from jobs.says import from_json
from materials.core.rest import Kind, RestartOn, RestState, Stretch
from materials.core.rest_words import words_of
from materials.models import Product
from scheduling import answers, parts
from scheduling.acts import ACTS, Ways, ways_of
from scheduling.acts.base import Allowed, Subject
from scheduling.answers import Loss, PlacementCount, StoredRest
from scheduling.core.backward import OpenAct
from scheduling.core.holds import Act, Hold, HoldState, Who
from scheduling.curing import cure_from_json
from scheduling.gather import planned_for
from scheduling.models import RoomState
from scheduling.models.work import untranslated
from scheduling.outlooks import outlook_of_room
from scheduling.pages.cure import CureView, cure_view
from scheduling.pages.loggers import by_words
from scheduling.pages.outlook import OutlookView, outlook_view
from scheduling.pages.stack import StackView, stack_views
from scheduling.pages.trace import DrawnAir, air_to_draw, points_of
from scheduling.pages.wood import WoodView, wood_views
from scheduling.silence import silence_note, silences_of

#: What the history shows at once; the rest is a link away.
HISTORY_AT_ONCE = 40

#: Of the readings the page lists these, each with its way to be corrected; the strip shows them all.
READINGS_AT_ONCE = 6
#: Whether a line tells of a reading that corrects another: one of a logger's file has no line to point back at.
CORRECTS_A_READING = Exists(Reading.objects.filter(pk=OuterRef("fact"), supersedes__isnull=False))
#: Readings come by the hundred and have their own list; those that correct another stay in the history.
PLAIN_READING = Q(kind="jobs.reading", withdraws=False) & Q(~CORRECTS_A_READING)

#: The kind of a history line that stands for a whole file of readings.
LOGGER_FILE = "jobs.readingfile"
#: Where each act of a hold is recorded: subject, name; the subject is the room, its zone or its job.
ACT_ROUTES: Mapping[Act, tuple[str, str]] = {
    Act.RECORD_MILESTONE: ("rooms", "milestone"),
    Act.PASS_PREP: ("rooms", "prep"),
    Act.ORDER_SHEETS: ("jobs", "order"),
    Act.LOG_DISPATCH: ("orders", "dispatch"),
    Act.CONFIRM_ARRIVAL: ("jobs", "arrival"),
    Act.ACKNOWLEDGE_MIX: ("rooms", "mix"),
    Act.INSPECT: ("placements", "inspect"),
    Act.OPEN: ("rooms", "open"),
    Act.LAY_OUT: ("placements", "lay-out"),
    Act.MEASURE_STACK: ("placements", "temperature"),
    Act.LOG_READING: ("zones", "reading"),
    Act.BRING_CONSUMABLES: ("rooms", "lot"),
}

WHO: Mapping[Who, Say] = {
    Who.CREW_LEAD: say("crew lead"),
    Who.SUPPLIER: say("supplier"),
    Who.MANAGER: say("manager"),
    Who.OTHERS: say("others on site"),
}


@dataclass(frozen=True, slots=True)
class PlacementView:
    """One placement with its clock and strip.

    `strip` is None where nothing has counted or could; `clock` and `rule` where no rest is asked.
    """

    key: str
    product: str
    batch: str
    counts: Say
    clock: parts.RestClock | None
    rule: Say | None
    state: Say
    strip: parts.RestStrip | None
    wrapped: bool
    to_inspect: int
    #: Sheets that were set or moved on beyond what there was: its counts disagree.
    missing: int
    #: The zone it stands in, where its air is told by the hour.
    zone: int | None = None
    #: None: it needs no word.
    stack: StackView | None = None
    #: None: there is no wood on its back.
    wood: WoodView | None = None


@dataclass(frozen=True, slots=True)
class DayView:
    """The day given out: first shift, whose, how it stands against what keeps it."""

    crew: str
    shifts: tuple[tuple[datetime, datetime], ...]
    acts: tuple[OpenAct, ...]
    #: Why no last moments can be told.
    no_acts: Say | None


@dataclass(frozen=True, slots=True)
class RoomPage:
    """All that a room's page shows."""

    room: Room
    zone: ZoneInfo
    state: RoomState
    shown: str
    answer: Say
    trouble: Say | None
    holds: tuple[parts.HoldRow, ...]
    placements: tuple[PlacementView, ...]
    day: DayView | None
    loss: Say | None
    #: Loggers that say nothing where something of this room hangs on it.
    silent: tuple[parts.Note, ...]
    cure: CureView | None
    #: What can be done about a rest that is held; None: it is not held.
    outlook: OutlookView | None
    history: tuple[parts.LogRow, ...]
    history_left_out: int
    readings: tuple[parts.LogRow, ...]
    may_record: bool
    may_record_site: bool
    is_manager: bool
    facts_at: datetime | None

    @property
    def cold(self) -> tuple[PlacementView, ...]:
        """Placements of a waiting room whose middle is still cold, as far as is known."""
        if self.state.stage != RoomState.Stage.WAITING:
            return ()
        return tuple(
            one for one in self.placements if one.stack and one.stack.answer and not one.stack.is_warm
        )


def room_page(
    room: Room,
    person: Person,
    *,
    may_record: bool,
    may_record_site: bool,
    all_history: bool = False,
    now: datetime,
) -> RoomPage:
    """Return what the page of a room shows; its state must have been brought up to date.

    Args:
        room: with its zone, job and site.
    """
    zone = time_zone(room.job.site.time_zone)
    state = RoomState.objects.select_related("crew").get(room=room)
    holds = answers.holds_of(state.answer)
    acts = answers.acts_of(state.brief)
    rests = [answers.rest_from_json(one, now=now) for one in state.rests]
    day = _day(room, state)
    rights = rights_of(person, may_record=may_record, may_record_site=may_record_site)
    read = last_readings(room.zone_id)
    history, left_out = _history(room, rights, everything=all_history)
    answer, trouble = _answer(state, holds, day, now=now)
    return RoomPage(
        room=room,
        zone=zone,
        state=state,
        shown=shown_state(state),
        answer=answer,
        trouble=trouble,
        holds=_rows(room, holds, acts, rests, day, rights),
        placements=_placements(room, rests, read, zone, now=now),
        day=day,
        loss=_loss(answers.loss_of(state.answer)),
        silent=tuple(map(silence_note, silences_of(state.watch))),
        cure=cure_view(
            room,
            cure_from_json(state.watch.get("cure")),
            is_finished=state.stage == RoomState.Stage.FINISHED,
            now=now,
        ),
        outlook=outlook_view(
            outlook_of_room(room, state.answer.get("asks"), rests, read, now=now),
            day=day.shifts[0][0] if day else None,
            now=now,
        ),
        history=history,
        history_left_out=left_out,
        readings=reading_lines(read, may_correct=may_record_site),
        may_record=may_record,
        may_record_site=may_record_site,
        is_manager=person.is_manager,
        facts_at=history[0].at if history and isinstance(history[0].at, datetime) else None,
    )


class Staged(Protocol):
    """A room's state, or a row of a list that has it."""

    @property
    def stage(self) -> str: ...
    @property
    def began_held(self) -> bool: ...
    @property
    def is_released(self) -> bool: ...
    @property
    def is_fit_to_send(self) -> bool: ...


def shown_state(state: Staged) -> str:
    """Return the key of `parts.STATES` under which a room stands in lists."""
    if state.stage == RoomState.Stage.FINISHED:
        return "finished"
    if state.stage == RoomState.Stage.STARTED:
        return "begun_while_held" if state.began_held else "started"
    if state.is_released:
        return "released"
    return "fit_to_send" if state.is_fit_to_send else "held"


def _answer(
    state: RoomState, holds: Sequence[Hold], day: DayView | None, *, now: datetime
) -> tuple[Say, Say | None]:
    """Return the sentence at the head of the page, and what of it names a promise that moves."""
    held = tuple(Say(untranslated(hold.kind.value)) for hold in holds if hold.state is HoldState.HELD)
    promised = day.shifts[0][0] if day else None
    if state.stage == RoomState.Stage.FINISHED:
        return say("Finished."), None
    if state.stage == RoomState.Stage.STARTED:
        if state.began_held:
            return say("Begun while held."), None
        return say("Started."), None
    if not held:
        if promised is None:
            return say("Released: it may be started now. No day is given out."), None
        return say("Released: it may be started now. Promised {day}.", day=promised), None
    if state.is_fit_to_send:
        if promised is None:
            return say("Fit to send; a reading at the door decides. No day is given out."), None
        return say("Fit to send; a reading at the door decides. Promised {day}.", day=promised), None
    return _held_answer(state, held, promised, now=now)


def _held_answer(
    state: RoomState, held: tuple[Say, ...], promised: datetime | None, *, now: datetime
) -> tuple[Say, Say | None]:
    forecast = answers.earliest_start_of(state.brief)
    clears = forecast.instant(now=now) if forecast else None
    if promised is None:
        if clears is None:
            return say("Held by {holds}. When it clears is not known.", holds=held), None
        return say(
            "Held by {holds}. It can clear {clears}. No day is given out.", holds=held, clears=clears
        ), None
    head = say("Held by {holds}. Promised {day}.", holds=held, day=promised)
    if clears is None:
        return head, None
    if clears > promised:
        return head, say("It can clear {clears}: the day moves.", clears=clears)
    return say(
        "Held by {holds}. It can clear {clears}; promised {day}.", holds=held, clears=clears, day=promised
    ), None


def _loss(loss: Loss | None) -> Say | None:
    if loss is None:
        return None
    holds = tuple(Say(untranslated(name)) for name in loss.holds)
    return say("Held again by {holds}. It was fit to send until {at}.", holds=holds, at=loss.at)


def _rows(
    room: Room,
    holds: Sequence[Hold],
    acts: Sequence[OpenAct],
    rests: Sequence[StoredRest],
    day: DayView | None,
    rights: Collection[Allowed],
) -> tuple[parts.HoldRow, ...]:
    latest = {act.hold: act.latest_at for act in acts}
    rows = []
    for hold in holds:
        url = act_url(hold.act.act if hold.act else None, room, rests, rights=rights)
        who = WHO[hold.who] if hold.who else None
        if hold.who is Who.CREW_LEAD and day is not None:
            who = say("{crew}", crew=day.crew)
        condition = say("if it stays in band") if hold.counting and hold.forecast else None
        rows.append(parts.hold_row(hold, who=who, act_url=url, by=latest.get(hold.kind), condition=condition))
    return tuple(rows)


class Place(Protocol):
    """A room, or a row of a list that stands for one."""

    @property
    def pk(self) -> int: ...
    @property
    def job_id(self) -> int: ...
    @property
    def zone_id(self) -> int: ...


def act_url(
    act: Act | None,
    room: Place,
    rests: Sequence[StoredRest | PlacementCount] = (),
    *,
    rights: Collection[Allowed],
) -> str | None:
    """Return where a reader with these rights records the next act of a hold; None: nowhere, or not this reader."""
    if act is None or act not in ACT_ROUTES:
        return None
    subject, name = ACT_ROUTES[act]
    if ACTS[Subject(subject), name].allowed not in rights:
        return None
    if subject == "orders":
        return reverse("scheduling:job", args=[room.job_id]) + "#orders"
    if act is Act.CONFIRM_ARRIVAL:
        return reverse("scheduling:job", args=[room.job_id]) + "#coming"
    about = [one.placement for one in rests if one.sheets and _concerns(act, one)]
    # One that is still wrapped has the whole handling on one form; several are ticked on the room's.
    if subject == "placements" or (act is Act.OPEN and len(about) == 1):
        return reverse("scheduling:act", args=["placements", about[0], name]) if about else None
    key = {"rooms": room.pk, "zones": room.zone_id, "jobs": room.job_id}[subject]
    return reverse("scheduling:act", args=[subject, key, name])


def _concerns(act: Act, one: StoredRest | PlacementCount) -> bool:
    """Return whether an act of placements is about this one."""
    if act is Act.OPEN:
        return one.wrapped
    return one.cold if act in (Act.LAY_OUT, Act.MEASURE_STACK) else one.inspected < one.sheets


def _placements(
    room: Room, rests: Sequence[StoredRest], read: Sequence[Reading], zone: ZoneInfo, *, now: datetime
) -> tuple[PlacementView, ...]:
    by_age = sorted(rests, key=lambda one: (one.in_at, one.batch))
    shown = [one for one in by_age if one.sheets or one.missing]
    stretches = [one.rest.strip[0].from_at for one in shown if one.rest.strip]
    zones = {place for one in shown for place in one.zones}
    since = min(stretches, default=None)
    # What the latest readings tell of their zone's clocks need not be asked.
    clocks = clocks_known_by(read) if zones <= {room.zone_id} else None
    air = air_to_draw(zones, since, clocks=clocks, now=now)
    strips = _Strips(air, memories_of(zones, since), zone, now)
    products = Product.objects.in_bulk({one.product for one in shown if one.sheets})
    stacks = stack_views(room, shown, products, zone=zone, now=now)
    backs = {one.placement: products[one.product] for one in shown if one.sheets}
    woods = wood_views(backs, room.zone_id, now=now)
    return tuple(
        replace(
            _placement(one, strips),
            stack=stacks.get(one.placement),
            wood=woods.get(one.placement),
        )
        for one in shown
    )


def _placement(one: StoredRest, strips: _Strips) -> PlacementView:
    asked = bool(one.rest.required)
    return PlacementView(
        key=one.placement,
        product=one.product_name,
        batch=one.batch,
        counts=_counts(one),
        clock=clock_of(one) if asked else None,
        rule=_rule(one) if asked else None,
        state=state_of(one) if asked else say("No rest is asked of this product."),
        strip=strips.of(one) if asked else None,
        wrapped=one.opened_at is None,
        to_inspect=one.sheets - one.inspected,
        missing=one.missing,
        zone=one.stays[-1].zone if one.stays else None,
    )


def clock_of(one: StoredRest) -> parts.RestClock:
    """Return the clock of a rest: what is proven of what is asked."""
    rest = one.rest
    return parts.rest_clock(
        needed=rest.required,
        proven=rest.proven,
        provisional=rest.provisional,
        stated=rest.stated,
        bridged=rest.bridged,
        full_at=rest.forecast,
        condition=say("if it stays in band") if rest.state is RestState.RESTING else None,
    )


@dataclass(slots=True)
class _Strips:
    """Draws the rests of a room; batches of one delivery rest side by side, and are drawn once."""

    air: Mapping[int, DrawnAir]
    memories: Mapping[int, list[parts.MemorySpell]]
    zone: ZoneInfo
    now: datetime
    drawn: dict[Hashable, parts.RestStrip] = field(default_factory=dict)

    def of(self, one: StoredRest) -> parts.RestStrip | None:
        """Return the strip of a placement; None where nothing has counted or could."""
        if not one.rest.strip or one.band is None:
            return None
        alike = (one.stays, one.band, one.max_gap, one.rest.strip)
        if alike not in self.drawn:
            self.drawn[alike] = self._draw(one, Band(*one.band))
        return replace(self.drawn[alike], batch=one.batch, needed=one.rest.required)

    def _draw(self, one: StoredRest, band: Band) -> parts.RestStrip:
        remembered = remembered_around(one, self.memories)
        return parts.rest_strip(
            band=band,
            stretches=stretch_rows(one, remembered),
            readings=points_of(one.stays, self.air),
            memories=remembered,
            break_after=one.max_gap,
            needed=one.rest.required,
            zone=self.zone,
            now=self.now,
        )


def remembered_around(
    one: StoredRest, memories: Mapping[int, list[parts.MemorySpell]]
) -> list[parts.MemorySpell]:
    """Return what meters remember of the zones the sheets stood in, each cut to the time they stood there."""
    return [
        replace(
            spell,
            from_at=max(spell.from_at, stay.in_at),
            to_at=min(spell.to_at, stay.out_at) if stay.out_at else spell.to_at,
        )
        for stay in one.stays
        for spell in memories.get(stay.zone, [])
        if spell.to_at > stay.in_at and (stay.out_at is None or spell.from_at < stay.out_at)
    ]


def _counts(one: StoredRest) -> Say:
    if one.rejected:
        return say_n(
            "{n} sheet, {seen} inspected, {bad} rejected",
            "{n} sheets, {seen} inspected, {bad} rejected",
            n=one.sheets,
            seen=one.inspected,
            bad=one.rejected,
        )
    return say_n(
        "{n} sheet, {seen} inspected", "{n} sheets, {seen} inspected", n=one.sheets, seen=one.inspected
    )


def _rule(one: StoredRest) -> Say:
    if one.band is None:
        return say("The zone's band and the product's limits do not meet: no time here can count.")
    t_min, t_max, rh_min, rh_max = one.band
    again = say("out of band over {restart} starts again from zero", restart=one.restart_after)
    if one.restart_on is RestartOn.TEMPERATURE:
        again = say(
            "too cold or too warm over {restart} starts again from zero, too dry or too damp only pauses",
            restart=one.restart_after,
        )
    return say(
        "Needs {needed} inside {t_min}–{t_max} °C and {rh_min}–{rh_max} %. A gap over {gap} does not count;"
        " {again}.",
        needed=one.rest.required,
        t_min=f"{t_min:g}",
        t_max=f"{t_max:g}",
        rh_min=f"{rh_min:g}",
        rh_max=f"{rh_max:g}",
        gap=one.max_gap,
        again=again,
    )


def state_of(one: StoredRest) -> Say:
    """Return where a rest is, in one sentence."""
    rest = one.rest
    if rest.state is RestState.PROVEN and rest.proven_at is not None:
        return _cold(one, rest.proven_at) if one.cold else say("Proven {at}.", at=rest.proven_at)
    if one.opened_at is None:
        return say("Still wrapped: the rest begins when it is opened.")
    if rest.state is RestState.RESTING and rest.read_again_by is not None:
        return say("Resting. Read again by {by}.", by=rest.read_again_by)
    if rest.state is RestState.RESTING:
        return say("Resting.")
    if rest.state is RestState.PAUSED:
        return say("Paused: the air is out of band, or nobody has read it.")
    return say("Not started: no reading in band yet.")


def _cold(one: StoredRest, full_at: datetime) -> Say:
    """Return that the hours of a rest are full while its stack still holds it."""
    until = one.stack.latest if one.stack is not None else None
    if until is None:
        return say("Its hours are full since {at}; whether its middle is warm is not known.", at=full_at)
    return say(
        "Its hours are full since {at}; its middle may be cold until {until}.", at=full_at, until=until
    )


def stretch_rows(one: StoredRest, remembered: Sequence[parts.MemorySpell]) -> list[parts.StretchRow]:
    """Return the stretches of a rest as they are drawn and tabled; counted time says where a meter remembers it.

    Args:
        remembered: what meters remember of where the sheets stood, while they stood there.
    """
    strip = one.rest.strip
    rows = [stretch_row(stretch, why) for stretch, why in zip_longest(strip, one.whys[: len(strip)])]
    if one.band is None:
        return rows
    band = Band(*one.band)
    good = [
        spell
        for spell in remembered
        if band.admits(spell.t_min, spell.rh_min) and band.admits(spell.t_max, spell.rh_max)
    ]
    return [_with_memory(row, good) if row.kind == Kind.COUNTED else row for row in rows]


def _with_memory(row: parts.StretchRow, good: Sequence[parts.MemorySpell]) -> parts.StretchRow:
    if not any(spell.from_at < row.to_at and spell.to_at > row.from_at for spell in good):
        return row
    return replace(row, why=say("{why}, and what a meter remembers", why=row.words))


def stretch_row(stretch: Stretch, why: Say | None) -> parts.StretchRow:
    """Return a stretch as it is drawn; one that began after the state was stored finds its words here."""
    return parts.StretchRow(
        stretch.from_at, stretch.to_at, stretch.kind.value, stretch.restart, why or words_of(stretch)
    )


def memories_of(zones: Collection[int], since: datetime | None) -> dict[int, list[parts.MemorySpell]]:
    """Return what meters remembered of each zone since an instant, to be drawn."""
    if since is None:
        return {}
    found: dict[int, list[parts.MemorySpell]] = {}
    for one in (
        Memory.objects.standing().filter(zone__in=zones, happened_at__gte=since).order_by("happened_at")
    ):
        low, high = celsius(one.t_min, one.unit), celsius(one.t_max, one.unit)
        spell = parts.MemorySpell(one.from_at, one.happened_at, low, high, one.rh_min, one.rh_max)
        found.setdefault(one.zone_id, []).append(spell)
    return found


def _day(room: Room, state: RoomState) -> DayView | None:
    """Return the day in force, and the last moments that keep it."""
    planned = planned_for([room.pk]).get(room.pk)
    if planned is None or state.crew is None:
        return None
    acts, no_acts = answers.acts_of(state.brief), answers.no_acts_of(state.brief)
    return DayView(state.crew.name, planned.shifts, acts, no_acts)


def rights_of(person: Person, *, may_record: bool, may_record_site: bool) -> frozenset[Allowed]:
    """Return which acts are this person's in a room, and which facts they may change there."""
    if person.is_manager:
        return frozenset(Allowed)
    held = {Allowed.ROOM: may_record, Allowed.SITE: may_record_site}
    return frozenset(allowed for allowed, has in held.items() if has)


def _history(
    room: Room, rights: Collection[Allowed], *, everything: bool
) -> tuple[tuple[parts.LogRow, ...], int]:
    """Return the facts of a room, latest first, what took the place of each, and how many were left out."""
    entries = Entry.objects.filter(rooms=room).annotate(corrects_reading=CORRECTS_A_READING)
    entries = entries.select_related("recorded_by", "superseded_by")
    if not everything:
        entries = entries.exclude(PLAIN_READING)
    count = None if everything else HISTORY_AT_ONCE
    rows = list(entries.order_by("-recorded_at", "-pk")[: count + 1 if count else None])
    left_out = 0
    if count is not None and len(rows) > count:
        left_out = entries.count() - count
        rows = rows[:count]
    return tuple(history_line(entry, rights) for entry in rows), left_out


def last_readings(zone: int) -> list[Reading]:
    """Return the latest standing readings of a zone, those of a logger's file too, latest first."""
    rows = Reading.objects.standing().filter(zone=zone).select_related("recorded_by")
    return list(with_offset(rows).order_by("-happened_at", "-pk")[:READINGS_AT_ONCE])


def reading_lines(readings: Sequence[Reading], *, may_correct: bool) -> tuple[parts.LogRow, ...]:
    """Return readings as lines, each with its ways to be corrected."""
    lines = []
    for one in readings:
        unit = "°C" if one.unit == "c" else "°F"
        fact = say("{air} {unit}, {humidity} %", air=one.temperature, unit=unit, humidity=one.humidity_pct)
        at, said_at = meant_by(one)
        lines.append(
            parts.LogRow(
                at=at,
                fact=fact,
                detail=by_words(one, said_at),
                key=f"reading-{one.pk}",
                acts=corrections(one.pk) if may_correct else (),
            )
        )
    return tuple(lines)


def corrections(fact: UUID, *, ways: Ways | None = None) -> tuple[parts.LogLink, ...]:
    """Return the ways to change a fact that somebody may change."""
    links = []
    if ways is None or ways.correct:
        links.append(parts.LogLink(say("correct"), reverse("scheduling:correct", args=[fact])))
    if ways is None or ways.take_back:
        links.append(parts.LogLink(say("take back"), reverse("scheduling:withdraw", args=[fact])))
    return tuple(links)


def is_correction(entry: Entry) -> bool:
    """Return whether a line tells of a correction; of readings only if the query was asked for `corrects_reading`."""
    return entry.supersedes_id is not None or getattr(entry, "corrects_reading", False)


def history_line(entry: Entry, rights: Collection[Allowed]) -> parts.LogRow:
    """Return a line of history: struck where a later fact took its place, with the ways to change it.

    Args:
        rights: whose facts the reader may change.
    """
    detail = say("{by}", by=entry.said_by or entry.recorded_by.name)
    # Recorded as it happened goes without saying.
    if entry.recorded_at - entry.happened_at >= timedelta(minutes=1):
        detail = say("{by}, recorded {at}", by=detail, at=entry.recorded_at)
    if entry.reason and is_correction(entry):
        detail = say("{by}: {reason}", by=detail, reason=entry.reason)
    newer = getattr(entry, "superseded_by", None)
    fact: Say = from_json(entry.says)
    if entry.withdraws:
        fact = say("Taken back: {fact}", fact=fact)
    elif is_correction(entry):
        fact = say("Corrected to: {fact}", fact=fact)
    state: Literal["stands", "corrected", "withdrawn", "disagrees"] = "stands"
    link = None
    if newer is not None:
        state = "withdrawn" if newer.withdraws else "corrected"
        words = say("taken back") if newer.withdraws else say("corrected")
        link = parts.LogLink(words, f"#fact-{newer.pk}")
    acts: tuple[parts.LogLink, ...] = ()
    if newer is None and not entry.withdraws:
        ways = ways_of(entry)
        acts = corrections(entry.pk, ways=ways) if ways.allowed in rights else ()
    if entry.kind == LOGGER_FILE and not entry.withdraws:
        # Its rows are one line here: the file itself is the evidence, whatever became of them.
        acts += (parts.LogLink(say("the file"), reverse("scheduling:logger_original", args=[entry.pk])),)
    return parts.LogRow(
        at=entry.happened_at,
        fact=fact,
        detail=detail,
        state=state,
        link=link,
        key=str(entry.pk),
        acts=acts,
    )
