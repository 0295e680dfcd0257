"""The manager's morning: what must be done by whom and by when to keep the days, and what changed overnight."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from functools import cached_property
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import Q, QuerySet, Value
from django.db.models.functions import Coalesce
from django.urls import reverse

from jobs import outbox
from jobs.core.forecast import Forecast
from jobs.core.words import Say, say, say_n
from jobs.core.worktime import Calendar, instant_at, time_zone
from jobs.models import Entry, Job, Outbox, Person
from jobs.says import from_json
from materials.core.cure import CureState
from scheduling import answers, parts
from scheduling.acts.base import Allowed
from scheduling.answers import ListedAct
from scheduling.core.holds import Hold, HoldState, Who
from scheduling.curing import cure_from_json
from scheduling.models import RoomState
from scheduling.pages.room import CORRECTS_A_READING, PLAIN_READING, act_url, is_correction
from scheduling.silence import silence_note, silences_of, together

#: The morning is the manager's, and every act is open to a manager.
EVERY_RIGHT = frozenset(Allowed)
#: Less time than this to do an act is a risk, and is shown as one.
RISK = timedelta(hours=2)
#: What happened since then is news; people leave the office before.
EVENING = time(18)
ROWS_A_GROUP = 12
NEWS = 12
SLIPS = 8
SILENT = 6

GROUPS: tuple[tuple[Who, Say], ...] = (
    (Who.CREW_LEAD, say("Crew leads")),
    (Who.SUPPLIER, say("Suppliers")),
    (Who.MANAGER, say("You")),
    (Who.OTHERS, say("Others on site")),
)


@dataclass(frozen=True, slots=True)
class MorningPage:
    """All that the morning shows."""

    answer: Say
    trouble: Say | None
    acts: parts.ActTable | None
    none_due: Say
    slips: tuple[parts.SlipRow, ...]
    slips_left_out: int
    news: tuple[parts.LogRow, ...]
    news_left_out: int
    since: datetime
    parked: tuple[Outbox, ...]
    has_jobs: bool
    #: Loggers that fell silent where something hangs on it, the most urgent first.
    silent: tuple[parts.Note, ...]
    silent_left_out: int
    #: Rooms whose air is out of the setting band while their adhesive cures.
    upset: tuple[parts.Note, ...]


@dataclass(frozen=True)
class _Room:
    """A planned room that is not begun, with what its state says in brief."""

    pk: int
    name: str
    zone_id: int
    job_id: int
    job: str
    crew: str
    planned_start: datetime
    is_fit_to_send: bool
    site: int
    site_week: dict[str, Any]
    site_zone: str
    brief: dict[str, Any]

    @cached_property
    def acts(self) -> tuple[ListedAct, ...]:
        """The acts that keep its day, by their last moment."""
        return answers.listed_acts_of(self.brief)

    @cached_property
    def earliest_start(self) -> Forecast | None:
        """When it can be started; None: not known."""
        return answers.earliest_start_of(self.brief)


def morning_page(person: Person, jobs: QuerySet[Job], *, now: datetime) -> MorningPage:
    """Return the morning of a manager; the states of the rooms must have been brought up to date."""
    zone = time_zone(person.time_zone)
    rooms = _planned(jobs)
    sites = {room.site: room for room in rooms}
    back = {
        site: back_on_site(room.site_week, time_zone(room.site_zone), now=now) for site, room in sites.items()
    }
    due = [(room, act) for room in rooms for act in room.acts if act.latest_at < back[room.site]]
    later = [act for room in rooms for act in room.acts if act.latest_at >= back[room.site]]
    slips = _slips(rooms, now=now)
    since = _yesterday_evening(zone, now=now)
    news, news_left_out = _news(jobs, since)
    keeps = {room.pk for room, _act in due} - {slip.pk for slip in slips}
    answer, trouble = _answer(len(due), len(keeps), len(slips), planned=len(rooms))
    watched = _watched(jobs)
    silent = together(one for row in watched for one in silences_of(row.watch))
    return MorningPage(
        answer=answer,
        trouble=trouble,
        acts=parts.act_table(_groups(due), limit=RISK, zone=zone, now=now) if due else None,
        none_due=_none_due(later),
        slips=_slip_rows(slips[:SLIPS], now=now),
        slips_left_out=max(0, len(slips) - SLIPS),
        news=news,
        news_left_out=news_left_out,
        since=since,
        parked=tuple(outbox.parked()[:5]),
        has_jobs=bool(rooms) or jobs.exists(),
        silent=tuple(silence_note(one) for one in silent[:SILENT]),
        silent_left_out=max(0, len(silent) - SILENT),
        upset=tuple(note for row in watched if (note := _upset_note(row)) is not None)[:SILENT],
    )


@dataclass(frozen=True, slots=True)
class _Watched:
    """A room with what is watched besides its holds."""

    pk: int
    name: str
    job: str
    watch: dict[str, Any]


def _watched(jobs: QuerySet[Job]) -> list[_Watched]:
    """Return the rooms of open jobs around which a logger fell silent, or whose adhesive cures."""
    something = Q(watch__silent__0__isnull=False) | Q(watch__cure__state=CureState.CURING.value)
    rooms = RoomState.objects.filter(something, room__job__in=jobs, room__job__closed_at__isnull=True)
    return [
        _Watched(*row)
        for row in rooms.order_by("pk").values_list("pk", "room__name", "room__job__name", "watch")
    ]


def _upset_note(row: _Watched) -> parts.Note | None:
    cure = cure_from_json(row.watch.get("cure"))
    if cure is None or cure.upset_since is None:
        return None
    return parts.Note(
        say("The air of {room} is out of the setting band while its adhesive cures", room=row.name),
        say(
            "{job}, since {since}. Hold it in the band until {until}, or what was set may let go.",
            job=row.job,
            since=cure.upset_since,
            until=cure.until_at,
        ),
        kind="clash",
        mark="clash",
        url=reverse("scheduling:room", args=[row.pk]) + "#cure",
        act=say("Look at the room"),
    )


def back_on_site(week: Mapping[str, Any], zone: ZoneInfo, *, now: datetime) -> datetime:
    """Return when a site lets people in again after today: what must happen before that has to be done today.

    Where it never does, the end of today.  Days on which it is closed are not asked for: they only make it later.
    """
    calendar, today = Calendar.of_week(zone, week), now.astimezone(zone).date()
    for ahead in range(1, 8):
        spans = calendar.on(today + timedelta(days=ahead))
        if spans:
            return spans[0][0]
    return instant_at(today, 24 * 60, zone)


def _planned(jobs: QuerySet[Job]) -> list[_Room]:
    """Return the planned rooms that wait for their start, by it."""
    states = RoomState.objects.filter(
        room__job__in=jobs,
        room__job__closed_at__isnull=True,
        stage=RoomState.Stage.WAITING,
        planned_start__isnull=False,
    )
    rows = states.order_by("planned_start", "pk").values_list(
        "pk",
        "room__name",
        "room__zone",
        "room__job",
        "room__job__name",
        Coalesce("crew__name", Value("")),
        "planned_start",
        "is_fit_to_send",
        "room__job__site",
        "room__job__site__week",
        "room__job__site__time_zone",
        "brief",
    )
    return [_Room(*row) for row in rows]


def _answer(due: int, keeps: int, moves: int, *, planned: int) -> tuple[Say, Say | None]:
    """Return the sentence at the head: what to do, what it keeps, and what moves all the same."""
    trouble = None
    if moves:
        trouble = say_n("One start date will move.", "{n} start dates will move.", n=moves)
    if not planned:
        return say("No room waits for its day."), None
    if not due:
        return say("No act is due today."), trouble
    things = say_n("one thing", "{n} things", n=due)
    days = say_n("one start date holds", "{n} start dates hold", n=keeps)
    if not keeps:
        return say("Do {things} today.", things=things), trouble
    return say("Do {things} today and {days}.", things=things, days=days), trouble


def _none_due(later: Sequence[ListedAct]) -> Say:
    first = min(later, key=lambda act: act.latest_at, default=None)
    if first is None:
        return say("Nothing is open for a day that is given out.")
    return say("The next is: {act}, by {by}.", act=first.says, by=first.latest_at)


def _groups(due: Sequence[tuple[_Room, ListedAct]]) -> list[parts.ActGroup]:
    by_who: dict[Who, list[tuple[_Room, ListedAct]]] = defaultdict(list)
    for room, act in due:
        by_who[act.who].append((room, act))
    groups = []
    for who, name in GROUPS:
        mine = sorted(by_who[who], key=lambda pair: pair[1].latest_at)
        rows = tuple(_row(room, act) for room, act in mine[:ROWS_A_GROUP])
        left_out = len(mine) - len(rows)
        groups.append(parts.ActGroup(name, rows, left_out, reverse("scheduling:jobs") if left_out else None))
    return groups


def _row(room: _Room, act: ListedAct) -> parts.ActRow:
    return parts.ActRow(
        by=act.latest_at,
        act=act.says,
        url=act_url(act.next_act, room, rights=EVERY_RIGHT) or reverse("scheduling:room", args=[room.pk]),
        detail=say("{room}, {job}", room=room.name, job=room.job),
        keeps_at=act.keeps,
        note=room.crew,
        key=f"{room.pk}-{act.hold.value}",
    )


def _slips(rooms: Sequence[_Room], *, now: datetime) -> list[_Room]:
    """Return the rooms whose day moves as things stand: the forecast lies past it, or an act is too late for it."""
    found = []
    for room in rooms:
        if room.is_fit_to_send:
            continue
        at = room.earliest_start.instant(now=now) if room.earliest_start else None
        is_past = room.planned_start < now or any(act.latest_at < now for act in room.acts)
        if is_past or (at is not None and at > room.planned_start):
            found.append(room)
    return found


def _slip_rows(slips: Sequence[_Room], *, now: datetime) -> tuple[parts.SlipRow, ...]:
    stored = RoomState.objects.filter(pk__in=[room.pk for room in slips]).values_list("pk", "answer")
    holds = {pk: answers.holds_of(answer) for pk, answer in stored}
    return tuple(_slip(room, holds[room.pk], now=now) for room in slips)


def _slip(room: _Room, holds: Sequence[Hold], *, now: datetime) -> parts.SlipRow:
    at = room.earliest_start.instant(now=now) if room.earliest_start else None
    held = [hold for hold in holds if hold.state is HoldState.HELD]
    dated = [(hold.forecast.instant(now=now), hold) for hold in held if hold.forecast is not None]
    last = max(dated, key=lambda pair: pair[0], default=(now, None))[1]
    unknown = [hold for hold in held if hold.forecast is None]
    because = (unknown[0] if unknown else last or held[0]).says if held else say("The day has passed.")
    moved = say("not known")
    if at is not None and at > room.planned_start:
        moved = say("{length}", length=at - room.planned_start)
    return parts.SlipRow(
        room=room.name,
        url=reverse("scheduling:room", args=[room.pk]),
        where=say("{job} · {crew}", job=room.job, crew=room.crew),
        promised_at=room.planned_start,
        forecast_at=at,
        moved=moved,
        because=because,
    )


def _yesterday_evening(zone: ZoneInfo, *, now: datetime) -> datetime:
    day = now.astimezone(zone).date() - timedelta(days=1)
    return instant_at(day, EVENING.hour * 60, zone)


def _news(jobs: QuerySet[Job], since: datetime) -> tuple[tuple[parts.LogRow, ...], int]:
    """Return the facts recorded since yesterday evening, latest first, and how many were left out."""
    # Readings come by the hundred; what they change is told by the holds.
    entries = Entry.objects.filter(job__in=jobs, recorded_at__gte=since).exclude(PLAIN_READING)
    rows = list(
        entries.select_related("job", "recorded_by")
        .annotate(corrects_reading=CORRECTS_A_READING)
        .order_by("-recorded_at", "-pk")[:NEWS]
    )
    left_out = entries.count() - NEWS if len(rows) == NEWS else 0
    return tuple(_news_row(entry) for entry in rows), max(0, left_out)


def _news_row(entry: Entry) -> parts.LogRow:
    fact: Say = from_json(entry.says)
    if entry.withdraws:
        fact = say("Taken back: {fact}", fact=fact)
    elif is_correction(entry):
        fact = say("Corrected to: {fact}", fact=fact)
    job_url = reverse("scheduling:job", args=[entry.job_id])
    return parts.LogRow(
        at=entry.recorded_at,
        fact=fact,
        detail=entry.said_by or entry.recorded_by.name,
        acts=(parts.LogLink(entry.job.name, job_url),),
        key=f"news-{entry.pk}",
    )
