"""Whether a cold stack sweats and when it may be opened, against the table of trade facts and a reference library."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import psychrolib
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from jobs.core.conditions import dew_point
from materials.core.air import seconds
from materials.core.stack import Lies, Phase, Range, Stack, Temperature, warming
from materials.core.sweat import Wetness, sweat

psychrolib.SetUnitSystem(psychrolib.SI)

NOON = datetime(2026, 1, 12, 12, tzinfo=UTC)
ROOM = {"t_c": 21.0, "rh_pct": 50.0}


def hours(count):
    return timedelta(hours=count)


def warmed(sheets=80, *, start_c=2.0, room_c=21.0, lies=Lies.SKID, wrapped=False, after_h=0.0, room=None):
    room = room or ((0, room_c),)
    return warming(
        Stack(
            sheets=sheets,
            thickness_nm=2_300_000,
            width_nm=1_219_200_000,
            height_nm=2_438_400_000,
            start=Temperature(NOON, start_c),
            phases=(Phase(NOON, lies, wrapped),),
        ),
        at=[seconds(NOON + hours(at_h)) for at_h, _ in room],
        t_c=[t_c for _, t_c in room],
        now=NOON + hours(after_h),
    )


def in_hours(at):
    return (at - NOON) / timedelta(hours=1)


# Trade facts, section 1, "When a cold skid may be opened": 2 °C at the start, room 21 °C and 50 %, bare, central
# constants; derived there by a separate series.  Printed to minutes and to two digits of hours.
@pytest.mark.parametrize(
    ("sheets", "margin_k", "wanted_h", "near"),
    [
        pytest.param(20, 0, 4.9, 0.05, id="20-at-the-dew-point"),
        pytest.param(20, 3, 7.1, 0.05, id="20"),
        pytest.param(40, 0, 15, 0.5, id="40-at-the-dew-point"),
        pytest.param(40, 3, 21.5, 0.25, id="40"),
        pytest.param(80, 0, 51, 0.5, id="80-at-the-dew-point"),
        pytest.param(80, 3, 72, 0.5, id="80"),
        pytest.param(150, 0, 164, 0.5, id="150-at-the-dew-point"),
        pytest.param(150, 3, 230, 0.5, id="150"),
    ],
)
def test_the_core_is_dry_when_the_table_says(sheets, margin_k, wanted_h, near):
    found = sweat(warmed(sheets), **ROOM, margin_k=margin_k)

    assert in_hours(found.inside.dry_at.central) == pytest.approx(wanted_h, abs=near)


@pytest.mark.parametrize(
    ("margin_k", "wanted_h", "near"),
    [
        pytest.param(0, 41 / 60, 0.6 / 60, id="at-the-dew-point"),
        pytest.param(3, 2.2, 0.1, id="with-the-margin"),
    ],
)
@pytest.mark.parametrize("sheets", [40, 80, 150])
def test_the_top_face_of_a_skid_is_dry_when_the_table_says(sheets, margin_k, wanted_h, near):
    found = sweat(warmed(sheets), **ROOM, margin_k=margin_k)

    assert in_hours(found.top.dry_at.central) == pytest.approx(wanted_h, abs=near)


@pytest.mark.parametrize(("margin_k", "minutes"), [(0, 2.5), (3, 4)])
def test_a_sheet_standing_free_is_dry_in_minutes(margin_k, minutes):
    found = sweat(warmed(80, lies=Lies.APART), **ROOM, margin_k=margin_k)

    assert in_hours(found.inside.dry_at.central) * 60 == pytest.approx(minutes, abs=0.25)


def test_the_late_end_is_that_of_the_slow_constants():
    found = sweat(warmed(80), **ROOM)

    for surface in (found.top, found.inside):
        assert surface.dry_at.earliest <= surface.dry_at.central <= surface.dry_at.latest
    assert found.inside.dry_at.latest > found.inside.dry_at.central + hours(24)


# Dew points of the open library PsychroLib 2.5.0; it differs from the formula by 0.05 K at most (trade facts).
@pytest.mark.parametrize(("t_c", "rh_pct"), [(21, 50), (18, 70), (25, 40), (12, 90), (30, 55)])
def test_the_dew_point_is_that_of_a_reference_library(t_c, rh_pct):
    found = sweat(warmed(room_c=float(t_c)), t_c=t_c, rh_pct=rh_pct)

    assert found.dew_c == pytest.approx(psychrolib.GetTDewPointFromRelHum(t_c, rh_pct / 100), abs=0.05)


# Trade facts, section 1: a panel at 2 °C sweats in 21 °C from 28.4 % on; derived there.
def test_a_cold_stack_sweats_from_a_low_humidity_on():
    found = sweat(warmed(), **ROOM)

    assert found.lowest_rh_pct == pytest.approx(28.4, abs=0.05)
    assert sweat(warmed(), t_c=21.0, rh_pct=28.0).state is Wetness.MAY_SWEAT
    assert sweat(warmed(), t_c=21.0, rh_pct=29.0).state is Wetness.SWEATS


# Worked by hand: dew point 10.2 °C, so up to 13.2 °C it may sweat.
@pytest.mark.parametrize(
    ("start_c", "state"),
    [
        pytest.param(10.1, Wetness.SWEATS, id="below"),
        pytest.param(10.3, Wetness.MAY_SWEAT, id="above"),
        pytest.param(13.1, Wetness.MAY_SWEAT, id="within-the-margin"),
        pytest.param(13.3, Wetness.DRY, id="beyond"),
    ],
)
def test_a_surface_sweats_may_sweat_or_is_dry(start_c, state):
    found = sweat(warmed(start_c=start_c), **ROOM)

    assert (found.top.state, found.inside.state, found.state) == (state, state, state)


@pytest.mark.parametrize(
    ("above_k", "state"),
    [
        pytest.param(-1e-6, Wetness.SWEATS, id="at-the-dew-point"),
        pytest.param(1e-6, Wetness.MAY_SWEAT, id="above-it"),
        pytest.param(4 - 1e-6, Wetness.MAY_SWEAT, id="below-the-margin"),
        pytest.param(4 + 1e-6, Wetness.DRY, id="at-the-margin"),
    ],
)
def test_the_limits_are_the_dew_point_and_the_margin_above_it(above_k, state):
    assert sweat(warmed(start_c=dew_point(**ROOM) + above_k), **ROOM, margin_k=4).state is state


def test_a_dry_top_says_nothing_of_the_sheets_below():
    found = sweat(warmed(80, after_h=12), **ROOM)

    assert found.top.state is Wetness.DRY
    assert found.inside.state is Wetness.SWEATS
    assert found.state is Wetness.SWEATS


def test_what_is_dry_already_is_dry_since_an_instant_that_stays():
    sooner, later = (sweat(warmed(20, after_h=after_h), **ROOM) for after_h in (40, 41))

    assert sooner.inside.state is Wetness.DRY
    assert sooner.inside.dry_at == later.inside.dry_at
    assert sooner.inside.dry_at.latest < NOON + hours(40)


def test_sheets_that_came_warm_are_dry_since_they_came():
    found = sweat(warmed(start_c=19.0), **ROOM)

    assert found.top.dry_at.latest == found.inside.dry_at.latest == NOON


# Worked by hand: at 95 % the dew point is less than 1 K below the air, so nothing comes 3 K above it.
def test_in_air_that_is_too_damp_warming_dries_nothing():
    found = sweat(warmed(), t_c=21.0, rh_pct=95.0)

    assert found.is_air_too_damp
    assert found.top.dry_at.latest is None
    assert found.inside.dry_at.earliest is None
    assert not sweat(warmed(), **ROOM).is_air_too_damp


def test_a_warm_stack_in_cold_damp_air_does_not_sweat_but_loses_its_margin():
    found = sweat(warmed(start_c=25.0, room_c=12.0), t_c=12.0, rh_pct=95.0)
    much_later = sweat(warmed(start_c=25.0, room_c=12.0, after_h=1400), t_c=12.0, rh_pct=95.0)

    assert found.state is Wetness.DRY
    assert found.lowest_rh_pct > 100
    assert much_later.state is Wetness.MAY_SWEAT


def test_a_wrap_keeps_the_face_colder_for_longer():
    wrapped, bare = (sweat(warmed(wrapped=one), **ROOM) for one in (True, False))

    assert wrapped.top.dry_at.latest > bare.top.dry_at.latest
    assert wrapped.top.dry_at.central > bare.top.dry_at.central


def test_the_temperatures_are_those_of_the_warming():
    stack = warmed(80, after_h=24)

    found = sweat(stack, **ROOM)

    assert found.top.t_c == stack.face_c
    assert found.inside.t_c == stack.core_c
    assert isinstance(found.inside.t_c, Range)


@pytest.mark.parametrize(("t_c", "rh_pct"), [(-20.1, 50), (60.1, 50), (21, 0), (21, 100.1)])
def test_air_without_a_dew_point_is_refused(t_c, rh_pct):
    with pytest.raises(ValueError, match=r"air|humidity"):
        sweat(warmed(), t_c=t_c, rh_pct=rh_pct)


def test_a_negative_margin_is_refused():
    with pytest.raises(ValueError, match="margin"):
        sweat(warmed(), **ROOM, margin_k=-0.1)


@settings(max_examples=25, deadline=None)
@given(
    st.integers(1, 150),
    st.floats(-10, 30),
    st.floats(2, 28),
    st.floats(15, 100),
    st.integers(0, 100),
    st.floats(0, 1, exclude_max=True),
)
def test_until_its_good_until_an_answer_holds(sheets, start_c, room_c, rh_pct, after_h, share):
    def told(at):
        stack = warmed(sheets, start_c=start_c, room_c=room_c, after_h=in_hours(at))
        return replace(sweat(stack, t_c=room_c, rh_pct=rh_pct), as_of=NOON, good_until=None)

    begin = NOON + hours(after_h)
    now = sweat(warmed(sheets, start_c=start_c, room_c=room_c, after_h=after_h), t_c=room_c, rh_pct=rh_pct)
    until = now.good_until or begin + hours(400)

    assert until > begin
    for at in (
        begin + timedelta(seconds=int((until - begin).total_seconds() * share)),
        until - timedelta(seconds=1),
    ):
        assert told(at) == replace(now, as_of=NOON, good_until=None)


@settings(max_examples=25, deadline=None)
@given(st.integers(1, 150), st.floats(-10, 12), st.floats(35, 75))
def test_when_it_says_dry_it_is_dry(sheets, start_c, rh_pct):
    found = sweat(warmed(sheets, start_c=start_c), t_c=21.0, rh_pct=rh_pct)

    for name in ("top", "inside"):
        at = getattr(found, name).dry_at.latest
        if at is not None and at > NOON:
            then, before = (
                sweat(warmed(sheets, start_c=start_c, after_h=in_hours(moment)), t_c=21.0, rh_pct=rh_pct)
                for moment in (at, at - timedelta(seconds=1))
            )
            assert getattr(then, name).state is Wetness.DRY
            assert getattr(before, name).state is not Wetness.DRY
