"""Who may see a job, and who may record what of it: one table of access, and roles.

A manager sees and records everything.  A crew lead sees the jobs a crew of theirs is attached to or
planned for, records site facts there, and room facts in the rooms the crew is planned for.  Suppliers
see no job at all; what they see of orders is decided in `materials.access`, in the same shape.
"""

from __future__ import annotations

from datetime import datetime
from typing import TypeVar

from django.core.exceptions import PermissionDenied
from django.db.models import Model, Q, QuerySet
from django.http import Http404

from jobs.models import Access, Job, Person, Right, Room, Zone

AnyRow = TypeVar("AnyRow", bound=Model)


def access_of(person: Person, *, now: datetime) -> QuerySet[Access]:
    """Return the rows of access that `person` has at `now`."""
    in_force = Q(until_at__isnull=True) | Q(until_at__gt=now)
    return Access.objects.filter(in_force, person=person, from_at__lte=now)


def visible_jobs(person: Person, *, now: datetime) -> QuerySet[Job]:
    """Return the jobs `person` may know of."""
    if person.is_manager:
        return Job.objects.all()
    if person.is_crew_lead:
        return Job.objects.filter(pk__in=access_of(person, now=now).values("job"))
    return Job.objects.none()


def visible_rooms(person: Person, *, now: datetime) -> QuerySet[Room]:
    """Return the rooms `person` may know of: those of every job they may know of."""
    return Room.objects.filter(job__in=visible_jobs(person, now=now))


def may_record_site(person: Person, job: Job, *, now: datetime) -> bool:
    """Return whether `person` may record what is seen on the site of this job: air, arrivals, milestones."""
    return may_record_seen_sites(person) and visible_jobs(person, now=now).filter(pk=job.pk).exists()


def may_record_seen_sites(person: Person) -> bool:
    """Return the same for any job that `person` was found to see, without asking for it again."""
    return person.is_manager or person.is_crew_lead


def may_record_room(person: Person, room: Room, *, now: datetime) -> bool:
    """Return whether `person` may record what is done in this room: prep, inspection, start, finish."""
    if person.is_manager:
        return True
    return person.is_crew_lead and access_of(person, now=now).filter(room=room, right=Right.ROOM).exists()


def recordable_rooms(person: Person, *, now: datetime) -> QuerySet[Room]:
    """Return the rooms that `may_record_room` answers for with yes."""
    if person.is_manager:
        return Room.objects.all()
    if person.is_crew_lead:
        return Room.objects.filter(pk__in=access_of(person, now=now).filter(right=Right.ROOM).values("room"))
    return Room.objects.none()


def job_for(person: Person, pk: int, *, now: datetime) -> Job:
    """Return a job that `person` may see.

    Raises:
        Http404: there is none, or it is not theirs to see.
    """
    return _one(visible_jobs(person, now=now).select_related("site"), pk)


def room_for(person: Person, pk: int, *, now: datetime) -> Room:
    """Return a room that `person` may see, with its zone, job and site.

    Raises:
        Http404: there is none, or it is not theirs to see.
    """
    return _one(visible_rooms(person, now=now).select_related("zone", "job__site"), pk)


def zone_for(person: Person, pk: int, *, now: datetime) -> Zone:
    """Return a zone of a job that `person` may see.

    Raises:
        Http404: there is none, or it is not theirs to see.
    """
    zones = Zone.objects.filter(job__in=visible_jobs(person, now=now)).select_related("job__site")
    return _one(zones, pk)


def hide_unless(allowed: bool) -> None:
    """Answer as if a page did not exist to somebody whom it does not concern.

    Raises:
        Http404: `allowed` is false.
    """
    if not allowed:
        raise Http404


def require(allowed: bool) -> None:
    """Refuse somebody who may see but not change.

    Raises:
        PermissionDenied: `allowed` is false.
    """
    if not allowed:
        raise PermissionDenied


def _one(rows: QuerySet[AnyRow], pk: int) -> AnyRow:
    found = rows.filter(pk=pk).first()
    if found is None:
        raise Http404
    return found
