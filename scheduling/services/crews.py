"""Crews: attached to jobs, given days in rooms by hand, and what that lets their people record."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Q
from django.utils.translation import gettext as _

from jobs.core.worktime import Span, time_zone
from jobs.facts import AlreadyDone, Envelope, is_repeat, record
from jobs.models import Access, Job, Person, Right, Room
from scheduling.core.shifts import Busy, CannotBeGiven, CrewTime, DaysOff, SiteTime, shifts_from
from scheduling.gather import planned_for
from scheduling.models import Assignment, Crew, CrewMember, DayGiven, Finish, JobCrew
from scheduling.printing import plain


@transaction.atomic
def attach_crew(crew: Crew, job: Job, *, now: datetime) -> JobCrew:
    """Attach a crew to a job, so that its people may record what they see on the site."""
    attached, _made = JobCrew.objects.get_or_create(job=job, crew=crew, defaults={"attached_at": now})
    for person in people_of(crew):
        _grant(person, job, None, Right.SITE, now=now)
    return attached


@transaction.atomic
def add_to_crew(person: Person, crew: Crew, *, from_on: date, now: datetime) -> CrewMember:
    """Put a person into a crew, with the rights on jobs and rooms that the crew has."""
    member, _made = CrewMember.objects.get_or_create(
        crew=crew, person=person, to_on=None, defaults={"from_on": from_on}
    )
    for attached in JobCrew.objects.filter(crew=crew).select_related("job"):
        _grant(person, attached.job, None, Right.SITE, now=now)
    rooms = Assignment.objects.standing().filter(crew=crew).values("room")
    planned = planned_for(list(rooms.values_list("room", flat=True)))
    for room in Room.objects.filter(pk__in=[pk for pk, one in planned.items() if one.crew == crew.pk]):
        _grant(person, room.job, room, Right.ROOM, now=now)
    return member


def people_of(crew: Crew) -> list[Person]:
    """Return the people who are in a crew."""
    return list(
        Person.objects.filter(memberships__crew=crew, memberships__to_on__isnull=True, is_active=True)
    )


@transaction.atomic
def give_day(
    envelope: Envelope,
    *,
    room: Room,
    crew: Crew,
    first_on: date,
    from_time: time | None = None,
    hours: Decimal | None = None,
) -> DayGiven:
    """Give a room to a crew from a day on, in force at once; a held room may be given, and is shown as held.

    Another crew's assignment of the room is withdrawn; the same crew's keeps its identity and moves.

    Args:
        from_time: on the site's clock; None: the start of the shift.
        hours: crew-hours; None: those of the room.

    Raises:
        ValidationError: the crew is closed, off, has no shift or another room then; the site is closed; the
            room is finished; or the hours begin or end while the clocks change.
        AlreadyDone: another manager was quicker.
    """
    if is_repeat(DayGiven, envelope):
        return DayGiven.objects.get(pk=envelope.id)
    if crew.closed_at is not None:
        raise ValidationError({"crew": _("This crew is closed.")})
    _lock(room, envelope)
    if Finish.objects.standing().filter(room=room).exists():
        raise ValidationError(_("This room is finished."))
    # Locked so that two managers cannot give one crew two rooms at one time.
    Crew.objects.select_for_update(no_key=True).get(pk=crew.pk)
    shifts = _shifts(room, crew, first_on=first_on, from_time=from_time, hours=hours)
    assignment = _assignment(envelope, room=room, crew=crew)
    day = DayGiven(
        assignment=assignment, shifts=[[start.isoformat(), end.isoformat()] for start, end in shifts]
    )
    given = record(day, envelope)
    for person in people_of(crew):
        _grant(person, room.job, room, Right.ROOM, now=envelope.now)
        _grant(person, room.job, None, Right.SITE, now=envelope.now)
    return given


@transaction.atomic
def take_day_back(envelope: Envelope, *, room: Room) -> DayGiven:
    """Withdraw the assignment in force of a room; `envelope.reason` is shown to the crew.

    Raises:
        ValidationError: the room has none, or no reason is given.
        AlreadyDone: another manager was quicker.
    """
    if is_repeat(DayGiven, envelope):
        return DayGiven.objects.get(pk=envelope.id)
    _lock(room, envelope)
    planned = planned_for([room.pk]).get(room.pk)
    if planned is None:
        raise ValidationError(_("No day is given out for this room."))
    if not envelope.reason.strip():
        raise ValidationError({"reason": _("Say why; the crew reads it in its calendar.")})
    assignment = Assignment.objects.get(pk=planned.assignment)
    return _withdraw_assignment(envelope, assignment)


def _lock(room: Room, envelope: Envelope) -> None:
    """Let one person at a time give out days of a room, so that it never has two crews in force.

    Raises:
        AlreadyDone: a day was recorded that this one would come before, and so would not be in force.
    """
    Room.objects.select_for_update(no_key=True).get(pk=room.pk)
    later = Q(recorded_at__gt=envelope.now) | (Q(recorded_at=envelope.now) & ~Q(recorded_by=envelope.by))
    quicker = DayGiven.objects.filter(later, assignment__room=room).select_related("recorded_by").first()
    if quicker is not None:
        message = _("%(who)s was quicker and gave this room another day. Look at what stands now.")
        raise AlreadyDone(message, params={"who": quicker.recorded_by.name})


def _shifts(
    room: Room, crew: Crew, *, first_on: date, from_time: time | None, hours: Decimal | None
) -> tuple[Span, ...]:
    site = room.job.site
    zone = time_zone(site.time_zone)
    from_at = None
    if from_time is not None:
        from_at = datetime.combine(first_on, from_time, zone).astimezone(UTC)
    try:
        return shifts_from(
            first_on,
            hours=timedelta(seconds=float(hours or room.crew_hours) * 3600),
            crew=crew_time(crew, except_room=room),
            site=SiteTime(site.name, zone, site.week, _closures(room)),
            from_at=from_at,
        )
    except CannotBeGiven as error:
        raise ValidationError({"first_on": plain(error.why, zone=zone)}) from error


def crew_time(crew: Crew, *, except_room: Room | None = None) -> CrewTime:
    """Return when a crew works, is off, and is busy in rooms other than `except_room`."""
    off = tuple(DaysOff(one.from_on, one.to_on, one.reason) for one in crew.time_off.order_by("from_on"))
    rooms = Assignment.objects.standing().filter(crew=crew).exclude(room=except_room)
    finished = Finish.objects.standing().values("room")
    names = dict(rooms.exclude(room__in=finished).values_list("room", "room__name"))
    planned = planned_for(list(names))
    busy = tuple(Busy(names[pk], one.shifts) for pk, one in sorted(planned.items()) if one.crew == crew.pk)
    return CrewTime(crew.name, crew.week, time_zone(crew.home_zone), off, busy)


def _closures(room: Room) -> tuple[DaysOff, ...]:
    return tuple(
        DaysOff(one.from_on, one.to_on, one.reason) for one in room.job.site.closures.order_by("from_on")
    )


def _assignment(envelope: Envelope, *, room: Room, crew: Crew) -> Assignment:
    """Return the crew's assignment of the room, made if there is none; other crews' are withdrawn."""
    mine: Assignment | None = None
    days = DayGiven.objects.standing().filter(assignment__room=room).order_by("recorded_at", "pk")
    latest = {day.assignment_id: day for day in days.select_related("assignment__crew")}
    for day in latest.values():
        if day.assignment.crew_id == crew.pk:
            mine = day.assignment
        elif day.shifts:
            moved = Envelope(
                id=envelope.part_id(f"withdraw/{day.assignment_id}"),
                happened_at=envelope.happened_at,
                by=envelope.by,
                now=envelope.now,
                reason=_("given to %(crew)s") % {"crew": crew.name},
            )
            _withdraw_assignment(moved, day.assignment)
    if mine is not None:
        return mine
    made = Envelope(
        id=envelope.part_id("assignment"), happened_at=envelope.happened_at, by=envelope.by, now=envelope.now
    )
    return record(Assignment(room=room, crew=crew), made)


def _withdraw_assignment(envelope: Envelope, assignment: Assignment) -> DayGiven:
    given = record(DayGiven(assignment=assignment, shifts=[]), envelope)
    ended = Access.objects.filter(
        Q(until_at__isnull=True) | Q(until_at__gt=envelope.now),
        person__memberships__crew=assignment.crew_id,
        room=assignment.room_id,
        right=Right.ROOM,
    )
    Access.objects.filter(pk__in=ended.values("pk")).update(until_at=envelope.now)
    return given


def _grant(person: Person, job: Job, room: Room | None, right: Right, *, now: datetime) -> None:
    Access.objects.get_or_create(
        person=person, job=job, room=room, right=right, until_at=None, defaults={"from_at": now}
    )
