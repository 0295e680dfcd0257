"""One cheap meter that remembers proves a night and a week-end; hours worked by hand from the rest's contract."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from django.test import Client

from config import clock
from jobs.ids import uuid7
from jobs.models import Memory, Reading
from materials.models import Placement
from materials.services import deliveries, sheets
from scheduling import answers, states
from scheduling.models import RoomState
from tests import make

pytestmark = pytest.mark.django_db

HOUR = timedelta(hours=1)
#: Friday 12 June 2026, 15:00 in Paris.
FRIDAY = datetime(2026, 6, 12, 13, tzinfo=UTC)
MONDAY = FRIDAY + timedelta(days=2, hours=16)


@pytest.fixture
def boss():
    return make.manager(name="Ada Holm")


@pytest.fixture
def room(boss):
    """Return a room whose sheets were opened on Friday at 15:00 and need 48 h, readings at most 18 h apart."""
    room = make.room()
    product = make.sheet(rest_required_s=48 * 3600, rest_max_gap_s=18 * 3600)
    make.requirement(room, product, 10)
    envelope = make.envelope(boss, now=FRIDAY)
    lines = [deliveries.PlacedLine(product, "A1", 10, room)]
    arrival = deliveries.record_arrival(envelope, zone=room.zone, lines=lines)
    placement = Placement.objects.get(arrival=arrival)
    sheets.open_placement(make.envelope(boss, now=FRIDAY), placement=placement)
    return room


@pytest.fixture
def phone(boss, monkeypatch):
    return Phone(boss, monkeypatch)


class Phone:
    """Somebody who reads the meter of a zone at an instant."""

    def __init__(self, person, monkeypatch):
        self.client, self.monkeypatch = Client(), monkeypatch
        self.client.force_login(person)

    def at(self, now):
        self.monkeypatch.setattr(clock, "read", lambda: now)

    def form(self, zone, *, now):
        self.at(now)
        return self.client.get(f"/zones/{zone.pk}/meter/").context["form"]

    def read(self, zone, *, now, air=20.5, humidity=45, memory=None, since=None, act=None):
        self.at(now)
        typed = {"temperature": air, "humidity_pct": humidity, "unit": "c", "act": act or uuid7(now=now)}
        if memory is not None:
            typed |= dict(zip(("t_min", "t_max", "rh_min", "rh_max"), memory, strict=True))
            typed["from_at"] = f"{since + 2 * HOUR:%Y-%m-%dT%H:%M}"  # summer time in Paris
        return self.client.post(f"/zones/{zone.pk}/meter/", typed, follow=True)


def rest(room, *, now):
    states.refresh_due(now=now)
    (stored,) = RoomState.objects.get(room=room).rests
    return answers.rest_from_json(stored, now=now).rest


def test_a_week_end_is_proven_by_what_the_meter_remembers(phone, room):
    phone.read(room.zone, now=FRIDAY)
    offered = phone.form(room.zone, now=MONDAY)
    # Nobody read out a memory yet: the reading by hand on Friday is when the meter was set to zero.
    assert offered.initial["from_at"] == FRIDAY

    answer = phone.read(room.zone, now=MONDAY, memory=(18.5, 22, 40, 51), since=FRIDAY)

    assert "Recorded" in answer.content.decode()
    one = rest(room, now=MONDAY)
    # 64 hours from Friday 15:00 to Monday 07:00, of which 48 are asked: Sunday 15:00.
    assert (one.state, one.proven, one.proven_at) == ("proven", 64 * HOUR, FRIDAY + 48 * HOUR)
    assert (one.bridged, one.stated) == (timedelta(0), timedelta(0))


def test_without_its_memory_the_week_end_proves_nothing(phone, room):
    phone.read(room.zone, now=FRIDAY)
    phone.read(room.zone, now=MONDAY)

    assert rest(room, now=MONDAY).proven == timedelta(0)


def test_a_cold_night_that_the_meter_remembers_starts_the_clock_again(phone, room):
    phone.read(room.zone, now=FRIDAY)
    phone.read(room.zone, now=MONDAY, memory=(9, 22, 40, 51), since=FRIDAY)

    one = rest(room, now=MONDAY)

    # When it left the band nobody knows: all of the span is out of band, and zero comes after 4 h of it.  The
    # reading on Monday begins anew.
    assert (one.state, one.proven, one.zero_at) == ("resting", timedelta(0), FRIDAY + 4 * HOUR)


def test_a_reading_that_contradicts_the_memory_is_named_and_both_are_kept(phone, room):
    phone.read(room.zone, now=FRIDAY)
    phone.read(room.zone, now=FRIDAY + 20 * HOUR, air=12)

    page = phone.read(room.zone, now=MONDAY, memory=(18.5, 22, 40, 51), since=FRIDAY).content.decode()

    assert "The meter does not remember what was read" in page
    assert "Sat 13 Jun 11:00" in page
    assert (Reading.objects.count(), Memory.objects.count()) == (3, 1)
    assert rest(room, now=MONDAY).proven == timedelta(0)


def test_the_same_act_twice_is_one_and_with_another_memory_the_first_stands(phone, room):
    act = uuid7(now=MONDAY)
    phone.read(room.zone, now=MONDAY, memory=(18.5, 22, 40, 51), since=FRIDAY, act=act)
    phone.read(room.zone, now=MONDAY, memory=(18.5, 22, 40, 51), since=FRIDAY, act=act)
    again = phone.read(room.zone, now=MONDAY, act=act)

    assert (Reading.objects.count(), Memory.objects.count()) == (1, 1)
    assert again.status_code == 409
    assert "the first stands" in again.content.decode()
