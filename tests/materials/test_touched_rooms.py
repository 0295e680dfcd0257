"""Which rooms a fact about sheets touches: those whose holds it may change, and no other's history."""

from __future__ import annotations

import pytest

from materials.models import Placement
from materials.services import deliveries
from scheduling.services import handling
from tests import make

pytestmark = pytest.mark.django_db


@pytest.fixture
def arrived():
    """Return a room with a placement, an empty room beside it, and who brought the sheets."""
    boss = make.manager()
    room, product = make.room(), make.sheet()
    beside = make.room(zone=room.zone)
    line = deliveries.PlacedLine(product, "A1", 20, room)
    deliveries.record_arrival(make.envelope(boss), zone=room.zone, lines=[line])
    return room, beside, Placement.objects.get(), boss


def test_an_arrival_touches_the_room_it_is_for_and_no_empty_one(arrived):
    room, beside, placement, _boss = arrived
    make.room()

    assert list(placement.touched_rooms()) == [room]
    assert list(placement.arrival.touched_rooms()) == [room]
    assert beside.entries.count() == 0


def test_a_move_touches_the_room_it_takes_from_and_the_room_it_is_for(arrived):
    room, beside, placement, boss = arrived

    moved = handling.move(make.envelope(boss), placement=placement, count=5, to=room.zone, room=beside)

    assert set(moved.touched_rooms()) == {room, beside}
