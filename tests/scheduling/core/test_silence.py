"""Which loggers are silent where something hangs on it, and when the next one will be."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from jobs.core.words import say
from scheduling.core.silence import Heard, Stake, silences

NOW = datetime(2026, 6, 10, 9, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)
SECOND = timedelta(seconds=1)
WARD, HALL = 1, 2


def heard(ago, *, logger="L3", zone=WARD, after=HOUR):
    return Heard(logger, zone, f"zone {zone}", NOW - ago, after)


def stake(batch="7", *, zone=WARD, by=None):
    return Stake(zone, say("the rest of batch {batch}", batch=batch), by)


@pytest.mark.parametrize(
    ("ago", "is_silent"),
    [(HOUR - SECOND, False), (HOUR, True), (HOUR + SECOND, True), (-SECOND, False)],
    ids=["one-second-less", "the-limit-itself", "one-second-past", "a-clock-that-runs-ahead"],
)
def test_a_logger_is_silent_from_its_own_limit_on(ago, is_silent):
    found, _turn = silences([heard(ago)], [stake()], now=NOW)

    assert bool(found) is is_silent


def test_the_answer_is_good_until_the_next_one_falls_silent():
    loggers = [
        heard(timedelta(minutes=20)),
        heard(timedelta(minutes=50), logger="L4"),
        heard(2 * HOUR, logger="L5"),
    ]

    found, turn = silences(loggers, [stake()], now=NOW)

    assert [one.logger for one in found] == ["L5"]
    # Heard 50 minutes ago: 10 are left of its hour.
    assert turn == NOW + timedelta(minutes=10)
    assert silences(loggers, [stake()], now=turn - SECOND)[0] == found
    assert [one.logger for one in silences(loggers, [stake()], now=turn)[0]] == ["L5", "L4"]


def test_a_zone_in_which_nothing_hangs_on_the_air_bothers_nobody():
    assert silences([heard(9 * HOUR)], [], now=NOW) == ((), None)
    assert silences([heard(9 * HOUR), heard(SECOND)], [stake(zone=HALL)], now=NOW) == ((), None)


def test_the_most_urgent_stake_comes_first_and_names_by_when():
    soon, later = NOW + HOUR, NOW + 3 * HOUR
    stakes = [stake("1"), stake("2", by=later), stake("3", by=soon), stake("4", zone=HALL, by=NOW)]

    (found,), turn = silences([heard(2 * HOUR)], stakes, now=NOW)

    assert [one.says.values["batch"] for one in found.stakes] == ["3", "2", "1"]
    assert (found.read_by, found.since, turn) == (soon, NOW - 2 * HOUR, None)


def test_the_most_urgent_silence_comes_first():
    loggers = [heard(5 * HOUR), heard(2 * HOUR, logger="L4", zone=HALL)]
    stakes = [stake(), stake(zone=HALL, by=NOW + HOUR)]

    found, _turn = silences(loggers, stakes, now=NOW)

    assert [one.key for one in found] == [("L4", HALL), ("L3", WARD)]


def test_another_that_still_reports_there_is_named_and_then_it_costs_nothing():
    loggers = [heard(2 * HOUR), heard(timedelta(minutes=5), logger="L4"), heard(3 * HOUR, zone=HALL)]
    stakes = [stake(by=NOW + HOUR), stake(zone=HALL)]

    (hall, ward), turn = silences(loggers, stakes, now=NOW)

    assert (hall.others, ward.others, ward.read_by) == ((), ("L4",), None)
    assert turn == NOW + timedelta(minutes=55)
    assert all(one.others == () for one in silences(loggers, stakes, now=turn)[0])
