"""From facts to a stack: what says how cold it came, how it lay, and the air of every zone it stood in."""

from __future__ import annotations

from datetime import timedelta

import pytest

from materials.core.stack import Lies
from materials.core.stock import Standing, Stay
from materials.stack_queries import Lying, Measured, StackFacts
from scheduling import answers, states
from scheduling.models import RoomState
from scheduling.warmth import ZoneAir, _phases, _where_it_stood, rounded_up, start_of
from tests import make
from tests.conftest import NOW
from tests.scheduling.test_room_stack import bring, look_at_all, open_it, read_air

HOUR = timedelta(hours=1)
QUARTER = timedelta(minutes=15)
CAME = NOW - 30 * HOUR


def epoch(at):
    return int(at.timestamp())


def standing(*stays, opened_at=None):
    stays = stays or (Stay(1, CAME, None),)
    return Standing(
        id="p",
        product=1,
        batch="B",
        zone=stays[-1].zone,
        room=1,
        in_at=stays[-1].in_at,
        sheets=80,
        inspected=0,
        rejected=0,
        mark_seen=False,
        inspection=None,
        inspected_at=None,
        opened_at=opened_at,
        stays=stays,
    )


def measured(place, t_c, after=timedelta(0)):
    return Measured(f"{place}-{t_c}", CAME + after, place, t_c, "Rosa")


@pytest.mark.parametrize(
    ("facts", "expected"),
    [
        pytest.param((), None, id="nothing-said"),
        pytest.param((measured("face", 2),), 2, id="the-top-sheet-on-arrival"),
        pytest.param((measured("face", 2, timedelta(minutes=30)),), 2, id="half-an-hour-later"),
        pytest.param((measured("face", 9, timedelta(minutes=31)),), None, id="the-top-sheet-too-late"),
        pytest.param((measured("lorry", -3),), -3, id="the-lorry"),
        pytest.param((measured("face", 2), measured("lorry", -3)), 2, id="measured-before-told"),
        pytest.param(
            (measured("lorry", -3), measured("lorry", -1, HOUR)), -1, id="the-last-word-on-the-lorry"
        ),
        pytest.param((measured("core", 6, 9 * HOUR),), 6, id="a-probe-later-begins-there"),
        pytest.param((measured("face", 9, HOUR), measured("lorry", -3)), -3, id="late-face-and-lorry"),
        pytest.param((measured("face", 2, 40 * HOUR),), None, id="still-to-come"),
    ],
)
def test_what_says_how_cold_a_stack_came(facts, expected):
    start = start_of(standing(), StackFacts((), facts), now=NOW)

    assert (start and start.t_c) == expected


def ways(*laid, opened_at=None, needs_opening=True):
    phases = _phases(standing(opened_at=opened_at), laid, CAME, needs_opening=needs_opening, now=NOW)
    return [((one.from_at - CAME) // HOUR, one.lies, one.wrapped) for one in phases]


def test_a_stack_lies_wrapped_on_its_skid_until_somebody_says_otherwise():
    assert ways() == [(0, Lies.SKID, True)]
    assert ways(opened_at=CAME + 2 * HOUR) == [(0, Lies.SKID, True), (2, Lies.SKID, False)]
    assert ways(needs_opening=False) == [(0, Lies.SKID, False)]


def test_laying_out_and_opening_each_begin_a_phase():
    lots = Lying(CAME + 5 * HOUR, "lots", 10)

    assert ways(lots, opened_at=CAME + 2 * HOUR) == [
        (0, Lies.SKID, True),
        (2, Lies.SKID, False),
        (5, Lies.LOTS, False),
    ]
    assert ways(lots, opened_at=CAME + 5 * HOUR) == [(0, Lies.SKID, True), (5, Lies.LOTS, False)]


def test_what_is_still_to_come_is_no_phase_yet():
    ahead = Lying(NOW + HOUR, "lots", 10)

    assert ways(ahead, opened_at=NOW + HOUR) == [(0, Lies.SKID, True)]


def test_a_stack_that_moved_was_in_the_air_of_each_zone_while_it_stood_there():
    moved = CAME + 10 * HOUR
    cold = ZoneAir(*zip(*[(epoch(CAME + i * HOUR), 5.0, 60.0) for i in range(24)], strict=True))
    warm = ZoneAir(*zip(*[(epoch(CAME + i * HOUR) - 1800, 21.0, 45.0) for i in range(24)], strict=True))

    at, t_c = _where_it_stood(standing(Stay(1, CAME, moved), Stay(2, moved, None)), {1: cold, 2: warm})

    assert list(at) == sorted(at)
    assert [t for seconds, t in zip(at, t_c, strict=True) if seconds < epoch(moved)] == [5.0] * 10
    # What was last read there before the sheets came stands from the moment they came.
    assert at[10] == epoch(moved)
    assert set(t_c[10:]) == {21.0}


@pytest.mark.parametrize(
    ("minutes", "expected"), [(0, 0), (1, 15), (15, 15), (16, 30)], ids=["full", "after", "quarter", "next"]
)
def test_instants_are_rounded_up_to_the_quarter(minutes, expected):
    # Worked by hand.
    assert rounded_up(CAME + timedelta(minutes=minutes), QUARTER) == CAME + timedelta(minutes=expected)


# ---- what is stored holds as long as it says


@pytest.mark.django_db
@pytest.mark.parametrize("opened", [True, False], ids=["binding-and-open", "binding-and-wrapped"])
def test_what_a_state_says_of_a_stack_is_the_same_until_it_says_otherwise(opened):
    boss, room = make.manager(), make.room()
    read_air(room, boss, since=31 * HOUR)
    placement = bring(room, boss, count=40, product=make.sheet(core_is_binding=True))
    if opened:
        open_it(placement, boss, ago=29 * HOUR)
    look_at_all(placement, boss)
    now, turns = NOW, 0

    while turns < 12:
        judged = states.judge([room.pk], now=now)[room.pk]
        end = judged.good_until
        if end is None:
            break
        for later in (now + (end - now) / 3, end - timedelta(seconds=1)):
            again = states.judge([room.pk], now=later.replace(microsecond=0))[room.pk]
            assert kept(again) == kept(judged), later
        now, turns = end, turns + 1
    assert turns >= 1


def kept(judged):
    """Return what of a judged room is told as it was stored: instants and states, not what slides."""
    (rested,) = judged.gathered.rests
    stored = answers.rest_to_json(rested)
    holds = [(hold.kind, hold.state, hold.act and hold.act.says) for hold in judged.answer.holds]
    return stored["stack"], stored["cold"], holds


@pytest.mark.django_db
def test_what_is_advice_alone_costs_a_reading_nothing(monkeypatch):
    boss, room = make.manager(), make.room()
    read_air(room, boss, since=31 * HOUR)
    open_it(bring(room, boss), boss, ago=29 * HOUR)

    def refuse(*_args, **_rest):
        raise AssertionError("a stack was reckoned that nothing waits for")

    monkeypatch.setattr("scheduling.warmth.core.warming", refuse)
    states.refresh_due(now=NOW)

    (stored,) = RoomState.objects.get(room=room).rests
    assert stored["stack"] is not None
    assert not stored["cold"]
