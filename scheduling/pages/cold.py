"""Deliveries that came cold and are still wrapped, in the list of who opens them."""

from __future__ import annotations

from datetime import datetime

from django.db.models import Exists, OuterRef, QuerySet
from django.urls import reverse

from jobs.access import visible_jobs
from jobs.core.words import Say, say, say_n
from jobs.models import Person, Room
from materials.models import Opening, Placement, StackReading
from scheduling import answers, parts
from scheduling.answers import StoredRest
from scheduling.models import RoomState


def rooms_with_cold(person: Person, *, now: datetime) -> QuerySet[Room]:
    """Return the rooms this person sees for which measured sheets stand unopened."""
    measured = StackReading.objects.standing().filter(placement=OuterRef("origin"))
    opened = Opening.objects.standing().filter(placement=OuterRef("origin"))
    waiting = Placement.objects.standing().filter(Exists(measured), ~Exists(opened))
    jobs = visible_jobs(person, now=now)
    return Room.objects.filter(pk__in=waiting.filter(room__job__in=jobs).values("room"))


def cold_rows(person: Person, *, now: datetime) -> tuple[parts.LogRow, ...]:
    """Return what to open and not before when, by time; the states must have been brought up to date."""
    states = RoomState.objects.filter(room__in=rooms_with_cold(person, now=now))
    rows = [
        row
        for state in states.select_related("room__job").order_by("pk")
        for one in state.rests
        if (row := _row(answers.rest_from_json(one, now=now), state.room, now=now)) is not None
    ]
    return tuple(sorted(rows, key=lambda row: (str(row.at), row.key)))


def _row(one: StoredRest, room: Room, *, now: datetime) -> parts.LogRow | None:
    if not one.wrapped or not one.sheets or one.stack is None:
        return None
    return parts.LogRow(
        at=one.stack.open_from or now,
        fact=_says(one),
        detail=say("{room}, {job}", room=room.name, job=room.job.name),
        batch=one.batch,
        url=reverse("scheduling:act", args=["placements", one.placement, "open"]),
        key=f"cold-{one.placement}",
    )


def _says(one: StoredRest) -> Say:
    assert one.stack is not None
    if one.stack.is_too_damp:
        return say_n(
            "Dry the air before you open {n} sheet: leave the wrap on until then",
            "Dry the air before you open {n} sheets: leave the wrap on until then",
            n=one.sheets,
        )
    if one.stack.open_from is not None:
        return say_n(
            "Open {n} sheet not before about {at}: leave the wrap on until then",
            "Open {n} sheets not before about {at}: leave the wrap on until then",
            n=one.sheets,
            at=one.stack.open_from,
        )
    return say_n("Open and lay out {n} sheet", "Open and lay out {n} sheets", n=one.sheets)
