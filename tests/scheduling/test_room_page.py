"""What a room's page says of the rest of its placements."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.test import Client

from jobs.core.logger_values import Reading as ReadOut
from jobs.models import Reading
from jobs.services import seen
from jobs.services.kept import keep_file
from jobs.services.readings import Source, store_readings
from materials.services import deliveries
from scheduling import parts, states
from scheduling.pages.room import room_page
from scheduling.printing import plain
from tests import make
from tests.conftest import NOW

HOUR = timedelta(hours=1)
LATER = NOW + timedelta(minutes=2)
ZONE = "Europe/Paris"


@pytest.mark.django_db
def test_a_placement_that_is_asked_no_rest_has_no_clock():
    boss, room = make.manager(), make.room()
    sheet = make.sheet(rest_required_s=0)
    make.requirement(room, sheet, 4)
    came = [deliveries.PlacedLine(sheet, "A1", 4, room)]
    deliveries.record_arrival(make.envelope(boss, ago=HOUR), zone=room.zone, lines=came)
    states.refresh_due(now=NOW)

    (placement,) = room_page(room, boss, may_record=True, may_record_site=True, now=NOW).placements

    assert (placement.clock, placement.strip, placement.rule) == (None, None, None)
    assert plain(placement.state, zone=ZONE) == "No rest is asked of this product."


@pytest.mark.parametrize(
    ("proven", "provisional", "said"),
    [
        pytest.param(3 * HOUR, timedelta(seconds=59), timedelta(0), id="under-a-minute"),
        pytest.param(3 * HOUR, timedelta(minutes=1), timedelta(minutes=1), id="a-minute"),
        pytest.param(24 * HOUR, 2 * HOUR, timedelta(0), id="full"),
    ],
)
def test_provisional_time_is_said_where_it_matters(proven, provisional, said):
    clock = parts.rest_clock(needed=24 * HOUR, proven=proven, provisional=provisional)

    assert clock.provisional == said


@pytest.mark.django_db
def test_a_corrected_reading_of_a_loggers_file_stands_in_the_history():
    boss, room = make.manager(), make.room()
    reader = [ReadOut(row=2, at=NOW - HOUR, value=21, unit="c", rh_pct=45)]
    source = Source("logger.csv", "0" * 64, "TH-1")
    store_readings(reader, zone=room.zone, source=source, by=boss, now=NOW)
    first = Reading.objects.get()
    air = {"temperature": 31.5, "unit": "c", "humidity_pct": 45, "logger": first.logger}
    given = make.envelope(boss, at=first.happened_at, supersedes=first, reason="Wrong line.", now=LATER)
    seen.record_reading(given, zone=room.zone, **air)
    seen.record_reading(make.envelope(boss), zone=room.zone, temperature=21, unit="c", humidity_pct=45)
    states.refresh_due(now=LATER)

    page = room_page(room, boss, may_record=True, may_record_site=True, now=LATER)
    lines = [(plain(line.fact, zone=ZONE), plain(line.detail, zone=ZONE)) for line in page.history]

    told = [(fact.replace("\N{NO-BREAK SPACE}", " "), detail.partition(",")[0]) for fact, detail in lines]
    assert told == [
        (f"Corrected to: 31.5 °C and 45 % in {room.zone.name}.", boss.name),
        ("Logger file logger.csv: 1 reading.", boss.name),
    ]
    assert lines[0][1].endswith(": Wrong line.")


@pytest.mark.django_db
def test_a_loggers_file_leads_from_its_line_of_history_to_its_bytes():
    boss, room = make.manager(), make.room()
    kept = keep_file("logger.csv", b"the bytes", by=boss, now=NOW)
    reader = [ReadOut(row=2, at=NOW - HOUR, value=21, unit="c", rh_pct=45)]
    source = Source("logger.csv", kept.sha256, "TH-1")
    store_readings(reader, zone=room.zone, source=source, by=boss, now=NOW)
    states.refresh_due(now=NOW)

    (line,) = room_page(room, boss, may_record=True, may_record_site=True, now=NOW).history
    (link,) = [link for link in line.acts if plain(link.words, zone=ZONE) == "the file"]

    client = Client()
    client.force_login(boss)
    assert client.get(link.url).content == b"the bytes"


@pytest.mark.django_db
def test_batches_of_one_delivery_are_drawn_alike_and_each_is_named_with_what_it_needs():
    boss, room = make.manager(), make.room()
    day, two_days = make.sheet(rest_required_s=24 * 3600), make.sheet(rest_required_s=48 * 3600)
    for product in (day, two_days):
        make.requirement(room, product, 4)
    came = [deliveries.PlacedLine(day, "A1", 4, room), deliveries.PlacedLine(two_days, "B1", 4, room)]
    deliveries.record_arrival(make.envelope(boss, ago=HOUR), zone=room.zone, lines=came)
    later = [deliveries.PlacedLine(day, "C1", 4, room)]
    deliveries.record_arrival(make.envelope(boss, ago=HOUR / 2), zone=room.zone, lines=later)
    states.refresh_due(now=NOW)

    shown = room_page(room, boss, may_record=True, may_record_site=True, now=NOW).placements

    strips = [one.strip for one in shown]
    assert [(strip.batch, strip.needed) for strip in strips] == [
        ("A1", 24 * HOUR),
        ("B1", 48 * HOUR),
        ("C1", 24 * HOUR),
    ]
    # The last came half an hour after the others, and is drawn over another time.
    assert strips[0].shape == strips[1].shape != strips[2].shape


@pytest.mark.django_db
def test_a_placement_leads_to_the_zone_it_stands_in():
    boss, room = make.manager(), make.room()
    sheet = make.sheet()
    make.requirement(room, sheet, 4)
    came = [deliveries.PlacedLine(sheet, "A1", 4, room)]
    deliveries.record_arrival(make.envelope(boss, ago=HOUR), zone=room.zone, lines=came)
    states.refresh_due(now=NOW)

    (placement,) = room_page(room, boss, may_record=True, may_record_site=True, now=NOW).placements

    assert placement.zone == room.zone_id
