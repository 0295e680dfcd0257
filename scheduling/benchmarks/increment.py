"""How soon after a reading is stored the state of its room tells it, in a zone with a million readings."""

from __future__ import annotations

from datetime import datetime, timedelta
from functools import partial
from math import pi, sin
from random import Random
from statistics import median
from uuid import UUID, uuid5

from config import clock
from config.bench import Row, benchmark, prepared, spread_of, timed
from config.celery import app
from jobs.core.logger_values import Reading as ReadOut
from jobs.facts import Envelope
from jobs.models import Person, Room, Zone
from jobs.services.readings import Source, store_readings
from jobs.services.seen import record_reading
from scheduling import states
from scheduling.benchmarks.firm import Step, add_rooms, open_business
from scheduling.models import RoomState

READINGS = 1_000_000
READ_EVERY = timedelta(minutes=5)
READINGS_A_FILE = 50_000
#: One zone of them, a room at each of the steps.
ROOMS = 6
ROUNDS = 9
LOOKS = 10

_NAMESPACE = UUID("5f0c8a55-2a0e-5d0d-9c3d-5a5f3b9b7a11")


@benchmark("reading_to_state_ms", "reading_to_zone_ms")
def reading_to_state(readings: int = READINGS, rounds: int = ROUNDS, looks: int = LOOKS) -> list[Row]:
    """Store one more reading through its service and bring the room's stored state up to it, as a page does.

    The room's sheets rest in a zone that was read `readings` times.  `reading_to_zone_ms` is the same with the
    states of all rooms of the zone.  The baseline is the storing alone.
    """
    prepared()
    # What is owed is handed to a queue in this process: no broker runs here, and none is waited for.
    app.conf.update(broker_url="memory://localhost")
    now = clock.read()
    business = open_business(now=now)
    rooms = add_rooms(business, ROOMS)
    at = _read_in(rooms[0].zone, readings, business.manager, now=now)
    states.refresh_due(now=now)
    resting = next(room for room in rooms if Step(room.pk % len(Step)) >= Step.OPENED)
    mine = Room.objects.filter(pk=resting.pk)
    every = Room.objects.filter(zone=resting.zone_id)
    took: dict[str, list[float]] = {"stored": [], "room": [], "zone": []}

    def read(at: datetime) -> None:
        envelope = Envelope(uuid5(_NAMESPACE, at.isoformat()), at, business.manager, at)
        record_reading(envelope, zone=resting.zone, temperature=21.0, unit="c", humidity_pct=45.0)

    for number in range(rounds + 1):
        spent = {"stored": 0.0, "room": 0.0, "zone": 0.0}
        for _look in range(looks):
            for name, looked_at in (("room", mine), ("zone", every)):
                at += READ_EVERY
                stored = timed(partial(read, at))
                looked = timed(partial(states.refresh_due, looked_at, now=at))
                spent["stored"] += stored / 2
                spent[name] += stored + looked
            _hold_to(resting, at)
        if number:  # the first only warms the process
            for name, seconds in spent.items():
                took[name].append(seconds / looks * 1000)
    return [
        Row(
            f"reading_to_{name}_ms",
            median(took[of]),
            "ms",
            "less",
            goal=goal,
            baseline=median(took["stored"]),
            spread=spread_of(took[of]),
        )
        for name, of, goal in (("state", "room", 20), ("zone", "zone", None))
    ]


def _read_in(zone: Zone, readings: int, by: Person, *, now: datetime) -> datetime:
    """Store a logger's files up to the present and return the instant of the last reading."""
    first_at = now - readings * READ_EVERY
    chance = Random(readings)
    for first in range(0, readings, READINGS_A_FILE):
        rows = []
        for number in range(first, min(first + READINGS_A_FILE, readings)):
            wave = sin(number * pi / 144)
            t_c, rh_pct = round(21 + wave + chance.gauss(0, 0.2), 1), round(47 - 4 * wave, 1)
            rows.append(ReadOut(first_at + number * READ_EVERY, t_c, "c", rh_pct, number + 1))
        source = Source(f"{first}.csv", f"{first:064d}", "T1")
        store_readings(rows, zone=zone, source=source, by=by, now=now)
    return first_at + (readings - 1) * READ_EVERY


def _hold_to(room: Room, at: datetime) -> None:
    """Refuse a figure of a state that does not tell the last reading."""
    rests = RoomState.objects.get(room=room).rests
    if not rests or any(one["rest"]["last_reading_at"] != at.isoformat() for one in rests):
        raise RuntimeError("the state does not tell the last reading")
