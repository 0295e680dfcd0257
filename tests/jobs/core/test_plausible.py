"""What looks wrong in a reading: thresholds of common practice, no source; each case worked by hand."""

from __future__ import annotations

from itertools import permutations

import pytest

from jobs.core.plausible import (
    AIR_C,
    AIR_PCT,
    JUMP_K,
    JUMP_K_AN_HOUR,
    JUMP_PCT,
    JUMP_PCT_AN_HOUR,
    NEIGHBOUR_S,
    STUCK_GAP_S,
    STUCK_S,
    Seen,
    doubts,
)

MINUTE, HOUR = 60, 3_600


def run(*temperatures, every=5 * MINUTE, rh=45.0):
    return [Seen(n * every, t, rh) for n, t in enumerate(temperatures)]


def kinds(seen):
    return {index: sorted(found) for index, found in doubts(seen).items()}


# ---- range


@pytest.mark.parametrize("air", [(AIR_C[0], 50), (AIR_C[1], 50), (20, AIR_PCT[0]), (20, AIR_PCT[1])])
def test_the_limits_of_a_rooms_air_are_inside_it(air):
    assert doubts([Seen(0, *air)]) == {}


@pytest.mark.parametrize(
    "air", [(AIR_C[0] - 0.1, 50), (AIR_C[1] + 0.1, 50), (20, AIR_PCT[0] - 0.1), (20, AIR_PCT[1] + 0.1)]
)
def test_past_them_no_room_is(air):
    assert kinds([Seen(0, *air)]) == {0: ["range"]}


# ---- jump


def test_out_and_back_is_a_jump():
    assert kinds(run(20.5, 20.6, 34.0, 20.6, 20.5)) == {2: ["jump"]}


def test_a_humidity_that_falls_out_is_one_too():
    seen = run(20.5, 20.6, 20.7, 20.6, 20.5)
    seen[2] = seen[2]._replace(rh_pct=10.0)

    assert kinds(seen) == {2: ["jump"]}


def test_a_step_that_stays_is_none():
    # A door is opened on a winter's day.
    assert doubts(run(20.5, 20.6, 8.0, 7.5, 7.4)) == {}


def test_a_quick_ramp_is_none():
    assert doubts(run(8.0, 8.0, 14.0, 20.0, 26.0, 26.0)) == {}


@pytest.mark.parametrize("away", [1, -1])
@pytest.mark.parametrize(("minutes", "most"), [(5, 5.0), (15, 7.0), (60, 16.0)])
def test_how_far_a_neighbour_may_be_grows_with_the_time_between(minutes, most, away):
    # 4 K at once and 12 K an hour: in 5, 15 and 60 minutes 4 + 1, 4 + 3 and 4 + 12.
    assert JUMP_K + JUMP_K_AN_HOUR * minutes / 60 == most
    every = minutes * MINUTE

    assert doubts(run(20.0, 20.0, 20.0 + away * most, 20.0, 20.0, every=every)) == {}
    assert kinds(run(20.0, 20.0, 20.0 + away * (most + 0.1), 20.0, 20.0, every=every)) == {2: ["jump"]}


def test_so_does_how_far_a_humidity_may_be():
    # 15 % at once and 40 % an hour: 25 % in a quarter of an hour.
    assert JUMP_PCT + JUMP_PCT_AN_HOUR / 4 == 25
    seen = [Seen(0, 20, 40), Seen(900, 20, 65), Seen(1800, 20, 40)]

    assert doubts(seen) == {}
    assert kinds([seen[0], Seen(900, 20, 65.1), seen[2]]) == {1: ["jump"]}


def test_a_neighbour_more_than_an_hour_away_says_nothing():
    far = [Seen(0, 20, 45), Seen(NEIGHBOUR_S + 1, 50, 45), Seen(2 * NEIGHBOUR_S + 2, 20, 45)]

    assert doubts(far) == {}


def test_the_first_and_the_last_are_compared_with_two_on_their_side():
    assert kinds(run(34.0, 20.5, 20.6, 20.7)) == {0: ["jump"]}
    assert kinds(run(20.5, 20.6, 20.7, 34.0)) == {3: ["jump"]}
    # Behind a jump the last one agrees with the one before it.
    assert kinds(run(20.5, 20.6, 34.0, 20.7)) == {2: ["jump"]}


def test_of_two_that_differ_nobody_knows_which_is_wrong():
    assert kinds(run(20.5, 34.0)) == {0: ["jump"], 1: ["jump"]}


def test_two_wrong_ones_in_a_row_speak_for_each_other():
    assert doubts(run(20.5, 20.6, 34.0, 34.1, 20.6, 20.5)) == {}


def test_one_alone_and_none_at_all_are_as_they_are():
    assert doubts([]) == {}
    assert doubts(run(20.5)) == {}


# ---- stuck


def test_the_very_same_pair_for_twelve_hours_is_a_stuck_sensor():
    every = 10 * MINUTE
    readings = STUCK_S // every
    seen = run(*[21.3] * (readings + 2), every=every)

    assert kinds(seen[:readings]) == {}
    # Twelve hours later, and from then on.
    assert kinds(seen) == {readings: ["stuck"], readings + 1: ["stuck"]}


@pytest.mark.parametrize("changes", [{"t_c": 21.4}, {"rh_pct": 45.1}])
def test_a_flicker_of_either_begins_anew(changes):
    every = 10 * MINUTE
    seen = run(*[21.3] * 80, every=every)
    seen[40] = seen[40]._replace(**changes)

    assert doubts(seen) == {}


def test_a_long_gap_begins_anew():
    half = STUCK_S // 2 + HOUR
    before = [Seen(at, 21.3, 45.0) for at in range(0, half, 10 * MINUTE)]
    last = before[-1].at_s

    bridged = before + [Seen(last + STUCK_GAP_S + at, 21.3, 45.0) for at in range(0, half, 10 * MINUTE)]
    parted = before + [Seen(last + STUCK_GAP_S + 1 + at, 21.3, 45.0) for at in range(0, half, 10 * MINUTE)]

    assert "stuck" in set().union(*kinds(bridged).values())
    assert doubts(parted) == {}


# ---- all of them


def test_one_reading_can_be_doubtful_in_two_ways():
    assert kinds(run(20.5, 70.0, 20.5)) == {1: ["jump", "range"]}


@pytest.mark.parametrize("order", list(permutations([0, 20, 21, 34])))
def test_what_is_found_does_not_depend_on_the_zero_of_time(order):
    seen = run(*order)
    later = [one._replace(at_s=one.at_s + 1_781_082_000) for one in seen]

    assert doubts(seen) == doubts(later)
