from __future__ import annotations

import csv
from pathlib import Path

import psychrolib
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from jobs.core.conditions import (
    Band,
    dew_point,
    dew_point_error,
    dew_point_slopes,
    lowest_sweating_humidity,
    saturation_hpa,
    sweats,
)

CHECKS = Path(__file__).parents[3] / "fixtures" / "checks"

psychrolib.SetUnitSystem(psychrolib.SI)


def table(name):
    lines = [line for line in (CHECKS / name).read_text().splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


DEW = table("dew_point.csv")


def name_of(row):
    return f"{row['t_c']}C-{row['rh_pct']}"


def air(row):
    return float(row["t_c"]), float(row["rh_pct"])


@pytest.mark.parametrize("row", [row for row in DEW if row["surface"] == "water"], ids=name_of)
def test_dew_points_agree_with_the_iapws_saturation_line(row):
    # Wagner and Pruss 2002; tolerance of trade facts, section 1.
    assert dew_point(*air(row)) == pytest.approx(float(row["iapws95_c"]), abs=0.05)


@pytest.mark.parametrize("row", DEW, ids=name_of)
def test_dew_points_agree_with_the_formula_of_wmo_8_also_below_freezing(row):
    assert dew_point(*air(row)) == pytest.approx(float(row["magnus_wmo_c"]), abs=0.002)


@pytest.mark.parametrize("row", [row for row in DEW if row["surface"] == "ice"], ids=name_of)
def test_below_freezing_it_is_the_dew_point_over_water_and_not_the_frost_point(row):
    # MetPy gives the dew point over supercooled water; PsychroLib and CoolProp the frost point above it.
    assert dew_point(*air(row)) == pytest.approx(float(row["metpy_c"]), abs=0.05)
    assert dew_point(*air(row)) < float(row["psychrolib_c"])


@pytest.mark.parametrize("t_c", [0.5, 5, 15, 21, 35, 50, 60])
@pytest.mark.parametrize("rh_pct", [30, 55, 80, 99.9])
def test_dew_points_agree_with_a_reference_library_above_freezing(t_c, rh_pct):
    expected = psychrolib.GetTDewPointFromRelHum(t_c, rh_pct / 100)
    if expected < 0.01:
        # There the library gives the frost point, which lies above.
        assert dew_point(t_c, rh_pct) < expected
    else:
        assert dew_point(t_c, rh_pct) == pytest.approx(expected, abs=0.1)


@pytest.mark.parametrize("row", table("saturation_vapour_pressure.csv"), ids=lambda row: row["t_c"])
def test_saturation_agrees_with_the_iapws_line(row):
    assert saturation_hpa(float(row["t_c"])) == pytest.approx(float(row["iapws95_hpa"]), rel=0.0035)


@pytest.mark.parametrize("row", table("ashrae_saturation.csv"), ids=lambda row: row["t_c"])
def test_saturation_agrees_with_the_ashrae_table(row):
    assert saturation_hpa(float(row["t_c"])) * 100 == pytest.approx(float(row["ashrae_pa"]), rel=0.0035)


@pytest.mark.parametrize(("surface_c", "t_c", "rh_pct"), [(2, 21, 28.4), (5, 18, 42.3), (10, 21, 49.4)])
def test_a_cold_panel_sweats_from_this_humidity_on(surface_c, t_c, rh_pct):
    # Trade facts, section 1, "lowest humidity at which a surface sweats", to a tenth of a percent.
    assert 100 * saturation_hpa(surface_c) / saturation_hpa(t_c) == pytest.approx(rh_pct, abs=0.05)
    assert not sweats(surface_c, dew_point(t_c, rh_pct - 0.1))
    assert sweats(surface_c, dew_point(t_c, rh_pct + 0.1))


@settings(deadline=None)
@given(st.floats(-20, 60))
def test_saturated_air_has_its_own_temperature_as_dew_point(t_c):
    assert dew_point(t_c, 100) == t_c
    assert dew_point(t_c, 99.9999999) == pytest.approx(t_c, abs=0.001)


@settings(deadline=None)
@given(st.floats(-20, 60), st.floats(0.001, 99))
def test_more_water_raises_the_dew_point_and_never_above_the_air(t_c, rh_pct):
    assert dew_point(t_c, rh_pct) < dew_point(t_c, rh_pct + 1) <= t_c + 1e-9


@pytest.mark.parametrize(
    ("t_c", "rh_pct"),
    [(-20.01, 50), (60.01, 50), (20, 0), (20, -1), (20, 100.01), (float("nan"), 50), (20, float("nan"))],
)
def test_air_outside_its_range_is_refused_and_never_clamped(t_c, rh_pct):
    with pytest.raises(ValueError, match=r"outside|not above 0"):
        dew_point(t_c, rh_pct)


def test_the_least_trace_of_water_still_has_a_dew_point():
    assert -243.12 < dew_point(20, 5e-324) < -200


@pytest.mark.parametrize(
    ("surface_c", "clearance_k", "wet"),
    [
        pytest.param(20, 0, False, id="exactly-at-the-dew-point-is-dry"),
        pytest.param(19.999, 0, True, id="below-it-is-wet"),
        pytest.param(23, 3, False, id="exactly-the-clearance-is-enough"),
        pytest.param(22.999, 3, True, id="less-than-the-clearance-is-not"),
        pytest.param(20.3, 0.3, False, id="equal-in-decimals-is-equal"),
    ],
)
def test_a_surface_sweats_below_its_clearance_over_the_dew_point(surface_c, clearance_k, wet):
    assert sweats(surface_c, dew_point(20, 100), clearance_k=clearance_k) is wet


@pytest.mark.parametrize(
    ("t_c", "rh_pct", "inside"),
    [
        (18, 30, True),
        (26, 60, True),
        (17.99, 45, False),
        (26.01, 45, False),
        (20, 29.99, False),
        (20, 60.01, False),
    ],
)
def test_a_band_includes_its_limits(t_c, rh_pct, inside):
    assert Band(18, 26, 30, 60).admits(t_c, rh_pct) is inside


def test_two_bands_meet_in_what_lies_in_both_or_not_at_all():
    assert Band(18, 26, 30, 60).within(Band(20, 30, 20, 50)) == Band(20, 26, 30, 50)
    assert Band(18, 26, 30, 60).within(Band(26, 30, 60, 70)) == Band(26, 26, 60, 60)
    assert Band(18, 26, 30, 60).within(Band(27, 30, 30, 60)) is None


@pytest.mark.parametrize("limits", [(26, 18, 30, 60), (18, 26, 60, 30)])
def test_a_band_upside_down_is_an_error(limits):
    with pytest.raises(ValueError, match="above"):
        Band(*limits)


# ---- what a meter's errors make of a dew point, and from which humidity on a surface sweats ----


# Trade facts, section 1: ±0.5 K and ±3 %; derived there.
@pytest.mark.parametrize(
    ("t_c", "rh_pct", "error_k", "near"),
    [(21, 50, 1.0, 0.05), (21, 30, 1.5, 0.05), (25, 60, 0.9, 0.05), (15, 80, 0.75, 0.005)],
)
def test_a_meters_errors_make_about_a_kelvin_of_dew_point(t_c, rh_pct, error_k, near):
    assert dew_point_error(t_c, rh_pct) == pytest.approx(error_k, abs=near)


# The same: 0.92 K/K and 0.30 K/% at 21 °C and 50 %.
def test_the_slopes_of_the_dew_point_are_those_of_trade_facts():
    assert dew_point_slopes(21, 50) == pytest.approx((0.92, 0.30), abs=0.005)


@settings(max_examples=100)
@given(st.floats(-10, 50), st.floats(5, 95))
def test_the_slopes_are_how_the_dew_point_moves(t_c, rh_pct):
    by_t, by_rh = dew_point_slopes(t_c, rh_pct)

    assert by_t == pytest.approx(
        (dew_point(t_c + 0.01, rh_pct) - dew_point(t_c - 0.01, rh_pct)) / 0.02, rel=1e-4
    )
    assert by_rh == pytest.approx(
        (dew_point(t_c, rh_pct + 0.01) - dew_point(t_c, rh_pct - 0.01)) / 0.02, rel=1e-4
    )


# Trade facts, section 1; derived there.
@pytest.mark.parametrize(
    ("surface_c", "t_c", "rh_pct"), [(2, 21, 28.4), (5, 18, 42.3), (10, 21, 49.4), (21, 21, 100)]
)
def test_a_surface_sweats_from_a_humidity_on(surface_c, t_c, rh_pct):
    assert lowest_sweating_humidity(surface_c, t_c) == pytest.approx(rh_pct, abs=0.05)


@settings(max_examples=100)
@given(st.floats(-10, 30), st.floats(0.1, 20))
def test_at_that_humidity_the_dew_point_is_the_surface(surface_c, warmer_k):
    t_c = surface_c + warmer_k

    assert dew_point(t_c, lowest_sweating_humidity(surface_c, t_c)) == pytest.approx(surface_c, abs=1e-6)
