"""How long it takes from the rows of a thousand rooms to all their holds."""

from __future__ import annotations

from statistics import median

from config import clock
from config.bench import Row, benchmark, prepared, spread_of, timed
from scheduling import states
from scheduling.benchmarks.firm import add_rooms, open_business

ROOMS = 1_000
READINGS = 100_000
ROUNDS = 7


@benchmark("holds_1000_rooms_s")
def holds_1000_rooms(rooms: int = ROOMS, readings: int = READINGS, rounds: int = ROUNDS) -> list[Row]:
    """Time one call that gathers the rows of every room and judges its holds, rests and open acts.

    The rooms' zones share the readings, ten minutes apart, so nearly all of them are younger than the oldest
    sheets and are read.  Nothing is kept from one round to the next.
    """
    prepared()
    now = clock.read()
    made = add_rooms(open_business(now=now), rooms, readings=readings)
    keys = [room.pk for room in made]

    def judge() -> None:
        judged = states.judge(keys, now=now)
        assert len(judged) == rooms

    times = [timed(judge) for _ in range(rounds)]
    return [Row("holds_1000_rooms_s", median(times), "s", "less", goal=1.5, spread=spread_of(times))]
