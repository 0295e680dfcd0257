"""From a path to the thing an act is about: found only if the person may see it."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from django.http import Http404
from django.urls import reverse

from jobs.access import job_for, room_for, zone_for
from jobs.models import Fact, Job, Person
from materials.access import dispatch_for, order_for, placement_for
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
                return Where(subject, zone.job, job_url(zone.job), zone.name, zone=zone)
            case Subject.JOB:
                job = job_for(person, int(key), now=now)
                return Where(subject, job, job_url(job), job.name)
            case Subject.PLACEMENT:
                placement = placement_for(person, UUID(key), now=now)
                place = placement.zone
                url = job_url(place.job)
                if placement.room is not None:
                    url = reverse("scheduling:room", args=[placement.room.pk])
                return Where(
                    subject,
                    place.job,
                    url,
                    placement.batch,
                    room=placement.room,
                    zone=place,
                    placement=placement,
                )
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
    key = getattr(fact, column, None) or (fact.job_of().pk if subject is Subject.JOB else fact.origin)
    return where_of(subject, str(key), person, now=now)


def job_url(job: Job) -> str:
    """Return the path of a job's page."""
    return reverse("scheduling:job", args=[job.pk])


def order_url(order: int) -> str:
    """Return the path of an order's page."""
    return reverse("scheduling:order", args=[order])
