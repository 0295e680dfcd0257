"""Moisture of wood, against the published table, another form of the formula and worked shares of its change."""

from __future__ import annotations

import csv
import math
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from jobs.core.wood import (
    AIR_RH_PCT,
    SettledMoisture,
    Share,
    change_after,
    hours_words,
    settled_moisture,
    settled_moisture_over,
    uptake,
)

TABLE = Path(__file__).parents[3] / "fixtures" / "checks" / "wood_emc.csv"
MM = 1_000_000
NOON = datetime(2026, 5, 4, 12, tzinfo=UTC)
AT_NOON = int(NOON.timestamp())


def rows():
    lines = [line for line in TABLE.read_text().splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


def air(row):
    return float(row["t_c"]), float(row["rh_pct"])


def hours(count):
    return timedelta(hours=count)


WARM, FROZEN = [row for row in rows() if air(row)[0] >= 0], [row for row in rows() if air(row)[0] < 0]


# Source: fixtures/checks/wood_emc.csv, the US Forest Products Laboratory's table as reproduced on a public page;
# tolerances as it says.
@pytest.mark.parametrize("row", WARM, ids=lambda row: f"{row['t_f']}F-{row['rh_pct']}")
def test_wood_settles_where_the_published_table_says(row):
    found = settled_moisture(*air(row))

    assert found == pytest.approx(float(row["table_pct"]), abs=0.06)
    assert found == pytest.approx(float(row["formula_pct"]), abs=0.005)


@pytest.mark.parametrize("row", FROZEN, ids=lambda row: f"{row['t_f']}F-{row['rh_pct']}")
def test_frozen_air_is_not_spoken_of_though_the_table_goes_there(row):
    with pytest.raises(ValueError, match="outside"):
        settled_moisture(*air(row))


# Trade facts 2.3: the form in °F, from memory, differs by at most 0.011 points over the table.
@pytest.mark.parametrize("row", WARM, ids=lambda row: f"{row['t_f']}F-{row['rh_pct']}")
def test_the_other_form_of_the_formula_comes_to_the_same(row):
    t_f = air(row)[0] * 1.8 + 32
    w = 330 + 0.452 * t_f + 0.00415 * t_f**2
    k = 0.791 + 0.000463 * t_f - 0.000000844 * t_f**2
    k1 = 6.34 + 0.000775 * t_f - 0.0000935 * t_f**2
    k2 = 1.09 + 0.0284 * t_f - 0.0000904 * t_f**2
    kh = k * air(row)[1] / 100
    other = 1800 / w * (kh / (1 - kh) + (k1 * kh + 2 * k1 * k2 * kh**2) / (1 + k1 * kh + k1 * k2 * kh**2))

    assert settled_moisture(*air(row)) == pytest.approx(other, abs=0.0125)


# Trade facts, section 2, values of 2.2, computed there.
@pytest.mark.parametrize(
    ("t_c", "rh_pct", "wanted"),
    [(21, 30, 6.17), (21, 50, 9.25), (21, 65, 11.96), (21, 80, 15.99), (5, 85, 18.47), (10, 80, 16.38)],
)
def test_wood_settles_at_the_values_of_trade_facts(t_c, rh_pct, wanted):
    assert settled_moisture(t_c, rh_pct) == pytest.approx(wanted, abs=0.006)


@pytest.mark.parametrize(("t_c", "rh_pct"), [(-0.01, 50), (60.01, 50), (21, -0.1), (21, 98.1), (21, 100)])
def test_air_that_the_formula_does_not_speak_of_is_refused(t_c, rh_pct):
    with pytest.raises(ValueError, match="outside"):
        settled_moisture(t_c, rh_pct)


@pytest.mark.parametrize(("t_c", "rh_pct"), [(0, 50), (60, 50), (21, 0), (21, 98)])
def test_the_edges_of_its_range_are_inside(t_c, rh_pct):
    assert 0 <= settled_moisture(t_c, rh_pct) < 30


@settings(max_examples=100)
@given(st.floats(0, 60), st.floats(0, 97), st.floats(0.01, 1))
def test_damper_air_makes_wetter_wood(t_c, rh_pct, more):
    assert settled_moisture(t_c, rh_pct) < settled_moisture(t_c, rh_pct + more)


# ---- over a span ----


def over(readings, *, from_h=0.0, to_h=24.0, max_gap_h=6.0):
    """Of readings (hours after noon, °C, %)."""
    at, t_c, rh_pct = zip(*readings, strict=True) if readings else ((), (), ())
    return settled_moisture_over(
        [AT_NOON + round(3600 * at_h) for at_h in at],
        t_c,
        rh_pct,
        from_at=NOON + hours(from_h),
        to_at=NOON + hours(to_h),
        max_gap=hours(max_gap_h),
    )


DRY, DAMP = settled_moisture(21, 50), settled_moisture(21, 80)


def test_air_that_stays_gives_what_it_settles_at():
    found = over([(0, 21, 50), (6, 21, 50), (12, 21, 50), (18, 21, 50), (24, 21, 50)])

    assert found == SettledMoisture(pytest.approx(DRY), pytest.approx(DRY), pytest.approx(DRY), hours(24), 0)


# Worked by hand: 3 h at dry, 1 h from dry to damp, 2 h at damp.
def test_the_mean_is_by_time_and_not_by_readings():
    found = over([(0, 21, 50), (3, 21, 50), (4, 21, 80), (5, 21, 80), (6, 21, 80)])

    assert found.mean_pct == pytest.approx((3 * DRY + 1 * (DRY + DAMP) / 2 + 2 * DAMP) / 6)
    assert (found.low_pct, found.high_pct) == (pytest.approx(DRY), pytest.approx(DAMP))
    assert found.covered == hours(6)


def test_a_gap_is_left_out_and_exactly_the_longest_is_none():
    found = over([(0, 21, 50), (6, 21, 50), (12.001, 21, 80), (13.001, 21, 80)])

    assert found.covered == hours(7)
    assert found.mean_pct == pytest.approx((6 * DRY + 1 * DAMP) / 7)


def test_the_reading_before_the_span_speaks_for_its_beginning_and_the_one_after_for_its_end():
    found = over([(-3, 21, 50), (3, 21, 80), (21, 21, 80), (27, 21, 50)], max_gap_h=6)

    # Half of each straight line lies inside.
    half = (DRY + DAMP) / 2
    assert found.covered == hours(6)
    assert found.mean_pct == pytest.approx((half + DAMP) / 2)
    assert (found.low_pct, found.high_pct) == (pytest.approx(half), pytest.approx(DAMP))


def test_air_outside_the_formula_is_left_out_and_counted():
    found = over([(0, 21, 50), (2, 21, 50), (4, 21, 99), (6, -1, 50), (8, 21, 50), (10, 21, 50)])

    assert (found.outside, found.covered) == (2, hours(4))
    assert found.mean_pct == pytest.approx(DRY)


@pytest.mark.parametrize(
    "readings",
    [
        pytest.param([], id="none"),
        pytest.param([(5, 21, 50)], id="one"),
        pytest.param([(-9, 21, 50), (-8, 21, 50), (30, 21, 50), (31, 21, 50)], id="none-inside"),
        pytest.param([(0, 21, 50), (24, 21, 50)], id="too-far-apart"),
        pytest.param([(0, 21, 99), (1, 21, 99.5)], id="too-damp"),
    ],
)
def test_where_no_readings_speak_nothing_is_told(readings):
    assert over(readings) is None


@settings(max_examples=60)
@given(
    st.lists(st.tuples(st.integers(0, 86_400), st.floats(0, 40), st.floats(0, AIR_RH_PCT[1])), max_size=20)
)
def test_a_mean_lies_between_its_extremes_and_covers_no_more_than_the_span(rows):
    readings = [
        (at / 3600, t_c, rh_pct) for at, t_c, rh_pct in sorted({row[0]: row for row in rows}.values())
    ]

    found = over(readings, from_h=2, to_h=20)

    if found is not None:
        assert found.low_pct - 1e-9 <= found.mean_pct <= found.high_pct + 1e-9
        assert timedelta(0) < found.covered <= hours(18)


# ---- how slowly ----


# Crank, Mathematics of Diffusion, from memory: nine tenths at Fo 0.84809.
def test_nine_tenths_of_a_change_are_made_at_the_books_fourier_number():
    assert uptake(0.84809) == pytest.approx(0.9, abs=2e-6)


@pytest.mark.parametrize("fourier", [1e-4, 0.001, 0.01, 0.05, 0.0599, 0.06, 0.1, 0.5, 2])
def test_the_share_is_that_of_the_long_series(fourier):
    long = 1 - sum(
        8 / (n * math.pi) ** 2 * math.exp(-((n * math.pi / 2) ** 2) * fourier) for n in range(1, 20_001, 2)
    )

    assert uptake(fourier) == pytest.approx(long, abs=1e-4)


# Trade facts, section 2, of a 12 mm board after 24 h: strand board by the dry and by the wet cup 27 and 34 %
# faced, 53 and 67 % bare; plywood by the dry cup 14 and 28 %.  Derived there.
@pytest.mark.parametrize(
    ("is_faced", "wanted"),
    [
        pytest.param(True, Share(0.14, 0.27, 0.34), id="faced"),
        pytest.param(False, Share(0.28, 0.53, 0.67), id="bare"),
    ],
)
def test_a_day_makes_part_of_a_change(is_faced, wanted):
    found = change_after(hours(24), board_nm=12 * MM, is_faced=is_faced)

    assert (found.low, found.usual, found.high) == pytest.approx(
        (wanted.low, wanted.usual, wanted.high), abs=0.006
    )


# The same table: nine tenths after 57 d (faced) and 14 d (bare) of the slowest, 9 d and 2 d of the quickest board.
@pytest.mark.parametrize(
    ("is_faced", "slow_d", "quick_d"),
    [pytest.param(True, 57, 9.4, id="faced"), pytest.param(False, 14, 2.35, id="bare")],
)
def test_nine_tenths_take_weeks(is_faced, slow_d, quick_d):
    slow = change_after(timedelta(days=slow_d), board_nm=12 * MM, is_faced=is_faced)
    quick = change_after(timedelta(days=quick_d), board_nm=12 * MM, is_faced=is_faced)

    assert slow.low == pytest.approx(0.9, abs=0.01)
    assert quick.high == pytest.approx(0.9, abs=0.01)


def test_nothing_changes_in_no_time():
    assert change_after(hours(0), board_nm=12 * MM, is_faced=True) == Share(0, 0, 0)


@pytest.mark.parametrize(("length", "board_nm"), [(hours(-1), 12 * MM), (hours(1), 0)])
def test_no_board_and_no_time_are_refused(length, board_nm):
    with pytest.raises(ValueError, match="board"):
        change_after(length, board_nm=board_nm, is_faced=True)


def test_the_words_say_that_hours_do_not_prove_it():
    words = hours_words(hours(24), board_nm=12 * MM)

    assert words.text.startswith("Hours do not prove the wood")
    assert (words.values["low"], words.values["high"]) == (14, 34)
