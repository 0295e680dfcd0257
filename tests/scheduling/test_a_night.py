"""One night of a logger that reports by itself, over the change of clocks: what the pages tell of it.

The hours are worked by hand from the contract of the rest clock.  The clocks of Paris go back on Sunday 25 October
2026 at 01:00 UTC, from 03:00 to 02:00.  Source: the IANA time zone database.
"""

from __future__ import annotations

import json
import runpy
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import pytest
from django.conf import settings
from django.test import Client

from config import clock
from jobs.services.loggers import add_logger
from materials.models import Placement
from materials.services import deliveries, sheets
from scheduling import answers, states
from scheduling.models import RoomState
from scheduling.pages.room import room_page
from scheduling.printing import plain
from tests import make

pytestmark = pytest.mark.django_db

MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)
#: 20:00 in Paris on Saturday, and 08:00 on Sunday: 13 hours apart.
EVENING = datetime(2026, 10, 24, 18, tzinfo=UTC)
MORNING = datetime(2026, 10, 25, 7, tzinfo=UTC)
#: The logger says nothing from 02:30, summer time, to 03:30, winter time: two hours.
SILENT = (datetime(2026, 10, 25, 0, 30, tzinfo=UTC), datetime(2026, 10, 25, 2, 30, tzinfo=UTC))
LAST_BEFORE = SILENT[0] - 5 * MINUTE


def simulated():
    """Return what the program of `fixtures` defines."""
    path = settings.BASE_DIR / "fixtures" / "simulated_logger.py"
    return SimpleNamespace(**runpy.run_path(str(path), run_name="simulated_logger"))


class Night:
    """A zone with ten sheets that rest in it, and its logger."""

    def __init__(self, monkeypatch):
        self.monkeypatch = monkeypatch
        self.boss = make.manager(name="Ada Holm", time_zone="Europe/Paris")
        self.zone = make.zone(name="Ward A", t_min=18, t_max=24, rh_min=35, rh_max=60)
        self.room = make.room(zone=self.zone, name="Ward kitchen")
        sheet = make.sheet()
        make.requirement(self.room, sheet, 10)
        self.at(EVENING)
        envelope = make.envelope(self.boss, now=EVENING)
        lines = [deliveries.PlacedLine(sheet, "A1", 10, self.room)]
        arrival = deliveries.record_arrival(envelope, zone=self.zone, lines=lines)
        placement = Placement.objects.get(arrival=arrival)
        sheets.open_placement(make.envelope(self.boss, now=EVENING), placement=placement)
        _logger, self.token = add_logger(
            name="L3", zones=[self.zone], silent_after=HOUR, by=self.boss, now=EVENING
        )
        self.client = Client()
        self.client.force_login(self.boss)
        self.heard = EVENING - MINUTE

    def at(self, now):
        self.now = now
        self.monkeypatch.setattr(clock, "read", lambda: now)

    def run(self, *, until):
        """Let the logger report as it would: every five minutes, an hour in a post, silent in between."""
        program = simulated()
        logger = program.Logger(
            zone="Ward A",
            every=5 * MINUTE,
            time_zone=program.ZoneInfo("Europe/Paris"),
            ahead=timedelta(0),
            air=program.Air(),
        )
        spoken = [at for at in logger.instants(EVENING, MORNING) if not SILENT[0] <= at < SILENT[1]]
        spoken = [at for at in spoken if self.heard < at <= until]
        self.heard = until
        for first in range(0, len(spoken), 12):
            post = spoken[first : first + 12]
            self.at(post[-1])
            assert self.post([logger.row(at) for at in post])["stored"] == len(post)
        self.at(until)
        return logger

    def post(self, rows):
        answer = self.client.post(
            "/ingest/readings",
            json.dumps({"readings": rows}),
            content_type="application/json",
            headers={"authorization": f"Bearer {self.token}"},
        )
        assert answer.status_code == 200
        return answer.json()

    def rest(self):
        states.refresh_due(now=self.now)
        (stored,) = RoomState.objects.get(room=self.room).rests
        return answers.rest_from_json(stored, now=self.now).rest

    def strip(self):
        states.refresh_due(now=self.now)
        page = room_page(self.room, self.boss, may_record=True, may_record_site=True, now=self.now)
        return page.placements[0].strip

    def text(self, path):
        answer = self.client.get(path)
        assert answer.status_code == 200
        return answer.content.decode().replace("\N{NO-BREAK SPACE}", " ")


@pytest.fixture
def night(monkeypatch):
    return Night(monkeypatch)


def stretches(strip):
    return [(row.from_at, row.to_at, row.kind) for row in strip.stretches]


def test_the_silence_is_named_in_the_night_and_gone_when_it_speaks_again(night):
    night.run(until=LAST_BEFORE)
    night.at(LAST_BEFORE + 59 * MINUTE)
    assert "L3" not in night.text("/morning/")

    night.at(LAST_BEFORE + HOUR)
    page = night.text("/morning/")
    assert "L3" in page
    assert "Ward A" in page

    night.run(until=SILENT[1])
    assert "L3" not in night.text("/morning/")


def test_in_the_morning_the_hours_of_the_silence_are_counted_and_told_apart(night):
    night.run(until=MORNING)

    rest = night.rest()
    # 13 hours by the instants, although the walls' clocks show 12; 2 h 05 of them between two readings far apart.
    assert (rest.state, rest.proven, rest.provisional) == ("resting", 13 * HOUR, timedelta(0))
    assert (rest.bridged, rest.stated) == (2 * HOUR + 5 * MINUTE, timedelta(0))
    assert stretches(night.strip()) == [
        (EVENING, LAST_BEFORE, "counted"),
        (LAST_BEFORE, SILENT[1], "bridged"),
        (SILENT[1], MORNING, "counted"),
    ]
    # 24 hours from 18:00 UTC, if it stays so: 19:00 on the walls.
    assert plain(rest.forecast.at, zone="Europe/Paris", now=night.now) == "Sun 25 Oct 19:00"


def test_the_strip_and_the_table_are_honest_about_the_change_of_clocks(night):
    night.run(until=MORNING)

    strip = night.strip()
    (change,) = strip.shape.changes
    assert (change.at, change.shift) == (datetime(2026, 10, 25, 1, tzinfo=UTC), -HOUR)
    page = night.text(f"/rooms/{night.room.pk}/")
    assert "clocks go back by 1" in page
    # Half past two comes twice, and what began in the first of them says which.
    (row,) = [row for row in strip.stretches if row.kind == "bridged"]
    assert plain(row.from_at, zone="Europe/Paris", now=night.now) != plain(
        row.from_at + HOUR, zone="Europe/Paris", now=night.now
    )
    assert sum((row.length for row in strip.stretches), timedelta(0)) == 13 * HOUR


def test_a_replay_fills_the_silence_and_says_the_rest_is_known(night):
    logger = night.run(until=MORNING)

    told = night.post([logger.row(at) for at in logger.instants(EVENING, MORNING)])

    # 24 readings of five minutes lay in the silence; 13 h hold 157 of them, both ends included.
    assert (told["stored"], told["known"], told["conflict"], told["refused"]) == (24, 157 - 24, 0, 0)
    rest = night.rest()
    assert (rest.proven, rest.bridged) == (13 * HOUR, timedelta(0))
    assert stretches(night.strip()) == [(EVENING, MORNING, "counted")]


def test_the_zone_page_tells_the_same(night):
    night.run(until=MORNING)

    page = night.text(f"/zones/{night.zone.pk}/")

    assert "Ward kitchen" in page
    assert "13 h" in page
    assert "L3" in page
    assert "clocks go back by 1" in page
