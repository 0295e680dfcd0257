"""The benchmarks of materials run, and set our rate against the limit's."""

from __future__ import annotations

import pytest

from materials.benchmarks import rest_recompute


def test_the_rest_is_measured_against_a_bare_loop():
    (row,) = rest_recompute(readings=500, rounds=3)

    assert row.ratio == pytest.approx(row.value / row.baseline)
    assert row.spread >= 0
