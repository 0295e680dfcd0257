"""The benchmarks of materials run, and set our rate against the limit's."""

from __future__ import annotations

import pytest

from materials.benchmarks import rest_increment, rest_rebuild, rest_recompute, warmup_week


def test_the_rest_is_measured_against_a_bare_loop():
    (row,) = rest_recompute(readings=500, rounds=3)

    assert row.ratio == pytest.approx(row.value / row.baseline)
    assert row.spread >= 0


def test_the_warming_of_a_stack_is_measured_in_milliseconds():
    (row,) = warmup_week(readings=50, rounds=3)

    assert (row.unit, row.good, row.goal) == ("ms", "less", 100)
    assert row.value > 0


def test_a_reading_more_is_measured_beside_the_readings_of_a_day():
    (row,) = rest_increment(readings=500, rounds=3, advances=2)

    assert (row.unit, row.good, row.goal) == ("µs", "less", 50)
    assert row.baseline > 0


def test_a_run_made_anew_is_measured_beside_a_bare_loop():
    (row,) = rest_rebuild(readings=500, rounds=3)

    assert (row.unit, row.good, row.goal) == ("ms", "less", 100)
    assert row.ratio == pytest.approx(row.value / row.baseline)
