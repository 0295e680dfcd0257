"""A logger reports through the night on which the clocks go back: what the room's page says of it, to the minute.

The clocks of Paris went back on Sunday 25 October 2026 at 01:00 UTC, from 03:00 to 02:00.  Source: the IANA time
zone database.  All durations worked by hand in UTC.
"""

from __future__ import annotations

import importlib.util
import json
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from django.test import Client

from config import clock
from jobs.services import loggers
from materials.models import Placement
from materials.services import deliveries, sheets
from scheduling.models import RoomState
from tests import make
from tests.scheduling.acts_world import words_of

pytestmark = pytest.mark.django_db
MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)

OPENED = datetime(2026, 10, 24, 18, 30, tzinfo=UTC)
FIRST, LAST = datetime(2026, 10, 24, 18, 0, tzinfo=UTC), datetime(2026, 10, 25, 7, 0, tzinfo=UTC)
#: Silent from 02:30 in summer time to 03:30 in winter time: two hours, over the change.
SILENT = datetime(2026, 10, 25, 0, 30, tzinfo=UTC), datetime(2026, 10, 25, 2, 30, tzinfo=UTC)
PRESENT = LAST + 10 * MINUTE

_PROGRAM = Path(__file__).resolve().parents[2] / "fixtures" / "simulated_logger.py"


@pytest.fixture(scope="module")
def simulated():
    """Return the program as a module."""
    spec = importlib.util.spec_from_file_location("simulated_logger", _PROGRAM)
    module = importlib.util.module_from_spec(spec)
    # Its dataclasses look their module up by name.
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(sys.modules, spec.name, module)
        spec.loader.exec_module(module)
        yield module


class Night:
    """A ward whose panels rest, and the logger that watches them."""

    def __init__(self, simulated):
        self.boss = make.manager()
        self.zone = make.zone(name="Ward A")
        self.room = make.room(zone=self.zone)
        sheet = make.sheet(rest_required_s=24 * 3_600, rest_max_gap_s=4 * 3_600, rest_fine_gap_s=3_600)
        make.requirement(self.room, sheet, 4)
        at = make.envelope(self.boss, at=OPENED, now=OPENED)
        line = deliveries.PlacedLine(sheet, "7", 6, self.room)
        deliveries.record_arrival(at, zone=self.zone, lines=[line])
        at = make.envelope(self.boss, at=OPENED, now=OPENED)
        sheets.open_placement(at, placement=Placement.objects.get())
        _logger, self.token = loggers.add_logger(
            name="L3", zones=[self.zone], silent_after=HOUR, by=self.boss, now=FIRST
        )
        self.device = simulated.Logger(
            zone="Ward A",
            every=5 * MINUTE,
            time_zone=ZoneInfo("Europe/Paris"),
            ahead=timedelta(0),
            air=simulated.Air(),
        )

    def post(self, *, silent=None):
        """Post the night, all at once, and return how many rows were stored and known."""
        start, end = silent or (LAST, LAST)
        instants = [at for at in self.device.instants(FIRST, LAST) if not start <= at < end]
        body = json.dumps({"readings": [self.device.row(at) for at in instants]})
        headers = {"authorization": f"Bearer {self.token}"}
        answer = Client().post("/ingest/readings", body, content_type="application/json", headers=headers)
        told = json.loads(answer.content)
        return told["stored"], told["known"]

    def page(self):
        """Return the words of the room's page, and the rest that its state keeps."""
        client = Client()
        client.force_login(self.boss)
        words = words_of(client.get(f"/rooms/{self.room.pk}/"))
        (stored,) = RoomState.objects.get(room=self.room).rests
        return words, stored["rest"]


@pytest.fixture
def night(simulated, monkeypatch):
    monkeypatch.setattr(clock, "read", lambda: PRESENT)
    return Night(simulated)


def stretches(rest):
    """Return each stretch of the strip: its ends in UTC and its kind."""
    return [(f"{one[0][11:16]}", f"{one[1][11:16]}", one[2]) for one in rest["strip"]]


def test_the_silence_is_told_apart_and_the_long_hour_counts_once(night):
    # 13 hours of readings every five minutes, both ends; 24 of them fall into the silence.
    assert night.post(silent=SILENT) == (157 - 24, 0)

    words, rest = night.page()

    # From 18:30 to 07:00 UTC; on the wall 20:30 to 08:00, which looks like an hour less.
    assert timedelta(seconds=rest["proven"]) == 12 * HOUR + 30 * MINUTE
    # The last reading before the silence is of 00:25, the next of 02:30.
    assert timedelta(seconds=rest["bridged"]) == 2 * HOUR + 5 * MINUTE
    assert timedelta(seconds=rest["provisional"]) == 10 * MINUTE
    assert stretches(rest) == [
        ("18:30", "00:25", "counted"),
        ("00:25", "02:30", "bridged"),
        ("02:30", "07:00", "counted"),
        ("07:00", "07:10", "provisional"),
    ]
    # 24 hours after the opening at 20:30 in summer time it is 19:30.
    assert "12 h 30 proven of 24 h" in words
    assert "full at Sun 25 Oct 19:30 if it stays in band" in words
    assert "2 h 05 between readings far apart" in words
    assert "clocks go back by 1 h" in words


def test_the_replay_fills_the_silence_and_changes_nothing_else(night):
    night.post(silent=SILENT)

    assert night.post() == (24, 157 - 24)

    words, rest = night.page()
    assert stretches(rest) == [("18:30", "07:00", "counted"), ("07:00", "07:10", "provisional")]
    assert (rest["bridged"], timedelta(seconds=rest["proven"])) == (0, 12 * HOUR + 30 * MINUTE)
    assert "between readings far apart" not in words


def test_a_slow_clock_is_put_right_on_a_persons_word(night, simulated):
    # It runs an hour slow all night.
    night.device = simulated.Logger(
        zone="Ward A",
        every=5 * MINUTE,
        time_zone=ZoneInfo("Europe/Paris"),
        ahead=-HOUR,
        air=simulated.Air(),
    )
    night.post()
    _words, before = night.page()
    # So its last reading seems to be of 06:00.
    assert before["last_reading_at"][11:16] == "06:00"

    loggers.state_clock(
        make.envelope(night.boss, at=PRESENT, now=PRESENT),
        zone=night.zone,
        logger="L3",
        from_at=FIRST - 2 * HOUR,
        offset=HOUR,
    )

    words, after = night.page()
    assert after["last_reading_at"][11:16] == "07:00"
    assert timedelta(seconds=after["proven"]) == 12 * HOUR + 30 * MINUTE
    assert "L3; the logger said 07:00" in words
