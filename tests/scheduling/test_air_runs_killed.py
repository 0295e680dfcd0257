"""kill -9 in the middle of making a run anew loses nothing: the next look tells what all facts come to."""

from __future__ import annotations

import os
import signal
import subprocess
import sys

import pytest

from tests.service import CHECKOUT, ours

pytestmark = pytest.mark.process

#: A room whose sheets came two days ago, a file of readings, and a first look that stores the run.
BEFORE = """
from tests.scheduling.test_air_runs import *
boss = make.manager()
room = make.room(zone=make.zone(job=make.job(accepts_statements=True)))
placed(boss, room, make.sheet(rest_max_gap_s=4 * 3600, rest_needs_opening=False), ago=48 * HOUR)
read_out(room, boss, NOW - 60 * HOUR, [21.0] * 175)
states.refresh_due(now=NOW)
upto = AirRun.objects.get().upto
hand(room, boss, NOW - 40 * HOUR, 3.0)
print(upto.isoformat())
"""

#: A look that stops, told so, in the midst of it: at the words before the state is stored, or before it commits.
LOOK = """
import sys, time
from tests.scheduling.test_air_runs import *
from materials.core.running import AirRun as Run

def stop(*args, **kwargs):
    print("here", flush=True)
    time.sleep(600)

if {at!r} == "reading":
    Run.extend = stop
else:
    from materials.air_runs import AirRuns
    stores = AirRuns.store
    AirRuns.store = lambda self: (stores(self), stop())
states.refresh_due(now=NOW)
"""

AFTER = """
from tests.scheduling.test_air_runs import *
room = Room.objects.get()
states.refresh_due(now=NOW)
stored = AirRun.objects.get()
agree([room], now=NOW)
(one,) = RoomState.objects.get(room=room).rests
print(stored.upto.isoformat(), one["rest"]["zero_at"], stored.air_version == room.zone.air_version)
"""


def run(data, code):
    return [sys.executable, "-c", "import django; django.setup()\n" + code], {
        "cwd": CHECKOUT,
        "env": ours(data, 1, SETDAY_SECRET="signs only in tests", PYTHONPATH=str(CHECKOUT)),
    }


def told(data, code):
    command, where = run(data, code)
    ended = subprocess.run(command, **where, text=True, capture_output=True)
    assert ended.returncode == 0, ended.stdout + ended.stderr
    return ended.stdout.split()


@pytest.mark.parametrize("at", ["reading", "before the commit"])
def test_a_process_killed_while_it_makes_a_run_anew_loses_nothing(tmp_path, at):
    data = tmp_path / "data"
    data.mkdir()
    told(data, "from config.bench import prepared; prepared()")
    (upto,) = told(data, BEFORE)
    command, where = run(data, LOOK.format(at=at))
    with subprocess.Popen(command, **where, text=True, stdout=subprocess.PIPE) as look:
        assert look.stdout.readline().strip() == "here"
        os.kill(look.pid, signal.SIGKILL)
        assert look.wait(60) == -signal.SIGKILL

    # Worked by hand: cold from 40 h ago until the file's next reading, 20 minutes: it pauses, and restarts nothing.
    assert told(data, AFTER) == [upto, "None", "True"]
