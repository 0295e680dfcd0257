"""The main job from services: facts come in, holds clear one by one, the calendar follows each step."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from django.core.exceptions import ValidationError
from icalendar import Calendar

from jobs.services import seen
from jobs.services.seen import needed_checks
from materials.models import Placement
from materials.services import deliveries, sheets
from scheduling import feeds, states
from scheduling.answers import holds_of
from scheduling.gather import gather
from scheduling.models import CrewFeed, Message, RoomState
from scheduling.services import crews, work
from tests import make
from tests.conftest import NOW

pytestmark = pytest.mark.django_db
HOUR = timedelta(hours=1)


def event_of(crew, *, now=NOW):
    feeds.renew(crew, now=now)
    body = bytes(CrewFeed.objects.get(crew=crew).body)
    (event,) = Calendar.from_ical(body).walk("VEVENT")
    return str(event["STATUS"]), int(event["SEQUENCE"])


def held(room, *, now=NOW):
    states.refresh_due(now=now)
    state = RoomState.objects.get(room=room)
    return [hold.kind.value for hold in holds_of(state.answer) if hold.state == "held"]


def read_every_ten_minutes(by, zone, *, ago, temperature=21.0):
    for step in range(int(ago / timedelta(minutes=10)) + 1):
        seen.record_reading(
            make.envelope(by, ago=ago - step * timedelta(minutes=10)),
            zone=zone,
            temperature=temperature,
            unit="c",
            humidity_pct=45,
        )


def test_a_room_becomes_firm_fact_by_fact():
    boss, lead = make.manager(), make.crew_lead()
    crew = make.crew(lead)
    room = make.room()
    product = make.sheet(is_batch_matched=True)
    make.requirement(room, product, 40)
    glue = make.adhesive()
    make.need(room, glue, 8)
    ceiling = make.milestone(room)
    order = make.order(room, product, 40)
    line = order.lines.get()
    crews.give_day(make.envelope(boss), room=room, crew=crew, first_on=date(2026, 6, 11))
    assert event_of(crew) == ("TENTATIVE", 0)

    dispatch = deliveries.record_dispatch(
        make.envelope(boss, ago=60 * HOUR),
        order=order,
        lines=[deliveries.BatchLine(line, "A1", 22), deliveries.BatchLine(line, "A2", 18)],
        expected_at=NOW - 41 * HOUR,
    )
    deliveries.record_arrival(
        make.envelope(lead, ago=40 * HOUR),
        zone=room.zone,
        dispatch=dispatch,
        lines=[
            deliveries.PlacedLine(product, "A1", 22, room),
            deliveries.PlacedLine(product, "A2", 18, room),
        ],
    )
    placements = list(Placement.objects.order_by("batch"))
    for placement in placements:
        sheets.open_placement(make.envelope(lead, ago=40 * HOUR), placement=placement)
    read_every_ten_minutes(lead, room.zone, ago=30 * HOUR)
    seen.report_milestone(make.envelope(boss), milestone=ceiling, is_done=True)
    sheets.bring_lot(
        make.envelope(lead), job=room.job, room=room, product=glue, quantity=10, good_through=date(2026, 9, 1)
    )
    assert held(room) == ["substrate", "panels_on_site", "inspection", "rest"]

    for check in needed_checks(room):
        value = check.limit.value - 1 if check.limit and check.limit.bound != "at_least" else None
        value = check.limit.value if check.limit and value is None else value
        seen.record_checks(make.envelope(lead), rooms=[room], check_code=check.code, passed=True, value=value)
    sheets.acknowledge_mix(make.envelope(lead), room=room, product=product)
    stock = gather([room.pk], now=NOW)[room.pk].rests
    for placement, one in zip(placements, sorted(stock, key=lambda one: one.standing.batch), strict=True):
        rejects = {"chip": 2} if placement.batch == "A1" else {}
        sheets.inspect(
            make.envelope(lead),
            placement=placement,
            standing=one.standing,
            inspected=one.standing.sheets,
            rejects=rejects,
            mark_seen=True,
        )
    assert held(room) == ["panels_on_site", "rest"]
    assert event_of(crew) == ("TENTATIVE", 0)

    more = deliveries.record_dispatch(
        make.envelope(boss, ago=30 * HOUR),
        order=order,
        lines=[deliveries.BatchLine(line, "A3", 2)],
        expected_at=None,
    )
    arrival = deliveries.record_arrival(
        make.envelope(lead, ago=26 * HOUR),
        zone=room.zone,
        dispatch=more,
        lines=[deliveries.PlacedLine(product, "A3", 2, room)],
    )
    third = Placement.objects.get(arrival=arrival)
    sheets.open_placement(make.envelope(lead, ago=26 * HOUR), placement=third)
    standing = next(
        one.standing for one in gather([room.pk], now=NOW)[room.pk].rests if one.standing.batch == "A3"
    )
    sheets.inspect(
        make.envelope(lead), placement=third, standing=standing, inspected=2, rejects={}, mark_seen=True
    )
    assert held(room) == []
    assert event_of(crew) == ("CONFIRMED", 1)

    latest = room.zone.reading_facts.order_by("-happened_at").first()
    seen.record_reading(
        make.envelope(lead, at=latest.happened_at, supersedes=latest),
        zone=room.zone,
        temperature=35,
        unit="c",
        humidity_pct=45,
    )
    assert held(room) == ["room_conditions"]
    assert event_of(crew) == ("TENTATIVE", 2)
    assert Message.objects.filter(person=boss, key__startswith="held_again/").count() == 1
    with pytest.raises(ValidationError, match="room conditions"):
        work.start_room(make.envelope(lead), room=room, crew=crew)

    later = NOW + timedelta(minutes=10)
    seen.record_reading(
        make.envelope(lead, at=later, now=later), zone=room.zone, temperature=21, unit="c", humidity_pct=45
    )
    start = work.start_room(make.envelope(lead, at=later, now=later), room=room, crew=crew)
    assert start.release.room == room
    assert event_of(crew, now=later)[0] == "CONFIRMED"
