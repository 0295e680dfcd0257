"""The drawings of a stack: to one scale, hatched where it is not proven warm, the range between its ticks."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from scheduling.stack_drawing import SCALE, TALLEST, section, warm_line

NOW = datetime(2026, 6, 10, 9, 0, tzinfo=UTC)
PARIS = ZoneInfo("Europe/Paris")
HOUR = timedelta(hours=1)
DAY = 24 * HOUR


def drawn(**given):
    return section(
        **{"sheet_mm": 2.3, "in_pile": 40, "piles": 1, "on_skid": True, "cold": (0.0, 1.0), **given}
    )


def heights(made):
    return [float(pile.height) for pile in made.piles]


def test_stacks_are_drawn_to_one_scale():
    skid, lot = drawn(in_pile=40), drawn(in_pile=10, piles=3)

    assert heights(skid) == pytest.approx([40 * 2.3 * SCALE])
    assert heights(lot) == pytest.approx([10 * 2.3 * SCALE] * 3)


def test_one_that_would_be_too_high_is_drawn_smaller_and_a_single_sheet_can_be_seen():
    assert heights(drawn(in_pile=150)) == [TALLEST]
    assert heights(drawn(in_pile=1, piles=80)) == [2.0] * 3


def test_more_lots_than_there_is_room_for_are_broken_off():
    assert drawn(in_pile=10, piles=8).break_path
    assert not drawn(in_pile=10, piles=3).break_path


@pytest.mark.parametrize(
    ("cold", "top_share", "height_share"),
    [
        pytest.param((0.0, 1.0), 0.0, 1.0, id="all-of-it"),
        pytest.param((0.0, 0.5), 0.5, 0.5, id="the-lower-half-on-a-skid"),
        pytest.param((0.25, 0.75), 0.25, 0.5, id="the-middle-between-two-faces"),
    ],
)
def test_what_is_not_proven_warm_is_hatched(cold, top_share, height_share):
    (pile,) = drawn(cold=cold).piles

    height = float(pile.height)
    assert float(pile.cold_y) == pytest.approx(float(pile.y) + top_share * height, abs=0.02)
    assert float(pile.cold_height) == pytest.approx(height_share * height, abs=0.02)


def test_a_warm_stack_has_no_hatching():
    assert drawn(cold=None).piles[0].cold_y is None


def line(**given):
    usual = {
        "from_at": NOW,
        "rest": DAY,
        "early_at": NOW + 3 * DAY,
        "late_at": NOW + 15 * DAY,
        "zone": PARIS,
        "now": NOW + DAY,
    }
    return warm_line(**{**usual, **given})


def share(text):
    return float(text.removesuffix("%"))


def test_rest_and_range_are_on_one_scale():
    made = line()

    # Worked by hand: the drawing ends 6 % after the fifteenth day.
    assert share(made.rest.width) == pytest.approx(100 / 15 / 1.06, abs=0.01)
    assert share(made.early_x) == pytest.approx(3 * 100 / 15 / 1.06, abs=0.01)
    assert share(made.late_x) == pytest.approx(100 / 1.06, abs=0.01)
    assert share(made.now_x) == share(made.rest.width)


@pytest.mark.parametrize(
    ("late", "named"), [(timedelta(days=2), 1), (timedelta(days=15), 3), (timedelta(days=59), 2)]
)
def test_days_are_named_as_far_as_there_is_room(late, named):
    made = line(early_at=NOW + HOUR, late_at=NOW + late)

    assert named <= sum(day.is_named for day in made.days) <= 4
    assert len(made.days) <= 31


def test_a_range_that_is_over_sooner_than_the_rest_leaves_room_for_the_rest():
    made = line(early_at=NOW + HOUR, late_at=NOW + 2 * HOUR)

    assert share(made.rest.width) > share(made.late_x) > share(made.early_x)


def test_a_present_beyond_the_drawing_is_not_drawn():
    assert line(now=NOW + 40 * DAY).now_x is None
