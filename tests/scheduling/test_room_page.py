"""What a room's page says of the rest of its placements."""

from __future__ import annotations

from datetime import timedelta

import pytest

from materials.services import deliveries
from scheduling import parts, states
from scheduling.pages.room import room_page
from scheduling.printing import plain
from tests import make
from tests.conftest import NOW

HOUR = timedelta(hours=1)


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
    assert plain(placement.state, zone="Europe/Paris") == "No rest is asked of this product."


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
