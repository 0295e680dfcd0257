"""Two people at the same file at the same moment: it is loaded, or stored, once."""

from __future__ import annotations

from datetime import timedelta

import pytest

from jobs.core.logger_file import Reading as ReadOut
from jobs.models import Entry, Reading, Site
from jobs.services.readings import CHUNK, Source, store_readings
from scheduling.workbook.check import check
from scheduling.workbook.load import Loaded, load
from scheduling.workbook.read import read_tables
from tests import make
from tests.conftest import NOW
from tests.scheduling.workbook_files import small, xlsx
from tests.threads import together

pytestmark = pytest.mark.django_db(transaction=True)


def test_a_workbook_that_two_load_at_once_is_loaded_once():
    boss = make.manager()
    other = make.manager(firm=boss.firm)
    rows = check(read_tables("clinic.xlsx", xlsx(small())), by=boss, now=NOW).rows

    came = together(
        lambda: load(rows, name="clinic.xlsx", digest="a", by=boss, now=NOW),
        lambda: load(rows, name="clinic.xlsx", digest="a", by=other, now=NOW),
    )

    assert all(isinstance(one, Loaded) for one in came), came
    assert sorted((one.total.new, one.total.same) for one in came) == [(0, 18), (18, 0)]
    assert Site.objects.count() == 1


def test_a_file_that_two_store_at_once_is_stored_once():
    room, boss = make.room(), make.manager()
    first = NOW - timedelta(hours=20)
    rows = [ReadOut(first + n * timedelta(seconds=10), 20.5, "c", 45.0, n + 2) for n in range(CHUNK + 10)]
    source = Source("kitchen.csv", "5" * 64, "L-7")

    def store():
        return store_readings(rows, zone=room.zone, source=source, by=boss, now=NOW)

    came = together(store, store)

    assert sum(one.new for one in came) == len(rows), came
    assert (Reading.objects.count(), Entry.objects.count()) == (len(rows), 1)
