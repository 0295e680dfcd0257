"""When a stack has come to its room, against the lumped case, deep slabs and an independent numerical solution."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from materials.core.warmup import Arrangement, Knot, Material, WarmUp, core_temperatures, hours
from tests.materials.core.finite_volumes import Volumes

HOUR_S = 3600


def room(*knots):
    """A room from (hours, °C) pairs."""
    return tuple(Knot(at_h * HOUR_S, t_c) for at_h, t_c in knots)


def warm_up(**changes):
    standing = WarmUp(
        sheets=40,
        thickness_m=0.0025,
        arrangement=Arrangement.STACKED,
        start_c=0,
        room=room((0, 20)),
        tolerance_k=1,
        h=5,
    )
    return replace(standing, **changes)


# ---- by finite volumes: constant and moving rooms ----

WAVES = room((0, 5), (6, 22), (18, 8), (30, 22), (42, 8), (54, 22), (66, 8), (78, 21), (90, 12), (102, 20))
HEATED_LATE = room((0, 4), (30, 6), (30.5, 21), (60, 21), (61, 17))
COOLING = room((0, 18), (12, 10), (100, 9))
NUMERIC = [
    pytest.param(warm_up(), id="constant"),
    pytest.param(warm_up(sheets=80, thickness_m=0.0023, insulated_side=True, h=5.9), id="constant-skid"),
    pytest.param(warm_up(room=WAVES), id="waves"),
    pytest.param(warm_up(room=WAVES, sheets=12, insulated_side=True, tolerance_k=2), id="waves-thin"),
    pytest.param(warm_up(room=WAVES, sheets=90, contact_r=0.008, tolerance_k=3), id="waves-thick"),
    pytest.param(warm_up(room=HEATED_LATE), id="heated-late"),
    pytest.param(warm_up(room=HEATED_LATE, wrapped=True, wrap_r=0.3, sheets=20), id="heated-late-wrapped"),
    pytest.param(warm_up(room=COOLING, start_c=30, sheets=60), id="cooling"),
    pytest.param(warm_up(room=WAVES, arrangement=Arrangement.APART, start_c=-10), id="waves-apart"),
]
ASKED_S = (1800, 7 * HOUR_S, 33 * HOUR_S, 70 * HOUR_S)


def room_c(knots, at_s):
    """The room's temperature, written again: straight lines, the last stays."""
    for (begin, t_c), (end, later_c) in pairwise((knot.at_s, knot.t_c) for knot in knots):
        if begin <= at_s <= end:
            return t_c + (later_c - t_c) * (at_s - begin) / (end - begin)
    return knots[-1].t_c


def by_finite_volumes(case, *, until_h, asked_s, step_s=240):
    """Return the first hour within the tolerance, None if there is none, and the core when asked."""
    d, n = case.thickness_m, case.sheets if case.arrangement is Arrangement.STACKED else 1
    resistance = d / case.material.k + case.contact_r * (n - 1) / n
    wall = Volumes(
        depth_m=n * d / (1 if case.insulated_side else 2),
        k=d / resistance,
        rho_c=case.material.rho * case.material.c,
        h=1 / (1 / case.h + (case.wrap_r if case.wrapped else 0)),
        start_c=case.start_c,
        cells=60,
    )
    marks = sorted({knot.at_s for knot in case.room} | {0, *asked_s, 600, until_h * HOUR_S})
    first, cores = None, {}
    for begin, end in pairwise(mark for mark in marks if mark <= until_h * HOUR_S):
        wall.restart_steps()
        # Fine at first, where a uniform slab meets the room.
        fine = end <= 600 or case.arrangement is Arrangement.APART
        count = math.ceil((end - begin) / (min(10, step_s) if fine else step_s))
        for i in range(count):
            before, after = (begin + (end - begin) * j / count for j in (i, i + 1))
            wall.step(after - before, room_c(case.room, before), room_c(case.room, after))
            if first is None and wall.farthest_k(room_c(case.room, after)) <= case.tolerance_k:
                first = after / HOUR_S
        cores[end] = wall.core_c()
    return first, [cores[at_s] for at_s in asked_s]


@pytest.mark.parametrize("case", NUMERIC)
def test_hours_and_temperatures_agree_with_an_independent_numerical_solution(case):
    until_h = 4 if case.arrangement is Arrangement.APART else 200
    asked_s = [at_s for at_s in ASKED_S if at_s <= until_h * HOUR_S]

    first, cores = by_finite_volumes(case, until_h=until_h, asked_s=asked_s)

    found = hours(case, limit_h=until_h)
    assert found is not None
    assert first is not None
    # The steps of 240 s see a crossing late by up to one.
    assert found == pytest.approx(first, rel=0.005, abs=240 / HOUR_S)
    assert core_temperatures(case, asked_s) == pytest.approx(cores, abs=0.03)


# ---- exact limits ----


# Worked by hand: ρ·c·L/h·ln(ΔT/tol), a slab with next to no resistance inside.
def test_a_thin_slab_warms_as_one_lump():
    metal = Material(k=400, rho=8000, c=400)
    case = warm_up(sheets=1, thickness_m=0.002, material=metal)

    assert hours(case, limit_h=10) == pytest.approx(8000 * 400 * 0.001 / 5 * math.log(20) / HOUR_S, rel=1e-4)


# Worked by hand: a lump behind a room that warms by s K/s from its own temperature on lags by s·τ·(1 - e^(-t/τ)).
def test_a_thin_slab_lags_behind_a_room_that_warms_until_it_stops():
    metal = Material(k=400, rho=8000, c=400)
    case = warm_up(sheets=1, thickness_m=0.002, material=metal, room=room((0, 1), (20, 41)), tolerance_k=1)
    tau_h = 8000 * 400 * 0.001 / 5 / HOUR_S

    lag = 2 * tau_h * (1 - math.exp(-10 / tau_h)) + 1 * math.exp(-10 / tau_h)
    assert core_temperatures(case, [10 * HOUR_S]) == pytest.approx([21 - lag], abs=1e-3)


def deep_step(x, t, h, alpha, k):
    """Return the rise of a half-space under a unit step of the room: Carslaw and Jaeger, 2.7, from memory."""
    if t <= 0:
        return 0.0
    near, film = x / (2 * math.sqrt(alpha * t)), h * math.sqrt(alpha * t) / k
    if near + film < 20:
        behind = math.exp(2 * near * film + film**2) * math.erfc(near + film)
    else:
        z = near + film
        behind = math.exp(-(near**2)) / (z * math.sqrt(math.pi)) * (1 - 1 / (2 * z * z) + 3 / (4 * z**4))
    return math.erfc(near) - behind


@pytest.mark.parametrize(
    ("material", "h", "warm_h"),
    [
        pytest.param(Material(), 7.7, 1, id="laminate-an-hour"),
        pytest.param(Material(), 7.7, 24, id="laminate-a-day"),
        pytest.param(Material(k=0.01, rho=20_000, c=5000), 100, 1, id="the-slowest-there-is"),
        pytest.param(Material(k=0.01, rho=20_000, c=5000), 100, 24, id="the-slowest-a-day"),
        pytest.param(Material(k=400, rho=8000, c=400), 100, 24, id="copper"),
    ],
)
def test_a_stack_so_high_that_no_heat_comes_to_its_core_is_a_half_space(material, h, warm_h):
    """The room is warm for a while and then as cold as the sheets again: the slowest point is near the face."""
    alpha = material.k / material.rho / material.c
    end_s = warm_h * HOUR_S
    case = warm_up(
        sheets=500,
        thickness_m=0.1,
        h=h,
        material=material,
        room=(Knot(0, 20), Knot(end_s, 20), Knot(end_s + 1, 0)),
    )

    def farthest(t):
        reach = 6 * math.sqrt(alpha * t)
        depths = (reach * (i / 300) ** 2 for i in range(301))
        # The drop of one second as a jump in its middle.
        return max(
            20 * (deep_step(x, t, h, alpha, material.k) - deep_step(x, t - end_s - 0.5, h, alpha, material.k))
            for x in depths
        )

    low, high = end_s + 2.0, end_s * 20.0
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (low, middle) if farthest(middle) <= 1 else (middle, high)
    assert farthest(end_s + 2.0) > 1
    assert hours(case, limit_h=5000) == pytest.approx(high / HOUR_S, rel=2e-3)
    assert core_temperatures(case, [end_s]) == pytest.approx([0], abs=1e-5)


# ---- the first time ----


def test_a_room_that_passes_the_sheets_is_met_in_passing_and_again_later():
    # From 30 °C through 0 °C, where the sheets are, to -10 °C, in ten minutes: the face is hardly touched.
    passing = warm_up(room=(Knot(0, 30), Knot(600, -10)), h=0.5)
    warmer = warm_up(room=(Knot(0, 30), Knot(300, 10)), h=0.5)

    # At 1 °C: 600·29/40 s.
    assert hours(passing, limit_h=1000) == pytest.approx(435 / HOUR_S, abs=0.005)
    assert hours(warmer, limit_h=1000) > 10


def test_a_meeting_of_a_moment_within_one_second_is_found():
    jump = warm_up(room=(Knot(0, 20), Knot(3600, 20), Knot(3601, -20)), sheets=200, h=0.5, tolerance_k=2)

    assert hours(jump, limit_h=1000) == pytest.approx(1 + 0.45 / HOUR_S, abs=1e-4)


def test_the_inside_counts_where_core_and_face_are_near_enough():
    # Long cold inside, then warmed and cooled again: the face is at the room, the core too, what lies between not.
    ring = warm_up(sheets=200, start_c=10, room=room((0, 30), (20, 30), (20.1, 10)), h=50, tolerance_k=1.5)

    found = hours(ring, limit_h=1000)
    first, _ = by_finite_volumes(ring, until_h=120, asked_s=())

    assert found == pytest.approx(first, rel=0.01)
    assert found > 24


@pytest.mark.parametrize(
    ("start_c", "found"),
    [
        pytest.param(19, 0, id="exactly-the-tolerance-away"),
        pytest.param(21, 0, id="from-above"),
        pytest.param(18.999, "later", id="a-little-more"),
        pytest.param(20, 0, id="there"),
    ],
)
def test_at_the_start_it_is_there_if_it_is_within_the_tolerance(start_c, found):
    answer = hours(warm_up(start_c=start_c), limit_h=1000)

    assert answer == 0 if found == 0 else answer > 0


def test_decimals_that_are_no_binary_fractions_are_no_distance():
    assert hours(warm_up(start_c=0.1, room=room((0, 0.4)), tolerance_k=0.3), limit_h=1) == 0


def test_the_limit_itself_is_within_the_limit():
    found = hours(warm_up(), limit_h=1000)

    assert hours(warm_up(), limit_h=found * (1 + 1e-9)) == pytest.approx(found)
    assert hours(warm_up(), limit_h=found * (1 - 1e-6)) is None


def test_a_room_that_keeps_away_from_the_core_is_never_met():
    saw = room(*((i, 20 if i % 2 else -20) for i in range(100)))
    # Fo is 0.22 after 30 h: the core of 200 sheets has hardly moved from -40 °C, and the room is never below -20.
    away = warm_up(room=saw, start_c=-40, sheets=200)

    assert core_temperatures(away, [30 * HOUR_S])[0] < -30
    assert hours(away, limit_h=30) is None


def test_a_profile_that_is_near_the_room_for_seconds_only_is_found():
    saw = room(*((i, 20 if i % 2 else -20) for i in range(100)))
    passing = warm_up(room=saw, start_c=-40, tolerance_k=0.5)

    found = hours(passing, limit_h=90)

    assert found is not None
    first, _ = by_finite_volumes(passing, until_h=found + 0.01, asked_s=(), step_s=1)
    assert found == pytest.approx(first, abs=0.005)


@pytest.mark.parametrize("tolerance_k", [1e-12, 1e-6, 20])
def test_any_tolerance_ends(tolerance_k):
    found = hours(warm_up(tolerance_k=tolerance_k), limit_h=5000)

    assert found is not None
    assert found < 400


def test_the_thinnest_sheet_there_is_follows_at_once():
    foil = warm_up(sheets=1, thickness_m=1e-303)

    assert hours(foil, limit_h=1e-300) is None or hours(foil, limit_h=1e-300) < 1e-300
    assert hours(foil, limit_h=1000) < 1e-3
    assert core_temperatures(foil, [0, 10]) == pytest.approx([0, 20])


@pytest.mark.parametrize("thickness_m", [5e-324, 1e-303, 1e-15])
def test_nothing_at_all_follows_at_once_through_any_contact(thickness_m):
    """Worked by hand: what holds no heat follows at once, however much lies between its sheets."""
    foils = warm_up(sheets=500, thickness_m=thickness_m, contact_r=0.1, material=Material(k=400))

    assert hours(foils, limit_h=1000) < 1e-3
    assert core_temperatures(foils, [0, 10]) == pytest.approx([0, 20])


def test_temperatures_come_in_the_order_asked_and_at_any_time():
    case = warm_up()

    late, first, again, never_so_late = core_temperatures(case, [19_200, 0, 19_200, 10**10])

    # Worked in fixtures/cases/warmup/01.
    assert late == again == pytest.approx(9.322, abs=0.002)
    assert (first, never_so_late) == (0, pytest.approx(20))


# ---- what holds of every stack (trade facts, section 4) ----

cases = st.builds(
    warm_up,
    sheets=st.integers(1, 300),
    thickness_m=st.floats(0.0005, 0.02),
    start_c=st.floats(-30, 17),
    room=st.just(room((0, 21))),
    tolerance_k=st.floats(0.2, 3.5),
    insulated_side=st.booleans(),
    wrapped=st.booleans(),
    contact_r=st.floats(0, 0.03),
    h=st.floats(0.6, 40),
    wrap_r=st.floats(0.01, 0.9),
)
LONG_H = 5000


def time_of(case, **changes):
    found = hours(replace(case, **changes), limit_h=LONG_H)
    return math.inf if found is None else found


def material(case, **changes):
    return replace(case.material, **changes)


@settings(max_examples=80, deadline=None)
@given(cases, st.floats(1.01, 3))
def test_time_rises_with_all_that_slows_and_falls_with_all_that_helps(case, factor):
    usual = time_of(case)
    more = [
        time_of(case, sheets=case.sheets + 1),
        time_of(case, material=material(case, rho=case.material.rho * factor)),
        time_of(case, contact_r=case.contact_r + 0.001),
        time_of(case, wrapped=True),
        time_of(case, insulated_side=True),
    ]
    less = [
        time_of(case, material=material(case, k=case.material.k * factor)),
        time_of(case, h=case.h * factor),
        time_of(case, tolerance_k=case.tolerance_k * factor),
    ]

    almost = usual * (1 - 1e-6)
    assert all(one >= almost for one in more)
    assert all(one <= usual * (1 + 1e-6) for one in less)


@settings(max_examples=40, deadline=None)
@given(cases)
def test_twice_the_sheets_on_bearers_warm_like_once_on_a_skid(case):
    # With the film counted between every two: (n-1)/n is nearly one, so of solid sheets.
    skid = replace(case, contact_r=0, insulated_side=True)
    bearers = replace(skid, sheets=2 * case.sheets, insulated_side=False)

    assert time_of(bearers) == pytest.approx(time_of(skid), rel=1e-9)


@settings(max_examples=40, deadline=None)
@given(cases)
def test_a_warm_stack_in_a_cold_room_takes_as_long(case):
    assert time_of(case, start_c=42 - case.start_c) == pytest.approx(time_of(case), rel=1e-6)


@settings(max_examples=40, deadline=None)
@given(cases, st.floats(0, 3))
def test_a_stack_within_the_tolerance_is_there(case, away):
    assert time_of(case, start_c=21 - away, tolerance_k=3) == 0


@settings(max_examples=60, deadline=None)
@given(cases, st.lists(st.tuples(st.integers(1, 10_000), st.floats(-20, 40)), max_size=6))
def test_the_core_lies_between_the_coldest_and_the_warmest_it_has_met(case, further):
    knots, at_s = [Knot(0, 21)], 0
    for gap_s, t_c in further:
        at_s += gap_s
        knots.append(Knot(at_s, t_c))

    asked = [0, 60, 3600, at_s, at_s + 86_400]
    met = [case.start_c, *(knot.t_c for knot in knots)]
    for t_c in core_temperatures(replace(case, room=tuple(knots)), asked):
        assert min(met) - 0.02 <= t_c <= max(met) + 0.02
