"""One cheap meter that remembers proves a night and a week-end; hours worked by hand from the rest's contract."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from django.test import Client

from config import clock
from jobs.ids import uuid7
from jobs.models import Access, Memory, Reading, Right
from materials.models import Placement
from materials.services import deliveries, sheets
from scheduling import answers, states
from scheduling.models import JobCrew, RoomState
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


@pytest.fixture
def lead(room):
    """Return a crew lead whose crew is on the job and who may record what the site's air is."""
    lead = make.crew_lead(name="Noor Vale")
    JobCrew.objects.create(job=room.job, crew=make.crew(lead), attached_at=FRIDAY - 48 * HOUR)
    Access.objects.create(person=lead, job=room.job, right=Right.SITE, from_at=FRIDAY - 48 * HOUR)
    return lead


def test_a_crew_leads_phone_proves_a_night_and_then_the_week_end(lead, room, monkeypatch):
    phone = Phone(lead, monkeypatch)
    thursday = FRIDAY - 23 * HOUR  # 16:00 in Paris
    phone.read(room.zone, now=thursday)
    phone.read(room.zone, now=FRIDAY - 8 * HOUR, memory=(18.4, 21.5, 41, 50), since=thursday)
    # The night is offered from where the meter was last read out; the sheets came in the afternoon.
    assert phone.form(room.zone, now=FRIDAY).initial["from_at"] == FRIDAY - 8 * HOUR
    phone.read(room.zone, now=FRIDAY, memory=(19, 22, 42, 50), since=FRIDAY - 8 * HOUR)
    assert phone.form(room.zone, now=MONDAY).initial["from_at"] == FRIDAY
    phone.read(room.zone, now=MONDAY, memory=(18.5, 22, 40, 51), since=FRIDAY)

    one = rest(room, now=MONDAY)
    page = phone.client.get(f"/rooms/{room.pk}/").content.decode().replace("\N{NO-BREAK SPACE}", " ")

    assert (one.state, one.proven) == ("proven", 64 * HOUR)
    # What the meter remembers is drawn, named in the key and said in the table; nothing of it is bridged.
    assert 'class="memory"' in page
    assert "and what a meter remembers" in page
    assert "readings far apart" not in page
    assert "64 h" in page


def test_a_night_is_proven_by_the_meter_alone(lead, boss, room, monkeypatch):
    product = make.sheet(rest_required_s=16 * 3600, rest_max_gap_s=4 * 3600)
    make.requirement(room, product, 5)
    lines = [deliveries.PlacedLine(product, "N1", 5, room)]
    arrival = deliveries.record_arrival(make.envelope(boss, now=FRIDAY), zone=room.zone, lines=lines)
    placement = Placement.objects.get(arrival=arrival)
    sheets.open_placement(make.envelope(boss, now=FRIDAY), placement=placement)
    phone, morning = Phone(lead, monkeypatch), FRIDAY + 16 * HOUR
    phone.read(room.zone, now=FRIDAY)
    phone.read(room.zone, now=morning, memory=(18.2, 22, 40, 50), since=FRIDAY)

    states.refresh_due(now=morning)
    rests = [
        answers.rest_from_json(one, now=morning).rest
        for one in RoomState.objects.get(room=room).rests
        if one["batch"] == "N1"
    ]

    # 16 hours between two readings that a rule of 4 h does not bridge.
    assert [(one.state, one.proven, one.bridged) for one in rests] == [("proven", 16 * HOUR, timedelta(0))]


@pytest.mark.parametrize(
    ("air", "memory", "asked"),
    [
        (20.5, (22, 18.5, 40, 51), "t_m"),
        (20.5, (18.5, 22, 51, 40), "rh_m"),
        (25, (18.5, 22, 40, 51), "temperature"),
    ],
    ids=["lowest-above-highest", "driest-above-dampest", "now-outside-what-it-remembers"],
)
def test_a_slip_is_asked_about_and_nothing_typed_is_lost(phone, room, air, memory, asked):
    answer = phone.read(room.zone, now=MONDAY, air=air, memory=memory, since=FRIDAY)

    form = answer.context["form"]
    assert [name for name in form.errors if name.startswith(asked)]
    assert (Reading.objects.count(), Memory.objects.count()) == (0, 0)
    typed = {name: form[name].value() for name in ("temperature", "t_min", "t_max", "rh_min", "rh_max")}
    assert typed == dict(zip(typed, map(str, (air, *memory)), strict=True))
