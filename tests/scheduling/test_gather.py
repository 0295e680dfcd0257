"""From rows to core values: nothing that counts is left out on the way."""

from __future__ import annotations

from datetime import timedelta

import pytest

from jobs.services import seen
from materials.models import Placement
from materials.services import deliveries, sheets
from scheduling.gather import gather
from tests import make
from tests.conftest import NOW

pytestmark = pytest.mark.django_db
HOUR = timedelta(hours=1)


def test_a_memory_of_last_night_hides_no_reading_of_the_days_before():
    boss = make.manager()
    room, product = make.room(), make.sheet()
    make.requirement(room, product, 20)
    placed = deliveries.PlacedLine(product, "A1", 20, room)
    deliveries.record_arrival(make.envelope(boss, ago=80 * HOUR), zone=room.zone, lines=[placed])
    sheets.open_placement(make.envelope(boss, ago=80 * HOUR), placement=Placement.objects.get())
    for ago in range(80, 49, -10):
        air = {"temperature": 21.0, "unit": "c", "humidity_pct": 45}
        seen.record_reading(make.envelope(boss, ago=ago * HOUR), zone=room.zone, **air)
    (before,) = gather([room.pk], now=NOW)[room.pk].rests

    seen.record_memory(
        make.envelope(boss, ago=HOUR),
        zone=room.zone,
        from_at=NOW - 15 * HOUR,
        t_min=19,
        t_max=22,
        unit="c",
        rh_min=40,
        rh_max=50,
    )

    (after,) = gather([room.pk], now=NOW)[room.pk].rests
    # Read every ten hours from the opening: full after its 24 h, whatever is remembered later.
    assert before.rest.proven_at == after.rest.proven_at == NOW - (80 - 24) * HOUR
    assert after.rest.proven == (80 - 50) * HOUR + 14 * HOUR
