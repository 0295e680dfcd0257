"""From a path to the thing an act is about: found only if the person may see it."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from django.db.models import Q
from django.http import Http404
from django.urls import reverse

from jobs.access import job_for, room_for, visible_jobs, zone_for
from jobs.models import Fact, Job, Person
from materials.access import dispatch_for, order_for, placement_for
from materials.models import Placement
from scheduling.acts.base import Subject, Where


def where_of(subject: Subject, key: str, person: Person, *, now: datetime) -> Where:
    """Return the thing of a path.

    Raises:
        Http404: there is none, or it is not this person's to see.
    """
    try:
        match subject:
            case Subject.ROOM:
                room = room_for(person, int(key), now=now)
                url = reverse("scheduling:room", args=[room.pk])
                return Where(subject, room.job, url, room.name, room=room, zone=room.zone)
            case Subject.ZONE:
                zone = zone_for(person, int(key), now=now)
                url = reverse("scheduling:zone", args=[zone.pk])
                return Where(subject, zone.job, url, zone.name, zone=zone)
            case Subject.JOB:
                job = job_for(person, int(key), now=now)
                return Where(subject, job, job_url(job), job.name)
            case Subject.PLACEMENT:
                return _at_placement(placement_for(person, UUID(key), now=now))
            case Subject.ORDER:
                order = order_for(person, int(key), now=now)
                return Where(subject, order.job, order_url(order.pk), order.number, order=order)
            case Subject.DISPATCH:
                dispatch = dispatch_for(person, UUID(key), now=now)
                url = order_url(dispatch.order_id)
                return Where(
                    subject,
                    dispatch.order.job,
                    url,
                    dispatch.order.number,
                    order=dispatch.order,
                    dispatch=dispatch,
                )
    except ValueError as error:
        raise Http404 from error


def where_of_fact(fact: Fact, subject: Subject, person: Person, *, now: datetime) -> Where:
    """Return what a stored fact is about, as the act that records such facts sees it.

    Raises:
        Http404: it is not this person's to see.
    """
    column = {
        Subject.ROOM: "room_id",
        Subject.ZONE: "zone_id",
        Subject.JOB: "job_id",
        Subject.PLACEMENT: "placement_id",
        Subject.ORDER: "order_id",
        Subject.DISPATCH: "dispatch_id",
    }[subject]
    if subject is Subject.PLACEMENT:
        return _at_placement(_wording_of(getattr(fact, column, fact.origin), person, now=now))
    key = getattr(fact, column, None) or (fact.job_of().pk if subject is Subject.JOB else fact.origin)
    return where_of(subject, str(key), person, now=now)


def _at_placement(placement: Placement) -> Where:
    zone, room = placement.zone, placement.room
    url = job_url(zone.job) if room is None else reverse("scheduling:room", args=[room.pk])
    return Where(Subject.PLACEMENT, zone.job, url, placement.batch, room=room, zone=zone, placement=placement)


def _wording_of(origin: UUID, person: Person, *, now: datetime) -> Placement:
    """Return the last wording of a placement, also of one that was taken back: its facts are still seen.

    Raises:
        Http404: there is none, or it is not this person's to see.
    """
    last = Q(superseded_by__isnull=True) | Q(superseded_by__withdraws=True)
    wordings = Placement.objects.filter(last, origin=origin, withdraws=False)
    seen = wordings.filter(zone__job__in=visible_jobs(person, now=now))
    found: Placement | None = seen.select_related("zone__job__site", "product", "room").first()
    if found is None:
        raise Http404
    return found


def job_url(job: Job) -> str:
    """Return the path of a job's page."""
    return reverse("scheduling:job", args=[job.pk])


def order_url(order: int) -> str:
    """Return the path of an order's page."""
    return reverse("scheduling:order", args=[order])
