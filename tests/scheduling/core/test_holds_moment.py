from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from jobs.core.forecast import Forecast
from scheduling.core.moment import AT_ONCE, Moment, lasting

NOW = datetime(2026, 5, 13, 6, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)
SECOND = timedelta(seconds=1)


def fixed(hours):
    return Forecast.fixed(NOW + hours * HOUR)


def sliding(hours):
    return Forecast.sliding(hours * HOUR)


@pytest.mark.parametrize(
    ("ask", "answer", "turns_at"),
    [
        (lambda moment: moment.has_come(None), False, None),
        (lambda moment: moment.has_come(NOW), True, None),
        (lambda moment: moment.has_come(NOW + HOUR), False, NOW + HOUR),
        (lambda moment: moment.is_before(None), True, None),
        (lambda moment: moment.is_before(NOW), False, None),
        (lambda moment: moment.is_before(NOW + HOUR), True, NOW + HOUR),
        (lambda moment: moment.expectation(None), None, None),
        (lambda moment: moment.expectation(NOW - SECOND), None, None),
        (lambda moment: moment.expectation(NOW), NOW, NOW + SECOND),
        (lambda moment: moment.expectation(NOW + HOUR), NOW + HOUR, NOW + HOUR + SECOND),
    ],
)
def test_a_moment_answers_and_knows_when_it_would_answer_otherwise(ask, answer, turns_at):
    moment = Moment(NOW)
    assert (ask(moment), moment.turns_at) == (answer, turns_at)


def test_the_first_turn_of_all_that_was_asked_counts():
    moment = Moment(NOW)
    moment.has_come(NOW + 3 * HOUR)
    moment.is_before(NOW + HOUR)
    moment.has_come(NOW + 2 * HOUR)
    assert moment.turns_at == NOW + HOUR


@pytest.mark.parametrize(
    ("forecasts", "ordered", "turns_at"),
    [
        # It counts as now, and does so for good.
        ([fixed(-1)], [AT_ONCE], None),
        ([fixed(0)], [fixed(0)], NOW + SECOND),
        ([fixed(2)], [fixed(2)], NOW + 2 * HOUR),
        ([sliding(2)], [sliding(2)], None),
        ([fixed(5), sliding(3)], [sliding(3), fixed(5)], NOW + 2 * HOUR),
        ([sliding(3), fixed(3)], [fixed(3), sliding(3)], NOW + SECOND),
        ([sliding(3), fixed(1)], [fixed(1), sliding(3)], NOW + HOUR),
    ],
)
def test_forecasts_are_in_order_until_one_overtakes_another(forecasts, ordered, turns_at):
    moment = Moment(NOW)
    assert [forecast for _, forecast in moment.in_order(forecasts)] == ordered
    assert moment.turns_at == turns_at


def test_an_answer_lasts_over_turns_that_do_not_change_it():
    def parity(moment):
        return sum(moment.has_come(NOW + hour * HOUR) for hour in (1, 1, 2)) % 2

    assert lasting(parity, now=NOW) == (0, NOW + 2 * HOUR)


def test_an_answer_lasts_no_longer_than_what_it_uses_is_known():
    def known(moment):
        moment.uses(NOW + HOUR)
        return moment.has_come(NOW + 2 * HOUR)

    assert lasting(known, now=NOW) == (False, NOW + HOUR)
    with pytest.raises(ValueError, match="past"):
        lasting(known, now=NOW + HOUR)


def test_an_answer_ends_where_it_begins_to_use_what_is_not_known():
    def later_blind(moment):
        if moment.has_come(NOW + HOUR):
            moment.uses(NOW - HOUR)
        return "the same"

    assert lasting(later_blind, now=NOW) == ("the same", NOW + HOUR)
