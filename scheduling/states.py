"""The derived state of rooms: computed from the facts, stored with the version it came from, renewed when read.

Nothing that anyone sees depends on a worker having run: whoever reads a state that is past its `good_until`,
or older than the room's facts, computes it again in one short transaction.  What follows from a change of
state (calendar events, word to the manager) is written in that same transaction.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db import transaction
from django.db.models import F, Max, Q, QuerySet

from jobs.core.worktime import Calendar, time_zone
from jobs.models import Room
from jobs.models.envelope import EntryRoom
from materials.models import OrderLine
from scheduling import answers, events, messages
from scheduling.core.backward import OpenAct, open_acts
from scheduling.core.holds import HoldState, RoomAnswer, judge_room
from scheduling.gather import Gathered, gather
from scheduling.models import Crew, RoomState

#: How many rooms are computed in one go: a transaction stays short whatever the backlog.
AT_ONCE = 200


@dataclass(frozen=True, slots=True)
class Judged:
    """A room with its holds judged at one instant, on one version of its facts."""

    gathered: Gathered
    answer: RoomAnswer
    acts: tuple[OpenAct, ...]
    good_until: datetime | None


def stale(*, now: datetime) -> QuerySet[Room]:
    """Return the rooms whose stored state is missing, older than their facts, or past its time."""
    return Room.objects.filter(
        Q(state__isnull=True) | ~Q(state__facts_version=F("facts_version")) | Q(state__good_until__lte=now)
    )


def refresh_due(rooms: QuerySet[Room] | None = None, *, now: datetime) -> int:
    """Compute anew the states that are due, of `rooms` or of all; return how many there were."""
    due = stale(now=now)
    if rooms is not None:
        due = due.filter(pk__in=rooms.values("pk"))
    keys = list(due.order_by("pk").values_list("pk", flat=True))
    for first in range(0, len(keys), AT_ONCE):
        refresh(keys[first : first + AT_ONCE], now=now)
    return len(keys)


def refresh(rooms: Collection[int], *, now: datetime) -> None:
    """Compute the states of these rooms, and store those whose facts have not changed in the meantime."""
    judged = judge(rooms, now=now)
    with transaction.atomic():
        current = dict(
            Room.objects.select_for_update()
            .filter(pk__in=judged)
            .order_by("pk")
            .values_list("pk", "facts_version")
        )
        fresh = [one for pk, one in judged.items() if current.get(pk) == one.gathered.facts_version]
        before = {state.room_id: state for state in RoomState.objects.filter(room__in=current)}
        revised_at = _revised_at(fresh, before, now=now)
        _store(fresh, before, revised_at, now=now)
        events.revise_events(fresh, revised_at=revised_at)


def judge(rooms: Collection[int], *, now: datetime) -> dict[int, Judged]:
    """Return the rooms judged at `now`; writes nothing."""
    gathered = gather(rooms, now=now)
    calendars = _crew_calendars(gathered.values())
    leads = _leads(gathered)
    return {pk: _judged(one, calendars, leads.get(pk), now=now) for pk, one in gathered.items()}


def _judged(
    one: Gathered, calendars: dict[int, Calendar], lead: timedelta | None, *, now: datetime
) -> Judged:
    answer = judge_room(one.facts, now=now)
    acts: tuple[OpenAct, ...] = ()
    if one.planned is not None and one.stage == RoomState.Stage.WAITING:
        acts = open_acts(
            one.facts,
            answer.holds,
            start=one.planned.shifts[0][0],
            crew=calendars[one.room.pk],
            lead=lead,
        )
    instants = [answer.good_until, *(rested.rest.good_until for rested in one.rests)]
    return Judged(one, answer, acts, min((at for at in instants if at is not None), default=None))


def _store(
    fresh: Iterable[Judged], before: dict[int, RoomState], revised_at: dict[int, datetime], *, now: datetime
) -> None:
    rows = []
    for one in fresh:
        room = one.gathered.room
        old = before.get(room.pk)
        loss = _loss(one, old, at=revised_at[room.pk])
        rows.append(
            RoomState(
                room=room,
                facts_version=one.gathered.facts_version,
                computed_at=now,
                good_until=one.good_until,
                stage=one.gathered.stage,
                began_held=one.gathered.begun is not None and one.gathered.begun.while_held,
                is_released=one.answer.released,
                is_fit_to_send=one.answer.fit_to_send,
                planned_start=one.gathered.planned.shifts[0][0] if one.gathered.planned else None,
                crew_id=one.gathered.planned.crew if one.gathered.planned else None,
                answer=answers.answer_to_json(one.answer, one.acts, loss, _on_site_by(one.gathered)),
                rests=[answers.rest_to_json(rested) for rested in one.gathered.rests],
            )
        )
        if loss is not None and (old is None or answers.loss_of(old.answer) is None):
            messages.tell_managers_held_again(room, loss, version=one.gathered.facts_version, now=now)
    columns = [field.name for field in RoomState._meta.concrete_fields if field.name != "room"]
    RoomState.objects.bulk_create(rows, update_conflicts=True, unique_fields=["room"], update_fields=columns)


def _on_site_by(gathered: Gathered) -> datetime | None:
    """Return the last arrival that leaves the panels their whole rest before the promised start."""
    if gathered.planned is None:
        return None
    return gathered.planned.shifts[0][0] - gathered.facts.rest_required


def _loss(one: Judged, old: RoomState | None, *, at: datetime) -> answers.Loss | None:
    """Return that a promised room is held again after it was fit to send; it lasts until it is fit or begun."""
    waiting = one.gathered.stage == RoomState.Stage.WAITING
    if old is None or one.gathered.planned is None or not waiting or one.answer.fit_to_send:
        return None
    known = answers.loss_of(old.answer)
    if known is None and not old.is_fit_to_send:
        return None
    held = tuple(hold.kind.value for hold in one.answer.holds if hold.state is HoldState.HELD)
    return answers.Loss(known.at if known else at, held)


def _revised_at(
    fresh: Iterable[Judged], before: dict[int, RoomState], *, now: datetime
) -> dict[int, datetime]:
    """Return since when each new state holds, from stored instants alone, whoever computes it and when.

    A state that ran out of time changed at its `good_until`; one that facts made old, when the latest of
    them was recorded.
    """
    rooms = [one.gathered.room.pk for one in fresh]
    latest = EntryRoom.objects.filter(room__in=rooms).values("room").annotate(at=Max("entry__recorded_at"))
    recorded = {row["room"]: row["at"] for row in latest}
    since = {}
    for one in fresh:
        pk, old = one.gathered.room.pk, before.get(one.gathered.room.pk)
        ran_out = (
            old is not None and old.facts_version == one.gathered.facts_version and old.good_until is not None
        )
        since[pk] = old.good_until if ran_out and old and old.good_until else recorded.get(pk, now)
        since[pk] = min(since[pk], now)
    return since


def _crew_calendars(gathered: Iterable[Gathered]) -> dict[int, Calendar]:
    """Return the shift calendar of each planned room's crew, in the zone of its site."""
    planned = [one for one in gathered if one.planned is not None]
    weeks = dict(
        Crew.objects.filter(pk__in={one.planned.crew for one in planned if one.planned}).values_list(
            "pk", "week"
        )
    )
    made: dict[tuple[int, str], Calendar] = {}
    calendars = {}
    for one in planned:
        assert one.planned is not None
        key = (one.planned.crew, one.room.job.site.time_zone)
        if key not in made:
            made[key] = Calendar.of_week(time_zone(key[1]), weeks[key[0]])
        calendars[one.room.pk] = made[key]
    return calendars


def _leads(rooms: Collection[int]) -> dict[int, timedelta]:
    """Return the longest lead time among the suppliers that a room's panels are ordered from."""
    rows = (
        OrderLine.objects.filter(room__in=rooms, order__supplier__lead_days__isnull=False)
        .values("room")
        .annotate(days=Max("order__supplier__lead_days"))
    )
    return {row["room"]: timedelta(days=row["days"]) for row in rows}
