"""How quick the cores of materials are, each beside a limit measured in the same run."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable
from datetime import timedelta
from functools import partial
from random import Random

from config.bench import Row, benchmark, side_by_side
from jobs.core.conditions import Band
from materials.core.air import Columns, RestRule, air_of, instant
from materials.core.rest import Presence, Rest, RestState, rest_in
from materials.core.running import AirRun
from materials.core.stack import Phase, Stack, Temperature, Warming, warming

READINGS = 100_000
LONG_READINGS = 1_000_000
ADVANCES = 500
ROUNDS = 9
WEEK_OF_READINGS = 7 * 24 * 12
# 1 January 2026, 00:00 UTC.
_START = 1_767_225_600
_RULE = RestRule(
    required=timedelta(hours=24),
    max_gap=timedelta(hours=18),
    restart_after=timedelta(hours=4),
    band=Band(t_min=18, t_max=24, rh_min=35, rh_max=55),
)


@benchmark("rest_recompute")
def rest_recompute(readings: int = READINGS, rounds: int = ROUNDS) -> list[Row]:
    """Measure the rest of a placement from its zone's readings against a bare loop over the same readings.

    The bare loop tests the band and sums the gaps, which is the least that any answer must do.  Both read the
    same columns.
    """
    columns = _logger_columns(readings)

    def ours() -> Rest:
        now = instant(columns.at[-1] + 60)
        air = air_of(_RULE, columns, now=now)
        stays = [Presence("zone", instant(columns.at[0]))]
        return rest_in({"zone": air}, presence=stays, opened_at=None, sheets_set_at=None, rule=_RULE, now=now)

    def bare() -> int:
        return _bare_loop(columns, _RULE.band)

    assert ours().state is not RestState.NOT_STARTED
    timed = side_by_side({"bare": bare, "ours": ours}, rounds=rounds)
    rates = {name: readings / time.median_s for name, time in timed.items()}
    return [
        Row(
            "rest_recompute",
            rates["ours"],
            "readings/s",
            "more",
            goal=0.25,
            goal_on="ratio",
            baseline=rates["bare"],
            spread=max(time.spread for time in timed.values()),
        )
    ]


@benchmark("rest_increment_us")
def rest_increment(
    readings: int = LONG_READINGS, rounds: int = ROUNDS, advances: int = ADVANCES
) -> list[Row]:
    """Move a placement's rest on by one reading after a million of its zone, from values; the median of `advances`.

    The run takes the reading, tells the air since the placement came a day ago, and the whole rest is made from
    it: state, sums, forecast, strip.  The limit is what it spares: the same rest from the readings of that day.
    """
    columns = _logger_columns(readings)
    at = columns.at[-1]
    run = AirRun()
    run.extend(columns, _RULE)
    last_day = columns.split(bisect_right(columns.at, at - 86_400))[1]

    def advance() -> Rest:
        nonlocal at
        at += 300
        run.extend(Columns((at,), (21.0,), (45.0,)), _RULE)
        now, came = instant(at + 60), instant(at - 86_400)
        air = run.air(_RULE, from_at=came, now=now)
        stays = [Presence("zone", came)]
        return rest_in({"zone": air}, presence=stays, opened_at=None, sheets_set_at=None, rule=_RULE, now=now)

    def from_readings() -> Rest:
        now = instant(last_day.at[-1] + 60)
        air = air_of(_RULE, last_day, now=now)
        stays = [Presence("zone", instant(last_day.at[0]))]
        return rest_in({"zone": air}, presence=stays, opened_at=None, sheets_set_at=None, rule=_RULE, now=now)

    assert advance().last_reading_at == instant(at)
    timed = side_by_side(
        {"ours": partial(_often, advance, advances), "day": partial(_often, from_readings, advances)},
        rounds=rounds,
    )
    return [
        Row(
            "rest_increment_us",
            timed["ours"].median_s / advances * 1e6,
            "µs",
            "less",
            goal=50,
            baseline=timed["day"].median_s / advances * 1e6,
            spread=timed["ours"].spread,
        )
    ]


@benchmark("rest_rebuild_100k_ms")
def rest_rebuild(readings: int = READINGS, rounds: int = ROUNDS) -> list[Row]:
    """Make a zone's run anew from all its readings and a placement's rest from it, from values.

    As when a reading comes late that is earlier than all others.  The limit is the bare loop over the readings.
    """
    columns = _logger_columns(readings)
    now, came = instant(columns.at[-1] + 60), instant(columns.at[0])

    def rebuild() -> Rest:
        run = AirRun()
        run.extend(columns, _RULE)
        air = run.air(_RULE, now=now)
        stays = [Presence("zone", came)]
        return rest_in({"zone": air}, presence=stays, opened_at=None, sheets_set_at=None, rule=_RULE, now=now)

    assert rebuild().state is not RestState.NOT_STARTED
    timed = side_by_side(
        {"ours": rebuild, "bare": partial(_bare_loop, columns, _RULE.band)},
        rounds=rounds,
    )
    return [
        Row(
            "rest_rebuild_100k_ms",
            timed["ours"].median_s * 1000,
            "ms",
            "less",
            goal=100,
            baseline=timed["bare"].median_s * 1000,
            spread=timed["ours"].spread,
        )
    ]


def _often(call: Callable[[], object], times: int) -> None:
    for _ in range(times):
        call()


def _bare_loop(columns: Columns, band: Band) -> int:
    t_min, t_max, rh_min, rh_max = band.t_min, band.t_max, band.rh_min, band.rh_max
    total = 0
    last: int | None = None
    for at, t_c, rh_pct in zip(columns.at, columns.t_c, columns.rh_pct, strict=True):
        if t_min <= t_c <= t_max and rh_min <= rh_pct <= rh_max:
            if last is not None:
                total += at - last
            last = at
        else:
            last = None
    return total


def _logger_columns(count: int) -> Columns:
    """Return a logger's readings five minutes apart: air that wanders about the band, now and then a gap."""
    random = Random(count)
    at, t_c, rh_pct = _START, 21.0, 45.0
    ats, temperatures, humidities = [], [], []
    for _ in range(count):
        at += 300 if random.random() > 0.001 else random.randint(3_600, 90_000)
        t_c += random.gauss(0, 0.05) + (21 - t_c) * 0.001
        rh_pct += random.gauss(0, 0.3) + (45 - rh_pct) * 0.01
        ats.append(at)
        temperatures.append(t_c)
        humidities.append(rh_pct)
    return Columns(ats, temperatures, humidities)


@benchmark("warmup_week_ms")
def warmup_week(readings: int = WEEK_OF_READINGS, rounds: int = ROUNDS) -> list[Row]:
    """Measure the whole range of a stack's warming, all three sets of constants, over a week read every 5 min.

    80 sheets that came at 2 °C and were unwrapped after a day, in a hall whose nights are 4 K colder and whose
    logger trembles by 0.2 K: nothing of it is a straight line.
    """
    random = Random(readings)
    at = [_START + 300 * i for i in range(readings)]
    t_c = [round(20 - 2 * math.cos(i / 288 * math.tau) + random.gauss(0, 0.2), 1) for i in range(readings)]
    came = instant(_START)
    stack = Stack(
        sheets=80,
        thickness_nm=2_300_000,
        width_nm=1_219_200_000,
        height_nm=2_438_400_000,
        start=Temperature(came, 2.0),
        phases=(Phase(came, wrapped=True), Phase(came + timedelta(days=1))),
    )

    def ours() -> Warming | None:
        return warming(stack, at=at, t_c=t_c, now=instant(at[-1] + 60))

    assert ours() is not None
    timed = side_by_side({"ours": ours}, rounds=rounds)["ours"]
    return [Row("warmup_week_ms", 1000 * timed.median_s, "ms", "less", goal=100, spread=timed.spread)]
