"""A zone's page: its air, and everything that rests in it on one axis."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from config import clock
from jobs.services import meters, seen
from materials.models import Placement
from materials.services import deliveries, sheets
from scheduling import states
from scheduling.pages.zone import zone_page
from scheduling.printing import plain
from scheduling.services import handling
from tests import make
from tests.conftest import NOW

pytestmark = pytest.mark.django_db

HOUR = timedelta(hours=1)
DAY = 24 * HOUR


@pytest.fixture
def boss():
    return make.manager(name="Ada Holm")


@pytest.fixture
def air():
    return make.zone(name="Ward A", t_min=18, t_max=24, rh_min=35, rh_max=55)


def read(boss, zone, *, ago, t_c=20.5, rh_pct=45):
    return seen.record_reading(
        make.envelope(boss, ago=ago), zone=zone, temperature=t_c, unit="c", humidity_pct=rh_pct
    )


def bring(boss, zone, *, batch, ago, room=None):
    """Bring ten opened sheets of a batch for a room of this zone, so long ago."""
    room = room or make.room(zone=zone)
    product = make.sheet()
    make.requirement(room, product, 10)
    lines = [deliveries.PlacedLine(product, batch, 10, room)]
    arrival = deliveries.record_arrival(make.envelope(boss, ago=ago), zone=zone, lines=lines)
    sheets.open_placement(make.envelope(boss, ago=ago), placement=Placement.objects.get(arrival=arrival))
    return room


def page(zone, boss, *, now=NOW):
    states.refresh_due(now=now)
    return zone_page(zone, boss, may_record_site=True, now=now)


def words(said, *, now=NOW):
    return plain(said, zone="Europe/Paris", now=now)


def test_a_zone_nobody_has_read_says_so_and_draws_an_empty_axis(boss, air):
    shown = page(air, boss)

    assert words(shown.answer) == "Nobody has read the air here yet."
    assert (shown.lines, shown.air, shown.hours, shown.shape.air.trace) == ((), None, None, "")


def test_all_that_rests_here_stands_on_one_axis_in_the_order_it_came(boss, air):
    read(boss, air, ago=13 * HOUR)
    bring(boss, air, batch="B2", ago=6 * HOUR)
    bring(boss, air, batch="B1", ago=12 * HOUR)
    read(boss, air, ago=timedelta(0))

    shown = page(air, boss)

    assert [line.batch for line in shown.lines] == ["B1", "B2"]
    # 13 h between the two readings: bridged from the arrivals on.
    assert [(line.proven, line.clock.bridged) for line in shown.lines] == [(12 * HOUR,) * 2, (6 * HOUR,) * 2]
    starts = [float(line.lane.pieces[0].x.rstrip("%")) for line in shown.lines]
    # The axis begins at 20:00 UTC on the hour of the first arrival (21:00), ends 4 % past the present.
    assert starts == [0, pytest.approx(50 / 1.04, abs=0.05)]
    assert words(shown.answer).endswith("2 placements rest here. The next can be proven Wed 10 Jun 23:00.")


@pytest.mark.parametrize(
    ("t_c", "rh_pct", "said"),
    [
        (16.5, 45, "Too cold by 1.5 K."),
        (26, 45, "Too warm by 2.0 K."),
        (20, 30, "Too dry by 5 %."),
        (20, 61, "Too damp by 6 %."),
        (24, 55, None),
    ],
)
def test_the_head_says_by_how_much_the_air_is_out_of_its_band(boss, air, t_c, rh_pct, said):
    read(boss, air, ago=HOUR, t_c=t_c, rh_pct=rh_pct)

    trouble = page(air, boss).trouble

    assert (words(trouble) if trouble else None) == said


@pytest.mark.parametrize(
    ("ago", "said"),
    [
        ([(4, 20), (3, 16), (2, 20), (1, 21)], "in band since Wed 10 Jun 09:00."),
        ([(4, 20), (3, 16), (2, 15), (1, 16.5)], "out of band since Wed 10 Jun 08:00."),
        ([(30, 20), (11, 20), (1, 20)], "in band since Wed 10 Jun 00:00."),
        ([(2, 16), (1, 20)], "20.0 °C and 45 %, read Wed 10 Jun 10:00."),
    ],
    ids=["back-in-band", "out-of-band", "not-across-a-gap-of-19-h", "only-now"],
)
def test_the_head_says_since_when_the_air_is_as_it_is(boss, air, ago, said):
    for hours, t_c in ago:
        read(boss, air, ago=hours * HOUR, t_c=t_c)

    assert words(page(air, boss).answer).startswith(f"{ago[-1][1]:.1f} °C and 45 %, read Wed 10 Jun 10:00")
    assert said in words(page(air, boss).answer)


def test_the_air_by_the_hour_keeps_the_extremes(boss, air):
    for minutes, t_c in ((70, 19), (80, 23.5), (90, 20), (10, 21)):
        read(boss, air, ago=timedelta(minutes=minutes), t_c=t_c)

    rows = page(air, boss).hours.rows

    # NOW is 11:00 in Paris: readings at 09:30, 09:40, 09:50 and 10:50, latest hour first.
    assert [words(row.entries[1].value) for row in rows] == ["21.0", "19.0 to 23.5"]
    assert [row.entries[3].value for row in rows] == ["1", "3"]


def test_the_head_says_how_many_of_those_here_are_not_proven(boss, air):
    read(boss, air, ago=31 * HOUR)
    bring(boss, air, batch="B1", ago=30 * HOUR)
    read(boss, air, ago=14 * HOUR)
    bring(boss, air, batch="B2", ago=6 * HOUR)
    read(boss, air, ago=timedelta(0))

    # 24 h are asked: 30 h stand proven of the first, 6 h of the second.
    assert "One of 2 placements here is not proven." in words(page(air, boss).answer)


def test_a_memory_that_a_reading_contradicts_stands_with_the_reading(boss, air):
    read(boss, air, ago=5 * HOUR, t_c=12)
    meters.read_meter(
        make.envelope(boss),
        zone=air,
        temperature=20,
        unit="c",
        humidity_pct=45,
        extremes=meters.Extremes(NOW - 10 * HOUR, 18, 22, 40, 50),
    )

    (line,) = page(air, boss).memories

    assert line.state == "disagrees"
    assert "Contradicted by the reading of Wed 10 Jun 06:00: 12.0 °C and 45 %." in words(line.detail)


def test_sheets_that_were_moved_to_another_zone_rest_there(boss, air):
    other = make.zone(job=air.job, name="Ward B")
    room = bring(boss, air, batch="B1", ago=6 * HOUR)
    placement = Placement.objects.get(room=room)
    there = make.room(zone=other)
    make.requirement(there, placement.product, 10)
    handling.move(make.envelope(boss), placement=placement, count=10, to=other, room=there)

    assert [line.batch for line in page(air, boss).lines] == []
    assert [line.batch for line in page(other, boss).lines] == ["B1"]


def test_as_many_queries_with_twice_the_rows(boss, air, monkeypatch):
    monkeypatch.setattr(clock, "read", lambda: NOW)
    client = Client()
    client.force_login(boss)
    counts = []
    for turn in range(2):
        for n in range(4):
            bring(boss, air, batch=f"B{turn}{n}", ago=(n + 1) * HOUR)
            read(boss, air, ago=timedelta(minutes=30 * n + turn + 1))
        states.refresh_due(now=NOW)
        client.get(f"/zones/{air.pk}/")
        with CaptureQueriesContext(connection) as asked:
            assert client.get(f"/zones/{air.pk}/").status_code == 200
        counts.append(len(asked))

    assert counts[0] == counts[1]


def test_the_page_draws_and_tells_the_same(boss, air, monkeypatch):
    monkeypatch.setattr(clock, "read", lambda: NOW)
    read(boss, air, ago=13 * HOUR)
    bring(boss, air, batch="B1", ago=12 * HOUR)
    read(boss, air, ago=timedelta(0))
    client = Client()
    client.force_login(boss)

    text = client.get(f"/zones/{air.pk}/").content.decode()

    assert text.count('class="lane"') == 1
    assert 'class="p-bridged"' in text
    assert "counted, readings far apart" in text
    assert not re.search(r'\sstyle="', text)
