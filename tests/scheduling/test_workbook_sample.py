"""The sample workbook and the sample logger's file tell one story: a rest that pauses, starts again and is proven."""

from __future__ import annotations

from datetime import timedelta

import pytest

from jobs.core.conditions import Band
from jobs.core.logger_file import read
from jobs.core.sample_logger import sample_logger_csv
from jobs.models import Person, Room
from jobs.services.readings import Source, store_readings
from materials.core.rest import RestState
from materials.models import OrderLine, Placement
from materials.services import deliveries, sheets
from scheduling.gather import gather
from scheduling.workbook.check import check
from scheduling.workbook.load import load
from scheduling.workbook.read import read_tables
from scheduling.workbook.write import SAMPLE_ZONE, sample_workbook
from tests import make
from tests.conftest import NOW

pytestmark = pytest.mark.django_db
HOUR = timedelta(hours=1)


@pytest.fixture
def kitchen():
    boss = make.manager()
    rows = check(read_tables("s.xlsx", sample_workbook(NOW.date())), by=boss, now=NOW).rows
    load(rows, name="s.xlsx", digest="a", by=boss, now=NOW)
    return Room.objects.get(name="Kitchen")


def opened(kitchen, *, ago):
    """Have 40 sheets of one batch arrive and be opened; return their placement."""
    lead = Person.objects.get(is_crew_lead=True)
    line = OrderLine.objects.get(room=kitchen)
    dispatch = deliveries.record_dispatch(
        make.envelope(lead, ago=ago + HOUR),
        order=line.order,
        lines=[deliveries.BatchLine(line, "K1", 40)],
        expected_at=None,
    )
    deliveries.record_arrival(
        make.envelope(lead, ago=ago),
        zone=kitchen.zone,
        dispatch=dispatch,
        lines=[deliveries.PlacedLine(line.product, "K1", 40, kitchen)],
    )
    placement = Placement.objects.get()
    sheets.open_placement(make.envelope(lead, ago=ago), placement=placement)
    return placement


def test_the_order_of_the_sample_has_two_sheets_to_spare(kitchen):
    assert kitchen.requirements.get().sheets == 40
    assert OrderLine.objects.get(room=kitchen).sheets == 42


def test_the_rest_pauses_starts_again_and_is_proven(kitchen):
    opened(kitchen, ago=40 * HOUR)
    zone = kitchen.zone
    band = Band(zone.t_min, zone.t_max, zone.rh_min, zone.rh_max)
    out = read(sample_logger_csv(end=NOW, zone=SAMPLE_ZONE, band=band))
    boss = Person.objects.get(is_manager=True)
    store_readings(out.readings, zone=zone, source=Source("s.csv", "0" * 64, "s"), by=boss, now=NOW)

    (rested,) = gather([kitchen.pk], now=NOW)[kitchen.pk].rests

    assert rested.rest.state is RestState.PROVEN
    kinds = {stretch.kind.value for stretch in rested.rest.strip}
    assert {"counted", "out_of_band"} <= kinds
    assert sum(stretch.restart for stretch in rested.rest.strip) == 1
    # The cold ends 7 h 40 after the first row, and the next row in band begins the count: 24 h later it is full.
    assert rested.rest.proven_at == NOW - 40 * HOUR + timedelta(hours=7, minutes=40) + 24 * HOUR
