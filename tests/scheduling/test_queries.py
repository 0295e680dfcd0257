"""How many queries a page asks: as few as promised, and as many with twice the rows."""

from __future__ import annotations

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from config import clock
from jobs.models import Job
from materials.models import Order
from scheduling import states
from scheduling.benchmarks.firm import add_rooms, open_business
from scheduling.models import RoomState
from tests.conftest import NOW

pytestmark = pytest.mark.django_db

ROOMS = 30
READINGS = 240
#: The most queries, session and person included; None: only that they do not grow.
MOST = {
    "morning": 10,
    "job": 8,
    "room": 12,
    "today": None,
    "jobs": None,
    "stock": None,
    "orders": None,
    "order": None,
}


def paths():
    """Return a path of each page: of those with many the one with most to show."""
    job = Job.objects.order_by("pk").first()
    # The room that is furthest has most of everything.
    room = RoomState.objects.filter(room__job=job).order_by("-began_held", "-is_released", "pk").first()
    return {
        "morning": reverse("scheduling:morning"),
        "job": reverse("scheduling:job", args=[job.pk]) + "?rooms=all",
        "room": reverse("scheduling:room", args=[room.pk]),
        "today": reverse("scheduling:today"),
        "jobs": reverse("scheduling:jobs"),
        "stock": reverse("scheduling:stock", args=[job.pk]),
        "orders": reverse("scheduling:orders"),
        "order": reverse("scheduling:order", args=[Order.objects.filter(job=job).order_by("pk").first().pk]),
    }


def counted(client, *names):
    """Return how many queries each page asks, or those named, when the rooms are up to date."""
    found = {}
    for name, path in paths().items():
        if names and name not in names:
            continue
        assert client.get(path).status_code == 200, name  # what a process keeps is kept now
        with CaptureQueriesContext(
            connection,
        ) as asked:
            assert client.get(path).status_code == 200
        found[name] = len(asked)
    return found


def test_pages_ask_as_few_queries_as_promised_and_no_more_with_twice_the_rooms(monkeypatch):
    monkeypatch.setattr(clock, "read", lambda: NOW)
    business = open_business(now=NOW)
    person = business.manager
    type(person).objects.filter(pk=person.pk).update(is_crew_lead=True)
    for crew in business.crews:
        crew.members.create(person=person, from_on=NOW.date())
    client = Client()
    client.force_login(person)

    add_rooms(business, ROOMS, readings=READINGS)
    states.refresh_due(now=NOW)
    once = counted(client)
    add_rooms(business, ROOMS, readings=READINGS)
    states.refresh_due(now=NOW)
    twice = counted(client)

    assert {name: count for name, count in once.items() if MOST[name] and count > MOST[name]} == {}
    assert twice == once
    assert RoomState.objects.count() == 2 * ROOMS


def test_a_crew_leads_rights_cost_no_page_more_than_promised(monkeypatch):
    monkeypatch.setattr(clock, "read", lambda: NOW)
    business = open_business(now=NOW)
    client = Client()
    client.force_login(business.leads[0])

    add_rooms(business, ROOMS, readings=READINGS)
    states.refresh_due(now=NOW)
    once = counted(client, "job", "room")
    add_rooms(business, ROOMS, readings=READINGS)
    states.refresh_due(now=NOW)

    assert {name: count for name, count in once.items() if count > MOST[name]} == {}
    assert counted(client, "job", "room") == once


def test_the_rooms_of_a_firm_are_judged_in_as_many_queries_however_many_they_are():
    business = open_business(now=NOW)
    # Enough that rooms stand at every step, so that each kind of row is asked for.
    few = [room.pk for room in add_rooms(business, 20, readings=60)]
    with CaptureQueriesContext(connection) as asked:
        states.judge(few, now=NOW)
    count = len(asked)
    many = [room.pk for room in add_rooms(business, 20, readings=60)]

    with CaptureQueriesContext(connection) as asked:
        states.judge([*few, *many], now=NOW)
    assert len(asked) == count

    with CaptureQueriesContext(connection) as asked:
        states.refresh_due(now=NOW)
    first = len(asked)
    with CaptureQueriesContext(connection) as asked:
        states.refresh_due(now=NOW)
    assert (len(asked), first < 2 * count) == (1, True)  # nothing is due: one question
