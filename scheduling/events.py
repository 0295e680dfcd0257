"""The calendar events of assignments: rendered from the plan in force and the live state, written when they differ."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING
from uuid import UUID

from django.conf import settings
from django.db.models import F
from django.urls import reverse
from django.utils import translation

from jobs.core.words import Say, say, say_n
from jobs.prepared import Prepared
from scheduling.core.backward import OpenAct
from scheduling.core.calendar import EventFields, Status, StoredEvent, event_uid, revise
from scheduling.core.calendar_event import (
    Begun,
    NextAct,
    ShiftFacts,
    SignedWaiver,
    StandingHold,
    Withdrawal,
    event_fields,
)
from scheduling.core.calendar_text import Tell
from scheduling.core.holds import Act, HoldState, Who
from scheduling.gather import Gathered
from scheduling.models import Assignment, CrewFeed, DayGiven, FeedEvent
from scheduling.models.work import untranslated
from scheduling.printing import plain

if TYPE_CHECKING:
    from scheduling.states import Judged

#: What a revision writes.  Not whether an event was served: whoever renders notes that, and never takes it back.
_REVISED = [
    *("sequence", "revised_at", "cancelled_at", "status", "start_at", "end_at", "zone"),
    *("summary", "location", "description", "category", "url"),
]

#: In every UID, for life: a name of ours, not the host of the moment.
UID_DOMAIN = "feeds.setday.example"

WHO_SAYS = {
    Who.CREW_LEAD: say("crew lead"),
    Who.SUPPLIER: say("supplier"),
    Who.MANAGER: say("manager"),
    Who.OTHERS: say("others on site"),
}


def revise_events(steps: Mapping[int, Sequence[Judged]]) -> None:
    """Write what changed in the events of these rooms, and mark the feeds that show them for rendering.

    Must run in the transaction that stores the rooms' states, with the rooms locked.

    Args:
        steps: by room, its judgements in order; each holds from its own instant on.
    """
    # The first wording of each: events belong to it for life.
    assignments: list[Assignment] = _ASSIGNMENTS(steps)
    known: dict[UUID, dict[int, FeedEvent]] = defaultdict(dict)
    for event in _EVENTS([one.pk for one in assignments]):
        known[event.assignment_id][event.ordinal] = event
    days = _days_in_force(assignments)
    changed: list[FeedEvent] = []
    crews: set[int] = set()
    with translation.override(settings.LANGUAGE_CODE):
        for assignment in assignments:
            day, events = days.get(assignment.pk), known[assignment.pk]
            rows = _revised(assignment, day, events, steps[assignment.room_id])
            changed += rows
            crews |= {assignment.crew_id} if rows else set()
    if not changed:
        return
    # The feeds first, as whoever renders one locks it first and marks its events after.
    list(CrewFeed.objects.select_for_update(no_key=True).filter(crew__in=crews).order_by("crew"))
    FeedEvent.objects.bulk_create(
        changed, update_conflicts=True, unique_fields=["assignment", "ordinal"], update_fields=_REVISED
    )
    CrewFeed.objects.filter(crew__in=crews).update(version=F("version") + 1, rendered_at=None)


def uid_of(event: FeedEvent) -> str:
    """Return an event's UID."""
    return event_uid(event.assignment_id, event.ordinal, UID_DOMAIN)


def stored_event(row: FeedEvent) -> StoredEvent:
    """Return a row as the core knows events."""
    return StoredEvent(
        uid=uid_of(row),
        start_at=row.start_at,
        end_at=row.end_at,
        zone=row.zone,
        status=Status(row.status),
        summary=row.summary,
        location=row.location,
        description=row.description,
        category=row.category,
        url=row.url,
        sequence=row.sequence,
        revised_at=row.revised_at,
        served=row.was_served,
        withdrawn_at=row.cancelled_at,
    )


def _days_in_force(assignments: Iterable[Assignment]) -> dict[UUID, DayGiven]:
    """Return the latest word on each assignment; none of one that was itself taken back."""
    standing = _STANDING([one.pk for one in assignments])
    return {day.assignment_id: day for day in _DAYS(standing)}


def _revised(
    assignment: Assignment, day: DayGiven | None, known: dict[int, FeedEvent], steps: Sequence[Judged]
) -> list[FeedEvent]:
    """Return the events of an assignment that differ from what is stored, after each judgement in turn."""
    stored = {ordinal: stored_event(row) for ordinal, row in known.items()}
    events = dict(stored)
    spans = day.spans if day is not None else ()
    for one in steps:
        tell = _tell(one.gathered)
        days = _days_before(events)
        for ordinal in range(1, len(spans) + 1):
            facts = _shift(assignment, spans, ordinal, one)
            events[ordinal] = revise(events.get(ordinal), event_fields(facts, tell=tell), at=one.at)
        for ordinal, event in events.items():
            if ordinal > len(spans) and event.status is not Status.CANCELLED:
                facts = _withdrawn_shift(event, ordinal, days, one, day.reason if day else "")
                events[ordinal] = revise(event, event_fields(facts, tell=tell), at=one.at)
    return [
        _row(assignment, ordinal, event)
        for ordinal, event in sorted(events.items())
        if event is not stored.get(ordinal)
    ]


def _days_before(events: Mapping[int, StoredEvent]) -> int:
    """Return how many shifts the assignment had as it was last shown."""
    return max(
        (ordinal for ordinal, event in events.items() if event.status is not Status.CANCELLED), default=1
    )


def _shift(
    assignment: Assignment, spans: tuple[tuple[datetime, datetime], ...], ordinal: int, one: Judged
) -> ShiftFacts:
    gathered, answer = one.gathered, one.answer
    room = gathered.room
    start_at, end_at = spans[ordinal - 1]
    return ShiftFacts(
        uid=event_uid(assignment.pk, ordinal, UID_DOMAIN),
        start_at=start_at,
        end_at=end_at,
        zone=room.job.site.time_zone,
        room=room.name,
        kind="Install",
        url=settings.BASE_URL + reverse("scheduling:room", args=[room.pk]),
        beside=room.job.name,
        day=ordinal,
        days=len(spans),
        address=room.job.site.address,
        entrance=room.job.site.way_in,
        fit_to_send=answer.fit_to_send,
        released=answer.released,
        begun=Begun(gathered.begun.at, gathered.begun.while_held) if gathered.begun else None,
        finished_at=gathered.finished_at,
        holds=tuple(StandingHold(Say(untranslated(hold.kind.value)), hold.forecast) for hold in one.keeping),
        next_act=_next_act(one),
        bring=_bring(gathered),
        waivers=_waivers(one),
        at_the_door=_at_the_door(gathered),
    )


def _withdrawn_shift(event: StoredEvent, day: int, days: int, one: Judged, reason: str) -> ShiftFacts:
    """Return a shift that stood until now; once withdrawn it stays as it is until it is given out again."""
    room = one.gathered.room
    return ShiftFacts(
        uid=event.uid,
        start_at=event.start_at,
        end_at=event.end_at,
        zone=event.zone,
        room=room.name,
        kind="Install",
        url=event.url,
        beside=room.job.name,
        day=day,
        days=days,
        address=room.job.site.address,
        entrance=room.job.site.way_in,
        withdrawn=Withdrawal(one.at, reason),
    )


def _next_act(one: Judged) -> NextAct | None:
    """Return the first open act of the room, with its last moment.

    The last moment of a reading that keeps a clock running moves with every reading: printed, it would change
    the calendar as often as a logger speaks.  Such an act comes after the others, and without it.
    """
    moves = {hold.kind for hold in one.answer.holds if hold.act is not None and hold.act.by is not None}
    fixed = [act for act in one.acts if act.hold not in moves]
    if fixed:
        return NextAct(_still(fixed[0]), WHO_SAYS[fixed[0].who], fixed[0].latest_at)
    return NextAct(_still(one.acts[0]), WHO_SAYS[one.acts[0].who], None) if one.acts else None


def _still(act: OpenAct) -> Say:
    """Return an act in words; of cold sheets without the time until which the wrap stays on, which moves as well."""
    count = act.says.values.get("n")
    if act.act is not Act.OPEN or "at" not in act.says.values or not isinstance(count, int):
        return act.says
    return say_n(
        "Leave the wrap on; unwrap one sheet once it is warm enough",
        "Leave the wrap on; unwrap {n} sheets once they are warm enough",
        n=count,
    )


def _bring(gathered: Gathered) -> tuple[Say, ...]:
    needs = gathered.facts.consumables.needs
    return tuple(
        say("{amount} {unit} {thing}", amount=f"{need.qty:f}", unit=need.unit, thing=need.label)
        for need in needs
    )


def _waivers(one: Judged) -> tuple[SignedWaiver, ...]:
    waived = {hold.kind for hold in one.answer.holds if hold.state is HoldState.WAIVED}
    return tuple(
        SignedWaiver(Say(untranslated(waiver.hold.value)), waiver.by, waiver.reason)
        for waiver in one.gathered.facts.waivers
        if waiver.hold in waived
    )


def _at_the_door(gathered: Gathered) -> tuple[Say, ...]:
    band = gathered.facts.conditions.band
    if band is None:
        return ()
    return (
        say("air {low} to {high} °C", low=f"{band.t_min:g}", high=f"{band.t_max:g}"),
        say("humidity {low} to {high} %", low=f"{band.rh_min:g}", high=f"{band.rh_max:g}"),
    )


def _tell(gathered: Gathered) -> Tell:
    zone = gathered.facts.time_zone
    return lambda said: plain(said, zone=zone)


def _row(assignment: Assignment, ordinal: int, event: StoredEvent) -> FeedEvent:
    fields: EventFields = event
    return FeedEvent(
        assignment=assignment,
        ordinal=ordinal,
        sequence=event.sequence,
        revised_at=event.revised_at,
        was_served=event.served,
        cancelled_at=event.withdrawn_at,
        status=fields.status.value,
        start_at=fields.start_at,
        end_at=fields.end_at,
        zone=fields.zone,
        summary=fields.summary,
        location=fields.location,
        description=fields.description,
        category=fields.category,
        url=fields.url,
    )


# ---- what is asked by keys alone ----

_ASSIGNMENTS = Prepared(lambda rooms: Assignment.objects.filter(room__in=rooms, supersedes__isnull=True))
_EVENTS = Prepared(lambda assignments: FeedEvent.objects.filter(assignment__in=assignments))
_STANDING = Prepared(
    lambda origins: Assignment.objects.standing().filter(origin__in=origins).values_list("origin", flat=True)
)
_DAYS = Prepared(
    lambda assignments: (
        DayGiven.objects.standing().filter(assignment__in=assignments).order_by("recorded_at", "pk")
    )
)
