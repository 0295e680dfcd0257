"""From rows to what the holds judge: which facts of a job reach which of its rooms."""

from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from materials.services import sheets
from scheduling.gather import gather
from tests import make
from tests.conftest import NOW

pytestmark = pytest.mark.django_db


def lots_of(room):
    lots = gather([room.pk], now=NOW)[room.pk].facts.consumables.lots
    return [(lot.qty, lot.by) for lot in lots]


def test_a_lot_serves_its_own_room_and_one_for_any_room_serves_all():
    lead = make.crew_lead(name="Lia Brandt")
    first = make.room()
    second, elsewhere = make.room(zone=first.zone), make.room()
    glue = make.adhesive()
    bring = {"product": glue, "good_through": None}
    sheets.bring_lot(make.envelope(lead), job=first.job, room=first, quantity=3, **bring)
    sheets.bring_lot(
        make.envelope(lead, ago=timedelta(hours=1), said_by="storeman, by phone"),
        job=first.job,
        room=None,
        quantity=5,
        **bring,
    )

    assert lots_of(first) == [(5, "storeman, by phone"), (3, "Lia Brandt")]
    assert lots_of(second) == [(5, "storeman, by phone")]
    assert lots_of(elsewhere) == []


def test_many_rooms_are_gathered_in_the_queries_of_one():
    room, product, glue = make.room(), make.sheet(), make.adhesive()
    rooms = [room, *(make.room(zone=room.zone) for _ in range(5))]
    for one in rooms:
        make.requirement(one, product, 4)
        make.need(one, glue, 1)
        make.milestone(one)

    with CaptureQueriesContext(connection) as for_one:
        gather([room.pk], now=NOW)
    with CaptureQueriesContext(connection) as for_all:
        found = gather([one.pk for one in rooms], now=NOW)

    assert len(found) == 6
    assert len(for_all) == len(for_one)
