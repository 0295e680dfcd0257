"""The calendar events of assignments: rendered from the plan in force and the live state, written when they differ."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from datetime import datetime
from typing import TYPE_CHECKING

from django.conf import settings
from django.db.models import F
from django.urls import reverse

from jobs.core.words import Say, say
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
from scheduling.core.holds import HoldState, Who
from scheduling.gather import Gathered
from scheduling.models import Assignment, CrewFeed, DayGiven, FeedEvent
from scheduling.models.work import untranslated
from scheduling.printing import plain

if TYPE_CHECKING:
    from scheduling.states import Judged

#: In every UID, for life: a name of ours, not the host of the moment.
UID_DOMAIN = "feeds.setday.example"

WHO_SAYS = {
    Who.CREW_LEAD: say("crew lead"),
    Who.SUPPLIER: say("supplier"),
    Who.MANAGER: say("manager"),
    Who.OTHERS: say("others on site"),
}


def revise_events(fresh: Iterable[Judged], *, revised_at: dict[int, datetime]) -> None:
    """Write what changed in the events of these rooms, and mark the feeds that show them for rendering.

    Must run in the transaction that stores the rooms' states.

    Args:
        revised_at: by room, since when its state is what it is.
    """
    judged = {one.gathered.room.pk: one for one in fresh}
    assignments = Assignment.objects.filter(room__in=judged, supersedes__isnull=True).select_related("crew")
    known: dict[object, dict[int, FeedEvent]] = defaultdict(dict)
    for event in FeedEvent.objects.filter(assignment__in=assignments):
        known[event.assignment_id][event.ordinal] = event
    days = _days_in_force(assignments)
    changed: list[FeedEvent] = []
    crews: set[int] = set()
    for assignment in assignments:
        one = judged[assignment.room_id]
        rows = _revised(
            assignment, days.get(assignment.pk), known[assignment.pk], one, revised_at[assignment.room_id]
        )
        changed += rows
        crews |= {assignment.crew_id} if rows else set()
    columns = [field.name for field in FeedEvent._meta.concrete_fields if not field.primary_key]
    FeedEvent.objects.bulk_create(
        changed, update_conflicts=True, unique_fields=["assignment", "ordinal"], update_fields=columns[2:]
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


def _days_in_force(assignments: Iterable[Assignment]) -> dict[object, DayGiven]:
    days = DayGiven.objects.standing().filter(assignment__in=[one.pk for one in assignments])
    return {day.assignment_id: day for day in days.order_by("recorded_at", "pk")}


def _revised(
    assignment: Assignment, day: DayGiven | None, known: dict[int, FeedEvent], one: Judged, at: datetime
) -> list[FeedEvent]:
    """Return the events of an assignment that differ from what is stored."""
    spans = day.spans if day is not None else ()
    tell = _tell(one.gathered)
    rows = []
    for ordinal in sorted({*range(1, len(spans) + 1), *known}):
        old = known.get(ordinal)
        if ordinal <= len(spans):
            facts = _shift(assignment, spans, ordinal, one)
        else:
            facts = _withdrawn_shift(assignment, known[ordinal], one, day, at)
        stored = stored_event(old) if old else None
        new = revise(stored, event_fields(facts, tell=tell), at=at)
        if new is not stored:
            rows.append(_row(assignment, ordinal, new))
    return rows


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
        holds=tuple(
            StandingHold(Say(untranslated(hold.kind.value)), hold.forecast)
            for hold in answer.holds
            if hold.state is HoldState.HELD
        ),
        next_act=_next_act(one),
        bring=_bring(gathered),
        waivers=_waivers(one),
        at_the_door=_at_the_door(gathered),
    )


def _withdrawn_shift(
    assignment: Assignment, event: FeedEvent, one: Judged, day: DayGiven | None, at: datetime
) -> ShiftFacts:
    room = one.gathered.room
    withdrawn_at = event.cancelled_at or at
    return ShiftFacts(
        uid=event_uid(assignment.pk, event.ordinal, UID_DOMAIN),
        start_at=event.start_at,
        end_at=event.end_at,
        zone=event.zone,
        room=room.name,
        kind="Install",
        url=event.url,
        beside=room.job.name,
        address=room.job.site.address,
        entrance=room.job.site.way_in,
        withdrawn=Withdrawal(withdrawn_at, day.reason if day is not None else ""),
    )


def _next_act(one: Judged) -> NextAct | None:
    """Return the first open act of the room, with its last moment."""
    if not one.acts:
        return None
    first = one.acts[0]
    return NextAct(first.says, WHO_SAYS[first.who], first.latest_at)


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
