"""What a room's page says can be done about its rest."""

from __future__ import annotations

import html
import re
from dataclasses import replace
from datetime import timedelta

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from config import clock
from jobs.core.logger_values import Reading as ReadOut
from jobs.models import Job
from jobs.services import loggers, seen
from jobs.services.readings import Source, store_readings
from materials.models import Product
from materials.services import deliveries, sheets
from scheduling import states
from scheduling.answers import holds_of, rest_from_json
from scheduling.benchmarks.firm import add_rooms, open_business
from scheduling.core.holds import rest
from scheduling.core.moment import Moment
from scheduling.core.room_facts import HoldKind, PlacementRest
from scheduling.models import RoomState
from scheduling.outlooks import facts_asked, last_reads
from scheduling.services import crews, handling
from tests import make
from tests.conftest import NOW
from tests.scheduling.rooms import THURSDAY

pytestmark = pytest.mark.django_db
HOUR = timedelta(hours=1)
#: NOW is 11:00 in Paris.


@pytest.fixture
def boss():
    return make.manager()


@pytest.fixture
def client(boss, monkeypatch):
    monkeypatch.setattr(clock, "read", lambda: NOW)
    browser = Client()
    browser.force_login(boss)
    return browser


def read(boss, zone, *, ago, t=21.0, rh=45):
    seen.record_reading(
        make.envelope(boss, ago=ago * HOUR), zone=zone, temperature=t, unit="c", humidity_pct=rh
    )


def resting_room(boss, *, came=10, opened=True, **fields):
    """Return a room with four sheets that came `came` hours ago, looked at, and were opened at once."""
    room, product = make.room(**fields), make.sheet()
    make.requirement(room, product, 4)
    came_at = make.envelope(boss, ago=came * HOUR)
    deliveries.record_arrival(came_at, zone=room.zone, lines=[deliveries.PlacedLine(product, "B1", 4, room)])
    placed = room.placements.get()
    if opened:
        sheets.open_placement(make.envelope(boss, ago=came * HOUR), placement=placed)
        handling.inspect(
            make.envelope(boss, ago=came * HOUR), placement=placed, inspected=4, rejects={}, mark_seen=True
        )
    return room


def outlook_on(client, room):
    """Return the words of the outlook on a room's page, on one line; empty where there is none."""
    page = client.get(f"/rooms/{room.pk}/").content.decode()
    found = re.search(r'<section class="outlook".*?</section>', page, re.DOTALL)
    if found is None:
        return ""
    text = html.unescape(re.sub(r"<[^>]+>", " ", found[0])).replace("\N{NO-BREAK SPACE}", " ")
    return re.sub(r" ([,.:;])", r"\1", " ".join(text.split()))


def test_a_rest_that_runs_is_told_with_the_reading_it_hangs_on(client, boss):
    room = resting_room(boss)
    read(boss, room.zone, ago=10)
    read(boss, room.zone, ago=2)

    # It came at 01:00 and was last read at 09:00: good until 03:00, full after 24 h.
    said = outlook_on(client, room)
    assert "If the air stays as it is: Thu 11 Jun 01:00." in said
    # Eight hours are proven; a second after 03:00 they are all there is: 03:00 + 24 - 8.
    assert (
        "Read again by Thu 11 Jun 03:00: Thu 11 Jun 01:00. Else the time since the last reading is lost:"
        " Thu 11 Jun 19:00." in said
    )
    assert "heater" not in said


def test_cold_air_is_told_with_what_heats_it_another_zone_and_the_day(client, boss):
    room = resting_room(boss)
    make.zone(job=room.job, name="Ward C")
    ward = make.zone(job=room.job, name="Ward B")
    damp = make.zone(job=room.job, name="Cellar")
    read(boss, room.zone, ago=10)
    read(boss, room.zone, ago=4)
    read(boss, room.zone, ago=1, t=16.0)
    read(boss, ward, ago=1)
    read(boss, damp, ago=1, rh=80)
    crew = make.crew(make.crew_lead())
    crews.give_day(make.envelope(boss), room=room, crew=crew, first_on=THURSDAY)

    said = outlook_on(client, room)

    assert "If the air stays as it is, never: it is 2 K too cold." in said
    # By 13:00; of the 24 six are proven: 13:00 + 24 - 6.  Cold since 10:00, it starts again after 14:00.
    assert "With a heater, in band and read by 13:00: Thu 11 Jun 07:00." in said
    assert "The 6 h proven are kept; later than 14:00 they are lost. In time for Thu 11 Jun 07:00." in said
    assert (
        "In Ward B, which is in band, from zero: Thu 11 Jun 11:00. They stay there until they are set."
        " Too late for Thu 11 Jun 07:00." in said
    )
    assert "Cellar" not in said
    assert "Ward C" not in said
    assert "A fuel heater gives off water and fumes: ventilate" in said
    assert "Electricity on a wet site is for licensed people." in said


def test_air_too_damp_asks_for_a_dryer_and_for_no_heater(client, boss):
    room = resting_room(boss)
    read(boss, room.zone, ago=10)
    read(boss, room.zone, ago=1, rh=67)

    said = outlook_on(client, room)

    assert "never: it is 12 % too damp. With a dryer, in band and read by 13:00" in said
    assert "fuel heater" not in said


@pytest.mark.parametrize("accepts", [True, False])
def test_a_word_is_asked_for_only_where_the_job_takes_one(client, boss, accepts):
    room = resting_room(boss, came=40)
    Job.objects.filter(pk=room.job_id).update(accepts_statements=accepts)
    read(boss, room.zone, ago=40)
    read(boss, room.zone, ago=30)
    states.refresh_due(now=NOW)

    said = outlook_on(client, room)

    assert "Not known: nobody has read the air since Tue 9 Jun 05:00." in said
    assert "Read the air now; if it is in band: Thu 11 Jun 01:00." in said
    word = "If somebody who knows signs that it was in band since Tue 9 Jun 05:00: proven at once."
    assert (word in said) == accepts


def test_wrapped_sheets_are_to_be_unwrapped(client, boss):
    room = resting_room(boss, opened=False)
    read(boss, room.zone, ago=1)

    said = outlook_on(client, room)

    assert "While it is wrapped it does not rest." in said
    assert "Unwrapped now, in air that is read in band: Thu 11 Jun 11:00." in said


def test_sheets_that_are_asked_no_rest_keep_no_others_from_theirs(client, boss):
    room = resting_room(boss)
    read(boss, room.zone, ago=10)
    at_once = make.sheet(rest_required_s=0)
    make.requirement(room, at_once, 2)
    deliveries.record_arrival(
        make.envelope(boss, ago=HOUR),
        zone=room.zone,
        lines=[deliveries.PlacedLine(at_once, "Z1", 2, room)],
    )

    assert "If the air stays as it is: Thu 11 Jun 01:00." in outlook_on(client, room)


def test_bands_that_do_not_meet_are_said_to_prove_nothing_ever(client, boss):
    room = resting_room(boss)
    Product.objects.update(t_min=30, t_max=35)
    read(boss, room.zone, ago=1)

    said = outlook_on(client, room)

    assert "Never: the zone's band and the product's limits do not meet." in said


def test_a_rest_that_is_done_says_nothing(client, boss):
    room = resting_room(boss, came=30)
    for ago in (30, 15, 0):
        read(boss, room.zone, ago=ago)

    assert outlook_on(client, room) == ""


def test_a_lane_of_a_zone_says_what_would_have_its_rest_proven_soonest(client, boss):
    room = resting_room(boss)
    read(boss, room.zone, ago=10)
    read(boss, room.zone, ago=1, t=16.0)
    states.refresh_due(now=NOW)

    page = html.unescape(re.sub(r"<[^>]+>", "", client.get(f"/zones/{room.zone_id}/").content.decode()))

    assert "With a heater, in band and read by 13:00:" in page.replace("\N{NO-BREAK SPACE}", " ")


def test_other_zones_cost_one_query_and_only_where_the_air_is_bad(client, boss):
    room = resting_room(boss)
    for _ in range(5):
        read(boss, make.zone(job=room.job), ago=1)
    read(boss, room.zone, ago=2)
    good = count_of(client, room)
    read(boss, room.zone, ago=1, t=16.0)

    assert count_of(client, room) == good + 1


def count_of(client, room):
    client.get(f"/rooms/{room.pk}/")
    with CaptureQueriesContext(connection) as asked:
        client.get(f"/rooms/{room.pk}/")
    return len(asked)


def test_of_two_readings_at_one_instant_the_worse_speaks_for_the_zone(boss):
    zone = make.zone()
    read(boss, zone, ago=2, t=30.0)
    read(boss, zone, ago=1)
    read(boss, zone, ago=1, t=16.0)

    (last,) = last_reads(zone.job, now=NOW)

    assert (last.at, sorted(last.airs)) == (NOW - HOUR, [(16.0, 45.0), (21.0, 45.0)])


def test_what_a_slow_clock_said_counts_from_when_it_was(boss):
    zone = make.zone()
    reader = [ReadOut(row=2, at=NOW - 3 * HOUR, value=21, unit="c", rh_pct=45)]
    store_readings(reader, zone=zone, source=Source("a.csv", "0" * 64, "TH-1"), by=boss, now=NOW)
    loggers.state_clock(
        make.envelope(boss), zone=zone, logger="TH-1", from_at=NOW - 9 * HOUR, offset=2 * HOUR
    )

    (last,) = last_reads(zone.job, now=NOW)

    assert last.at == NOW - HOUR


def test_what_a_state_keeps_of_a_room_is_all_that_its_rest_hold_asks():
    business = open_business(now=NOW)
    add_rooms(business, 40, readings=60)
    states.refresh_due(now=NOW)
    told = {}

    for state in RoomState.objects.exclude(answer__asks=None):
        (stored,) = [hold for hold in holds_of(state.answer) if hold.kind is HoldKind.REST]
        rests = {one["placement"]: rest_from_json(one, now=NOW) for one in state.rests if one["sheets"]}
        facts = facts_asked(state.answer["asks"], list(rests.values()))
        known = tuple(
            replace(
                one,
                rest=PlacementRest(
                    state=rests[one.id].rest.state,
                    proven_at=rests[one.id].rest.proven_at,
                    forecast=rests[one.id].rest.forecast,
                ),
            )
            for one in facts.placements
        )
        hold = rest(replace(facts, placements=known), Moment(NOW))
        told[state.pk] = (hold.state, hold.forecast), (stored.state, stored.forecast)

    assert len(told) > 10
    assert {forecast is None for _found, (_state, forecast) in told.values()} == {True, False}
    assert [pair for pair in told.values() if pair[0] != pair[1]] == []
