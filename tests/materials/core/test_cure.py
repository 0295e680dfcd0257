"""The air that is watched while an adhesive cures: worked by hand from the label's hours and band."""

from __future__ import annotations

from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from jobs.core.conditions import Band
from materials.core.air import Columns, RestRule, seconds
from materials.core.cure import CureRule, CureState, cure_of
from materials.core.evidence import Memory
from tests.conftest import NOW

HOUR = timedelta(hours=1)
RULE = CureRule(
    RestRule(required=24 * HOUR, max_gap=2 * HOUR, restart_after=timedelta(0), band=Band(10, 30, 20, 70)),
    no_washing=72 * HOUR,
    no_cooling=48 * HOUR,
)


def readings(*rows):
    """Return columns of (hours after the first sheet, °C) at 50 %."""
    return Columns([seconds(NOW + h * HOUR) for h, _ in rows], [t for _, t in rows], [50.0] * len(rows))


def cure(*rows, hours, last=0, memories=()):
    now = NOW + hours * HOUR
    return cure_of(RULE, readings(*rows), memories, from_at=NOW, last_set_at=NOW + last * HOUR, now=now)


def hourly(first, last, t_c=20.0):
    return [(hour, t_c) for hour in range(first, last + 1)]


def test_a_steady_room_cures_by_the_label_and_waits_longer_for_water_and_cold():
    one = cure(*hourly(-1, 24), hours=24)

    assert (one.state, one.upset, one.unread) == (CureState.CURED, (), ())
    assert one.until_at == NOW + 24 * HOUR
    assert (one.washing_from, one.cooling_from) == (NOW + 72 * HOUR, NOW + 48 * HOUR)
    assert one.good_until == NOW + 48 * HOUR


def test_the_hours_count_from_the_last_sheet():
    one = cure(*hourly(-1, 24), hours=24, last=6)

    assert (one.state, one.until_at) == (CureState.CURING, NOW + 30 * HOUR)


def test_a_cold_night_is_told_from_its_first_reading_to_the_one_that_ends_it():
    one = cure(*hourly(-1, 5), (6, 8.0), (7, 4.0), *hourly(8, 12), hours=12)

    (spell,) = one.upset
    assert (spell.from_at, spell.to_at) == (NOW + 6 * HOUR, NOW + 8 * HOUR)
    assert spell.seen is not None
    assert (spell.seen.readings, spell.seen.t_min, spell.seen.t_max) == (2, 4.0, 8.0)
    assert not one.is_upset


def test_air_that_leaves_its_band_is_told_at_once_and_goes_on():
    one = cure(*hourly(-1, 5), (6, 8.0), hours=6)

    (spell,) = one.upset
    assert (spell.from_at, spell.to_at, one.is_upset) == (NOW + 6 * HOUR, None, True)
    # Nothing ends it but a reading, or the end of the cure.
    assert one.good_until == NOW + 24 * HOUR


def test_what_is_out_of_band_after_the_cure_is_nobodys_trouble():
    one = cure(*hourly(-1, 23), (24, 5.0), (25, 5.0), hours=25)

    assert (one.state, one.upset) == (CureState.CURED, ())


def test_a_spell_that_outlasts_the_cure_ends_with_it():
    one = cure(*hourly(-1, 22), (23, 5.0), (26, 5.0), hours=26)

    (spell,) = one.upset
    assert (spell.from_at, spell.to_at) == (NOW + 23 * HOUR, NOW + 24 * HOUR)


def test_silence_longer_than_the_rule_allows_is_named():
    # Last reading after 5 h, speaks for 2 h more while nobody contradicts it, and for nothing once the next
    # comes 5 h later.
    assert cure(*hourly(-1, 5), hours=7).unread[-1].from_at == NOW + 7 * HOUR
    assert cure(*hourly(-1, 5), hours=6).good_until == NOW + 7 * HOUR
    (spell,) = cure(*hourly(-1, 5), (10, 20.0), hours=10).unread
    assert (spell.from_at, spell.to_at, spell.seen and spell.seen.readings) == (
        NOW + 5 * HOUR,
        NOW + 10 * HOUR,
        1,
    )


def test_a_meter_that_remembers_cold_says_so():
    night = Memory("m", "zone", NOW + 2 * HOUR, NOW + 10 * HOUR, 6, 20, 40, 50)

    (spell,) = cure(*hourly(-1, 2), *hourly(10, 11), hours=11, memories=[night]).upset

    assert (spell.from_at, spell.to_at) == (NOW + 2 * HOUR, NOW + 10 * HOUR)


def test_a_last_sheet_before_the_first_is_refused():
    with pytest.raises(ValueError, match="before the first"):
        cure(hours=1, last=-1)


@given(
    st.lists(st.tuples(st.integers(-3, 40), st.sampled_from([5.0, 20.0])), unique_by=lambda row: row[0]),
    st.integers(0, 40),
    st.integers(0, 8),
)
def test_an_answer_is_good_until_it_says(rows, hours, last):
    rows = sorted(rows)
    past = [row for row in rows if row[0] <= hours]
    one = cure(*past, hours=hours, last=last)
    for later in range(hours, 90):
        at = NOW + later * HOUR
        if one.good_until is not None and at >= one.good_until:
            break
        same = cure(*past, hours=later, last=last)
        assert (same.state, same.upset, same.unread) == (one.state, one.upset, one.unread)
