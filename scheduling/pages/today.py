"""A crew's day on the phone: the next act, the rooms of today and of the days after."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from django.db.models import QuerySet
from django.urls import reverse

from jobs.core.words import Say, say, say_n
from jobs.core.worktime import time_zone
from jobs.models import Person
from scheduling import answers, parts
from scheduling.acts.base import Allowed
from scheduling.core.backward import OpenAct
from scheduling.core.holds import Hold, HoldState, Who
from scheduling.curing import StoredCure, cure_from_json, waits_words
from scheduling.gather import planned_for
from scheduling.models import Assignment, Crew, RoomState
from scheduling.models.work import untranslated
from scheduling.pages.cold import cold_rows
from scheduling.pages.room import act_url, rights_of, shown_state

#: How far ahead the days after today are shown.
AHEAD = timedelta(days=14)


@dataclass(frozen=True, slots=True)
class NextAct:
    """The one act to do next: what, where, by when, and where it is recorded."""

    says: Say
    room: str
    by: datetime
    url: str


@dataclass(frozen=True, slots=True)
class DayOfStops:
    """A day and the rooms the crew is in on it."""

    on: date
    stops: tuple[parts.StopRow, ...]


@dataclass(frozen=True, slots=True)
class TodayPage:
    """All that a crew's day shows."""

    crews: tuple[Crew, ...]
    zone: ZoneInfo
    answer: Say
    next_act: NextAct | None
    #: Deliveries that came cold and are still wrapped.
    cold: tuple[parts.LogRow, ...]
    further: tuple[parts.LogRow, ...]
    today: DayOfStops | None
    ahead: tuple[DayOfStops, ...]
    started: tuple[parts.StopRow, ...]
    #: Rooms whose adhesive still cures, or where something must still wait.
    curing: tuple[parts.LogRow, ...]


@dataclass(frozen=True, slots=True)
class _Visit:
    """One shift in one room."""

    start: datetime
    end: datetime
    number: int
    shifts: int
    state: RoomState
    zone: ZoneInfo


def today_page(person: Person, *, now: datetime) -> TodayPage:
    """Return the day of the crews this person is in; the states of the rooms must have been brought up to date."""
    crews = tuple(
        Crew.objects.filter(members__person=person, members__to_on__isnull=True, closed_at__isnull=True)
        .distinct()
        .order_by("name")
    )
    visits = _visits(crews)
    own = time_zone(person.time_zone)
    zone = visits[0].zone if len({visit.zone.key for visit in visits}) == 1 else own
    today = now.astimezone(zone).date()
    days: dict[date, list[_Visit]] = {}
    for visit in visits:
        days.setdefault(visit.start.astimezone(visit.zone).date(), []).append(visit)
    begun = {v.state.pk: v.state for v in visits if v.state.stage == RoomState.Stage.STARTED}
    here = DayOfStops(today, tuple(map(_stop, days.get(today, ())))) if today in days else None
    ahead = tuple(
        DayOfStops(on, tuple(map(_stop, days[on]))) for on in sorted(days) if today < on <= today + AHEAD
    )
    shown = {stop.url for stop in here.stops} if here else set()
    acts = _acts(visits, rights_of(person, may_record=True, may_record_site=True))
    return TodayPage(
        crews=crews,
        zone=zone,
        answer=_answer(crews, len(days.get(today, ())), ahead),
        next_act=acts[0] if acts else None,
        cold=cold_rows(person, now=now),
        further=tuple(
            parts.LogRow(at=act.by, fact=act.says, detail=act.room, url=act.url, key=f"then-{number}")
            for number, act in enumerate(acts[1:6])
        ),
        today=here,
        ahead=ahead,
        started=tuple(stop for state in begun.values() if (stop := _begun_stop(state)).url not in shown),
        curing=curing_lines(RoomState.objects.filter(crew__in=crews), now=now),
    )


def curing_lines(states: QuerySet[RoomState], *, now: datetime) -> tuple[parts.LogRow, ...]:
    """Return what must be known of begun and finished rooms while they cure, those in trouble first."""
    begun = states.exclude(stage=RoomState.Stage.WAITING).exclude(watch__cure=None)
    rows = begun.values_list("pk", "room__name", "room__job__name", "watch")
    found = []
    for pk, room, job, watch in rows:
        cure = cure_from_json(watch.get("cure"))
        if cure is None or cure.is_past(now=now):
            continue
        found.append((cure.upset_since is None, cure.until_at, pk, room, job, cure))
    found.sort(key=lambda one: one[:3])
    return tuple(_curing_line(pk, room, job, cure, now=now) for _, _, pk, room, job, cure in found)


def _curing_line(pk: int, room: str, job: str, cure: StoredCure, *, now: datetime) -> parts.LogRow:
    what = say("{room}, {job}: cures until {until}.", room=room, job=job, until=cure.until_at)
    if cure.upset_since is not None:
        what = say(
            "{room}, {job}: the air is out of the setting band since {since}; hold it until {until}.",
            room=room,
            job=job,
            since=cure.upset_since,
            until=cure.until_at,
        )
    elif cure.until_at <= now:
        what = say("{room}, {job}: cured.", room=room, job=job)
    return parts.LogRow(
        at=cure.upset_since or cure.until_at,
        fact=what,
        detail=waits_words(cure),
        risk=cure.upset_since is not None,
        url=reverse("scheduling:room", args=[pk]) + "#cure",
        key=f"cure-{pk}",
    )


def _visits(crews: Sequence[Crew]) -> list[_Visit]:
    """Return every shift in a room that is not finished, by its start."""
    rooms = list(Assignment.objects.standing().filter(crew__in=crews).values_list("room", flat=True))
    ours = {crew.pk for crew in crews}
    planned = {pk: one for pk, one in planned_for(rooms).items() if one.crew in ours}
    states = RoomState.objects.filter(room__in=planned).select_related("room__job__site")
    visits = [
        _Visit(
            start, end, number, len(planned[state.pk].shifts), state, time_zone(state.room.job.site.time_zone)
        )
        for state in states
        if state.stage != RoomState.Stage.FINISHED
        for number, (start, end) in enumerate(planned[state.pk].shifts, start=1)
    ]
    return sorted(visits, key=lambda visit: (visit.start, visit.state.pk))


def _answer(crews: Sequence[Crew], rooms: int, ahead: Sequence[DayOfStops]) -> Say:
    if not crews:
        return say("You are in no crew.")
    if rooms:
        return say_n("One room today.", "{n} rooms today.", n=rooms)
    if ahead:
        return say("No room today. The next is {room}, {day}.", room=ahead[0].stops[0].room, day=ahead[0].on)
    return say("No room is given to you yet.")


def _acts(visits: Sequence[_Visit], rights: Collection[Allowed]) -> list[NextAct]:
    """Return what the crew is to do for its rooms, by the last moment it helps."""
    found: dict[tuple[int, str], tuple[OpenAct, RoomState]] = {}
    for visit in visits:
        for act in answers.acts_of(visit.state.brief):
            if act.who is Who.CREW_LEAD:
                found[visit.state.pk, act.hold.value] = (act, visit.state)
    acts = sorted(found.values(), key=lambda pair: (pair[0].latest_at, pair[1].pk))
    return [
        NextAct(act.says, state.room.name, act.latest_at, _url(act, state, rights)) for act, state in acts
    ]


def _url(act: OpenAct, state: RoomState, rights: Collection[Allowed]) -> str:
    holds = answers.holds_of(state.answer)
    hold = next(hold for hold in holds if hold.kind is act.hold)
    placements = [answers.placement_of(one) for one in state.rests]
    found = act_url(hold.act.act if hold.act else None, state.room, placements, rights=rights)
    return found or reverse("scheduling:room", args=[state.pk])


def _stop(visit: _Visit) -> parts.StopRow:
    state = visit.state
    held = [hold for hold in answers.holds_of(state.answer) if hold.state is HoldState.HELD]
    site = state.room.job.site
    return parts.StopRow(
        at=visit.start,
        room=state.room.name,
        url=reverse("scheduling:room", args=[state.pk]),
        state=shown_state(state),
        words=_words(visit, held),
        place=say("{site}. {way}", site=site.name, way=site.way_in)
        if site.way_in
        else say("{site}", site=site.name),
        todo=_todo(held) if state.stage == RoomState.Stage.WAITING else None,
    )


def _begun_stop(state: RoomState) -> parts.StopRow:
    site = state.room.job.site
    assert state.planned_start is not None
    return parts.StopRow(
        at=state.planned_start,
        room=state.room.name,
        url=reverse("scheduling:room", args=[state.pk]),
        state=shown_state(state),
        place=say("{site}", site=site.name),
    )


def _words(visit: _Visit, held: Sequence[Hold]) -> Say:
    length = visit.end - visit.start
    if visit.state.stage == RoomState.Stage.WAITING and held and not visit.state.is_fit_to_send:
        holds = tuple(Say(untranslated(hold.kind.value)) for hold in held)
        return say("by {holds}", holds=holds)
    if visit.shifts > 1:
        return say(
            "· day {number} of {shifts}, {length}", number=visit.number, shifts=visit.shifts, length=length
        )
    return say("· {length}", length=length)


def _todo(held: Sequence[Hold]) -> Say | None:
    for hold in held:
        if hold.act is not None and hold.who is Who.CREW_LEAD:
            return say("Do: {act}", act=hold.act.says)
    return None
