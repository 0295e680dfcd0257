"""The slab against textbook roots, worked temperatures and its own exact limits."""

from __future__ import annotations

import csv
import math
from itertools import accumulate
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from materials.core.slab import March, Slab, coefficient, modes_of, root, roots

CHECKS = Path(__file__).parents[3] / "fixtures" / "checks"


def table(name):
    lines = [line for line in (CHECKS / name).read_text().splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


EIGEN = table("plane_wall_eigen.csv")
EXAMPLES = table("transient_examples.csv")


# Source: fixtures/checks/plane_wall_eigen.csv, by a root finder of an open library; six decimals.
@pytest.mark.parametrize("row", EIGEN, ids=lambda row: f"Bi-{row['bi']}")
def test_roots_and_first_coefficient_agree_with_the_table(row):
    found = roots(float(row["bi"]), 4)

    wanted = [float(row[f"zeta{n}"]) for n in range(1, 5)]
    assert found == pytest.approx(wanted, abs=6e-7)
    assert coefficient(found[0]) == pytest.approx(float(row["c1"]), abs=6e-7)


# Source: the usual textbook table (Incropera and DeWitt, Table 5.1; Çengel, Table 4-2), from memory.  Its first
# coefficient at Bi 5 is remembered as 1.2403 and comes to 1.240249.
@pytest.mark.parametrize(
    "row", [row for row in EIGEN if row["book_zeta1"]], ids=lambda row: f"Bi-{row['bi']}"
)
def test_roots_and_first_coefficient_agree_with_the_books(row):
    first = root(float(row["bi"]), 0)

    assert first == pytest.approx(float(row["book_zeta1"]), abs=5.1e-5)
    assert coefficient(first) == pytest.approx(float(row["book_c1"]), abs=5.2e-5)


# Trade facts, section 4, exact checks: Bi→0: ζ² → Bi; Bi→∞: ζ → π/2, C → 4/π.
def test_the_first_root_has_its_limits():
    assert root(1e-10, 0) ** 2 == pytest.approx(1e-10, rel=1e-9)
    assert root(1e9, 0) == pytest.approx(math.pi / 2, rel=1e-8)
    assert coefficient(root(1e9, 0)) == pytest.approx(4 / math.pi, rel=1e-8)


@pytest.mark.parametrize("biot", [1e-12, 1e-6, 0.01, 0.5, 1, 8.1, 100, 1e4, 1e7])
def test_every_root_is_one_and_lies_in_its_own_bracket(biot):
    for n, zeta in enumerate(roots(biot, 80)):
        assert n * math.pi <= zeta < (n + 0.5) * math.pi
        # Over its slope, so that it is an error of the root.
        slope = (1 + biot) * math.sin(zeta) + zeta * math.cos(zeta)
        assert abs((zeta * math.sin(zeta) - biot * math.cos(zeta)) / slope) < 1e-12 * zeta + 1e-16


@pytest.mark.parametrize("biot", [0.05, 1, 8.1, 100])
def test_the_modes_are_those_of_one_whole_at_the_start(biot):
    slab = Slab(depth_m=0.1, conductivity=0.1, heat_capacity=1.8e6, transfer=biot)

    assert slab.biot == pytest.approx(biot)
    for weights in (modes_of(slab, 20).core, modes_of(slab, 20).face):
        assert sum(weights) == pytest.approx(1, abs=1e-12)


# Source: fixtures/checks/transient_examples.csv, by an open library; tolerance 0.001 K as it says.
@pytest.mark.parametrize("row", EXAMPLES, ids=lambda row: row["case"])
def test_temperatures_agree_with_the_library_and_the_books(row):
    slab = Slab(
        depth_m=float(row["half_m"]),
        conductivity=float(row["k"]),
        heat_capacity=float(row["rho"]) * float(row["c"]),
        transfer=float(row["h"]),
    )
    air_c = float(row["t_air_c"])
    march = March.uniform(slab, 60, float(row["t_start_c"]) - air_c)

    march.move(float(row["t_s"]), 0)

    t_c = air_c + (march.face_k if float(row["x_m"]) else march.core_k)
    assert slab.biot == pytest.approx(float(row["biot"]), rel=1e-3)
    assert t_c == pytest.approx(float(row["library_c"]), abs=0.001)
    if row["book_c"]:
        # A chart is read to 3 K, rounded roots to 0.25 K (trade facts, section 4).
        near = 3 if row["case"].startswith("brass") else 0.25
        assert t_c == pytest.approx(float(row["book_c"]), abs=near)


SKID_OF_80 = Slab(depth_m=0.184, conductivity=0.13372, heat_capacity=1.8e6, transfer=5.9)


# ∫₀¹ of the profile is the heat, and what it loses is what goes through the face: exact, worked by hand.
def test_a_slab_behind_a_room_that_warms_steadily_lags_by_its_steady_profile():
    march = March.uniform(SKID_OF_80, 20, 0)
    slope = 1 / 3600

    march.move(2000 * 3600, slope)

    # Steady lag: s·L²/α·((1 - x²)/2 + 1/Bi).
    lag = slope * SKID_OF_80.unit_s
    assert march.core_k == pytest.approx(-lag * (0.5 + 1 / SKID_OF_80.biot), rel=1e-4)
    assert march.face_k == pytest.approx(-lag / SKID_OF_80.biot, rel=2e-4)


@pytest.mark.parametrize("hours", [0.1, 0.7, 3, 30, 300])
def test_few_modes_and_the_one_for_the_rest_come_to_what_many_come_to(hours):
    few, many = March.uniform(SKID_OF_80, 64, -19), March.uniform(SKID_OF_80, 2000, -19)

    for march in (few, many):
        march.move(hours * 3600, 1e-4)

    assert few.core_k == pytest.approx(many.core_k, abs=1e-4)
    assert few.face_k == pytest.approx(many.face_k, abs=0.02)


def test_two_moves_are_one():
    once, twice = March.uniform(SKID_OF_80, 20, -19), March.uniform(SKID_OF_80, 20, -19)

    once.move(7200, 3e-4)
    twice.move(2000, 3e-4)
    twice.move(5200, 3e-4)

    assert twice.parts == pytest.approx(once.parts, abs=1e-9)


def test_a_profile_that_is_read_off_and_put_in_again_goes_on_as_before():
    march = March.uniform(SKID_OF_80, 64, -19)
    march.move(40 * 3600, 0)
    again = March.shaped(SKID_OF_80, 64, march.profile())

    for one in (march, again):
        one.move(20 * 3600, 0)

    assert again.core_k == pytest.approx(march.core_k, abs=0.02)
    assert again.face_k == pytest.approx(march.face_k, abs=0.02)


def test_modes_that_have_died_are_given_up_without_a_trace():
    march, whole = March.uniform(SKID_OF_80, 64, -19), March.uniform(SKID_OF_80, 64, -19)
    for one in (march, whole):
        one.move(40 * 3600, 1e-4)
    march.keep(8)
    for one in (march, whole):
        one.move(40 * 3600, -1e-4)

    assert march.core_k == pytest.approx(whole.core_k, abs=0.01)
    assert march.face_k == pytest.approx(whole.face_k, abs=0.01)


@settings(max_examples=60, deadline=None)
@given(
    st.floats(-20, 20),
    st.lists(st.tuples(st.floats(60, 7200), st.floats(-1e-3, 1e-3)), min_size=1, max_size=8),
    st.floats(0.1, 5),
)
def test_a_core_moves_no_quicker_than_it_is_said_to_whatever_the_room_does(excess_k, pieces, distance_k):
    march = March.uniform(SKID_OF_80, 16, excess_k)
    march.move(5 * 3600, 2e-4)
    rooms = list(accumulate((seconds * slope for seconds, slope in pieces), initial=0.0))
    steepest = max(abs(slope) for _, slope in pieces)
    core_k, gone = march.core_k, 0.0

    surely = march.core_stays_off(distance_k, swing_k=max(rooms) - min(rooms), steepest=steepest)

    for (seconds, slope), room_k in zip(pieces, rooms[1:], strict=True):
        gone += seconds
        march.move(seconds, slope)
        if gone <= surely:
            assert abs(room_k + march.core_k - core_k) <= distance_k + 1e-9
