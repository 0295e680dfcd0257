"""What the supplier and the site read of an order that one batch was sent for twice."""

from __future__ import annotations

import pytest
from django.test import Client

from materials.models import OrderLine
from materials.services import deliveries
from scheduling.pages.jobs import job_page
from scheduling.printing import plain
from tests import make
from tests.conftest import NOW

pytestmark = pytest.mark.django_db


@pytest.fixture
def sent():
    """Return the manager and the dispatch of batch B2 for two rooms and of A1 for the first."""
    boss, firm = make.manager(), make.supplier_firm()
    room = make.room(name="Kitchen")
    other = make.room(zone=room.zone, name="Wash-up")
    sheet = make.sheet()
    order = make.order(room, sheet, 9, supplier=firm)
    first = order.lines.get()
    second = OrderLine.objects.create(order=order, product=sheet, room=other, sheets=4)
    lines = [(first, "B2", 5), (first, "A1", 4), (second, "B2", 4)]
    parts = [deliveries.BatchLine(*line) for line in lines]
    return boss, deliveries.record_dispatch(make.envelope(boss), order=order, lines=parts, expected_at=None)


def test_each_batch_is_named_once(sent):
    boss, dispatch = sent

    (coming,) = job_page(dispatch.order.job, boss, now=NOW).coming

    assert coming.batches == ("A1", "B2")
    said = plain(dispatch.says(), zone="Europe/Paris")
    assert said == f"13 sheets sent off on order {dispatch.order.number}, batch A1 and B2; no arrival given."


def test_its_supplier_reads_which_line_is_for_which_room(sent):
    _boss, dispatch = sent
    client = Client()
    client.force_login(make.supplier(firm=dispatch.order.supplier))

    page = client.get(f"/orders/{dispatch.order_id}/").content.decode()

    assert "Kitchen" in page
    assert "Wash-up" in page
