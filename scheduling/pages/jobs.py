"""The list of jobs, a job's page with its rooms nearest to setting first, and what stands on its site."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from django.db.models import Count, Exists, OuterRef, Q, QuerySet, Value
from django.db.models.functions import Coalesce

from jobs.access import recordable_rooms
from jobs.core.words import Say, say, say_n
from jobs.core.worktime import print_week, time_zone
from jobs.models import Job, Person
from materials import queries as stock_queries
from materials.core.stock import SetDown
from materials.models import Dispatch, DispatchLine, Placement
from scheduling import answers, parts
from scheduling.models import JobCrew, RoomState, SheetsSet
from scheduling.pages.room import act_url, rights_of, shown_state

ROOMS_AT_ONCE = 100


@dataclass(frozen=True, slots=True)
class JobLine:
    """A job in the list: how many of its rooms are where."""

    job: Job
    rooms: int
    fit: int
    started: int
    finished: int
    held: int


@dataclass(frozen=True, slots=True)
class JobsPage:
    """All that the list of jobs shows."""

    answer: Say
    lines: tuple[JobLine, ...]


@dataclass(frozen=True, slots=True)
class RoomLine:
    """A room of a job: its state, its holds on one line, its day, the next act."""

    pk: int
    name: str
    shown: str
    rodlet: parts.Rodlet
    planned_start: datetime | None
    crew: str
    next_act: Say | None
    next_url: str | None
    next_by: datetime | None


@dataclass(frozen=True, slots=True)
class _Row:
    """A room with its state in brief, as it is read."""

    pk: int
    name: str
    job_id: int
    zone_id: int
    zone: str
    stage: str
    began_held: bool
    is_released: bool
    is_fit_to_send: bool
    planned_start: datetime | None
    crew: str
    may_record: bool
    brief: dict[str, Any]


@dataclass(frozen=True, slots=True)
class ComingLine:
    """A dispatch that has not arrived: when, what, from whom."""

    origin: UUID
    expected_at: datetime | None
    sheets: Say
    batches: tuple[str, ...]
    supplier: str
    order: str
    is_late: bool


@dataclass(frozen=True, slots=True)
class JobPage:
    """All that a job's page shows."""

    job: Job
    zone: ZoneInfo
    answer: Say
    rooms: tuple[RoomLine, ...]
    finished: tuple[RoomLine, ...]
    left_out: int
    coming: tuple[ComingLine, ...]
    #: Key and name of the zones that its rooms are in.
    zones: tuple[tuple[int, str], ...]
    crews: tuple[str, ...]
    let_in: str


@dataclass(frozen=True, slots=True)
class StockLine:
    """A placement on the site, and what is left of it."""

    key: str
    product: str
    batch: str
    zone: str
    room: str
    sheets: int
    inspected: int
    rejected: int
    in_at: datetime
    opened_at: datetime | None
    #: Sheets that were set or moved on beyond what there was: its counts disagree.
    missing: int
    #: Whether the reader may count and inspect them: that is done in a room, the rest anywhere on the site.
    may_inspect: bool


def jobs_page(jobs: QuerySet[Job]) -> JobsPage:
    """Return the jobs with their rooms counted, open ones first."""
    lines = _job_lines(jobs)
    fit, begun, held = (sum(getattr(line, name) for line in lines) for name in ("fit", "started", "held"))
    if not lines:
        answer = say("No job is yours to see.")
    elif fit + begun + held:
        answer = _counted(fit, begun, held)
    else:
        answer = say("No room is open.")
    return JobsPage(answer, lines)


def _job_lines(jobs: QuerySet[Job]) -> tuple[JobLine, ...]:
    waiting = Q(rooms__state__stage=RoomState.Stage.WAITING)
    counted = jobs.select_related("site").annotate(
        room_count=Count("rooms"),
        fit_count=Count("rooms", filter=waiting & Q(rooms__state__is_fit_to_send=True)),
        started_count=Count("rooms", filter=Q(rooms__state__stage=RoomState.Stage.STARTED)),
        finished_count=Count("rooms", filter=Q(rooms__state__stage=RoomState.Stage.FINISHED)),
    )
    return tuple(
        JobLine(
            job,
            job.room_count,
            job.fit_count,
            job.started_count,
            job.finished_count,
            job.room_count - job.fit_count - job.started_count - job.finished_count,
        )
        for job in counted.order_by("closed_at", "number")
    )


def job_page(job: Job, person: Person, *, everything: bool = False, now: datetime) -> JobPage:
    """Return what the page of a job shows; the states of its rooms must have been brought up to date."""
    rows = _rows(job, person, now=now)
    lines = [_room_line(row, person) for row in rows]
    finished = [line for line in lines if line.shown == "finished"]
    open_rooms = sorted((line for line in lines if line.shown != "finished"), key=_nearest_first)
    shown = open_rooms if everything else open_rooms[:ROOMS_AT_ONCE]
    return JobPage(
        job=job,
        zone=time_zone(job.site.time_zone),
        answer=_answer(open_rooms, len(finished)),
        rooms=tuple(shown),
        finished=tuple(sorted(finished, key=lambda line: by_name(line.name))),
        left_out=len(open_rooms) - len(shown),
        coming=_coming(job, now=now),
        zones=tuple(sorted({(row.zone_id, row.zone) for row in rows}, key=lambda zone: by_name(zone[1]))),
        crews=tuple(
            JobCrew.objects.filter(job=job).order_by("crew__name").values_list("crew__name", flat=True)
        ),
        let_in=print_week(job.site.week),
    )


def stock_lines(job: Job, person: Person, *, now: datetime) -> tuple[StockLine, ...]:
    """Return every placement of a job that still has sheets, those for no room first, as `person` may act on it."""
    own = set(recordable_rooms(person, now=now).filter(job=job).values_list("pk", flat=True))
    rows = Placement.objects.standing().filter(zone__job=job).select_related("zone", "room", "product")
    by_key = {str(row.origin): row for row in rows}
    taken = SheetsSet.objects.standing().filter(placement__in=[row.origin for row in by_key.values()])
    set_down = [SetDown(str(place), sheets) for place, sheets in taken.values_list("placement", "sheets")]
    lines = []
    for key, standing in stock_queries.stock_among(by_key.values(), set_down).items():
        row = by_key[key]
        if standing.sheets or standing.missing:
            lines.append(
                StockLine(
                    key=key,
                    product=row.product.name,
                    batch=row.batch,
                    zone=row.zone.name,
                    room=row.room.name if row.room else "",
                    sheets=standing.sheets,
                    inspected=standing.inspected,
                    rejected=standing.rejected,
                    in_at=standing.in_at,
                    opened_at=standing.opened_at,
                    missing=standing.missing,
                    may_inspect=row.room_id is None or row.room_id in own,
                )
            )
    return tuple(sorted(lines, key=lambda line: (line.room, line.in_at, line.batch)))


def _rows(job: Job, person: Person, *, now: datetime) -> list[_Row]:
    rows = RoomState.objects.filter(room__job=job).values_list(
        "pk",
        "room__name",
        "room__job",
        "room__zone",
        "room__zone__name",
        "stage",
        "began_held",
        "is_released",
        "is_fit_to_send",
        "planned_start",
        Coalesce("crew__name", Value("")),
        Exists(recordable_rooms(person, now=now).filter(pk=OuterRef("pk"))),
        "brief",
    )
    return [_Row(*row) for row in rows]


def _room_line(row: _Row, person: Person) -> RoomLine:
    first = answers.first_of(row.brief)
    rights = rights_of(person, may_record=row.may_record, may_record_site=True)
    return RoomLine(
        pk=row.pk,
        name=row.name,
        shown=shown_state(row),
        rodlet=parts.rodlet(answers.states_of(row.brief)),
        planned_start=row.planned_start,
        crew=row.crew,
        next_act=first.says if first else None,
        next_url=act_url(first.act, row, rights=rights) if first else None,
        next_by=first.by if first else None,
    )


def _nearest_first(line: RoomLine) -> tuple[int, float, list[tuple[int, str]]]:
    """Return what sorts rooms by how near they are to being set: state, then day, then name."""
    order = ("started", "begun_while_held", "released", "fit_to_send", "held")
    stands = len(line.rodlet.standing) if line.shown == "held" else 0
    day = line.planned_start.timestamp() if line.planned_start else float("inf")
    return order.index(line.shown) * 10 + stands, day, by_name(line.name)


def by_name(name: str) -> list[tuple[int, str]]:
    """Return what sorts names as people count: room 2 before room 10."""
    return [
        (int(part), "") if part.isdecimal() else (0, part.casefold()) for part in re.split(r"(\d+)", name)
    ]


def _answer(rooms: Sequence[RoomLine], finished: int) -> Say:
    fit = sum(line.shown in ("fit_to_send", "released") for line in rooms)
    begun = sum(line.shown in ("started", "begun_while_held") for line in rooms)
    held = len(rooms) - fit - begun
    if not rooms and finished:
        return say_n("The one room is finished.", "All {n} rooms are finished.", n=finished)
    if not rooms:
        return say("This job has no rooms yet.")
    return _counted(fit, begun, held)


def _counted(fit: int, begun: int, held: int) -> Say:
    """Return one sentence that counts the open rooms; there is at least one."""
    first = {
        "fit": say_n("One room is fit to send", "{n} rooms are fit to send", n=fit),
        "begun": say_n("One room is started", "{n} rooms are started", n=begun),
        "held": say_n("One room is held", "{n} rooms are held", n=held),
    }
    then = {
        "begun": say_n("one is started", "{n} are started", n=begun),
        "held": say_n("one is held", "{n} are held", n=held),
    }
    found = [kind for kind, n in (("fit", fit), ("begun", begun), ("held", held)) if n]
    counts = (first[found[0]], *(then[kind] for kind in found[1:]))
    return say("{counts}.", counts=counts)


def _coming(job: Job, *, now: datetime) -> tuple[ComingLine, ...]:
    """Return what was sent off and has not arrived, by when it is expected."""
    lines = DispatchLine.objects.filter(
        dispatch__in=stock_queries.open_dispatches(Dispatch.objects.filter(order__job=job))
    ).select_related("dispatch__order__supplier")
    by_dispatch: dict[Dispatch, list[DispatchLine]] = {}
    for line in lines.order_by("dispatch__happened_at", "batch", "pk"):
        by_dispatch.setdefault(line.dispatch, []).append(line)
    expected = stock_queries.expected_arrivals(by_dispatch)
    found = [
        ComingLine(
            origin=dispatch.origin,
            expected_at=expected[dispatch.origin],
            sheets=say_n("{n} sheet", "{n} sheets", n=sum(line.sheets for line in all_of)),
            batches=tuple(dict.fromkeys(line.batch for line in all_of)),
            supplier=dispatch.order.supplier.name,
            order=dispatch.order.number,
            is_late=(at := expected[dispatch.origin]) is not None and at < now,
        )
        for dispatch, all_of in by_dispatch.items()
    ]
    return tuple(
        sorted(found, key=lambda one: (one.expected_at is None, one.expected_at or now, str(one.origin)))
    )
