"""A logger's clock: how much is added to what it says, from when on."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from jobs.core.clocks import RIGHT, Clock

NOON = datetime(2026, 6, 10, 12, 0, tzinfo=UTC)
HOUR, SECOND = timedelta(hours=1), timedelta(seconds=1)


def test_a_clock_of_which_nothing_is_said_is_right():
    assert not Clock()
    assert Clock().put_right(NOON) == NOON


def test_an_offset_holds_from_its_instant_on_by_the_loggers_own_clock():
    clock = Clock([(NOON, HOUR)])

    assert clock.put_right(NOON) == NOON + HOUR
    assert clock.put_right(NOON - SECOND) == NOON - SECOND


def test_it_holds_until_another_begins_whatever_was_said_first():
    said = [(NOON + HOUR, RIGHT), (NOON, HOUR)]

    for clock in (Clock(said), Clock(reversed(said))):
        assert clock.offset(NOON + HOUR - SECOND) == HOUR
        assert clock.offset(NOON + HOUR) == RIGHT


def test_of_two_that_begin_at_one_instant_the_last_word_counts():
    assert Clock([(NOON, HOUR), (NOON, -HOUR)]).offset(NOON) == -HOUR
