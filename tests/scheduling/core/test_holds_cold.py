"""The rest hold where the rule asks for a warm stack, and the wrap that stays on; all instants worked by hand."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from jobs.core.forecast import Forecast
from jobs.core.worktime import Calendar, parse_week
from scheduling.core.backward import open_acts
from scheduling.core.holds import Act, HoldState, Who, judge_room
from scheduling.core.room_facts import (
    ColdStack,
    HoldKind,
    Inspection,
    Placement,
    PlacementRest,
    Requirement,
    RestState,
    RoomFacts,
)

NOW = datetime(2026, 5, 13, 6, 0, tzinfo=UTC)
PARIS = ZoneInfo("Europe/Paris")
HOUR = timedelta(hours=1)
DAY = 24 * HOUR


def room_of(rest, **placed):
    one = Placement(id="a", product="P", batch="B", sheets=80, in_at=NOW - 30 * HOUR, rest=rest, **placed)
    seen = Inspection(id="s", placement="a", at=NOW - 20 * HOUR, inspected=80, rejected=0, mark_seen=True)
    return RoomFacts(
        time_zone=PARIS,
        requirement=(Requirement(product="P", label="P", sheets=76),),
        placements=(one,),
        inspections=(seen,),
    )


def proven(cold=None, **more):
    return PlacementRest(
        state=RestState.PROVEN, proven_at=NOW - HOUR, proven=DAY, required=DAY, cold=cold, **more
    )


def rest_hold(facts, now=NOW):
    return next(hold for hold in judge_room(facts, now=now).holds if hold.kind is HoldKind.REST)


def test_a_day_of_rest_does_not_clear_a_stack_whose_middle_is_cold():
    warm, cold = room_of(proven()), room_of(proven(ColdStack(until=NOW + 5 * DAY)))

    held = rest_hold(cold)

    assert rest_hold(warm).state is HoldState.CLEAR
    assert (held.state, held.forecast) == (HoldState.HELD, Forecast.fixed(NOW + 5 * DAY))
    assert held.says.text.endswith("but the middle of the stack may be cold until {until}.")
    assert held.says.values["until"] == NOW + 5 * DAY


@pytest.mark.parametrize(
    ("forecast", "until", "expected"),
    [
        pytest.param(Forecast.fixed(NOW + DAY), NOW + 2 * DAY, Forecast.fixed(NOW + 2 * DAY), id="cold-last"),
        pytest.param(Forecast.fixed(NOW + DAY), NOW + HOUR, Forecast.fixed(NOW + DAY), id="hours-last"),
        pytest.param(Forecast.sliding(DAY), NOW + HOUR, Forecast.sliding(DAY), id="hours-slide-last"),
        pytest.param(
            Forecast.sliding(DAY), NOW + 2 * DAY, Forecast.fixed(NOW + 2 * DAY), id="cold-past-slide"
        ),
        pytest.param(Forecast.fixed(NOW + DAY), None, None, id="cold-without-end"),
        pytest.param(None, NOW + DAY, None, id="hours-without-end"),
    ],
)
def test_the_forecast_is_the_later_of_the_hours_and_the_middle(forecast, until, expected):
    rest = PlacementRest(
        state=RestState.PAUSED, forecast=forecast, proven=HOUR, required=DAY, cold=ColdStack(until=until)
    )

    assert rest_hold(room_of(rest)).forecast == expected


def test_a_sliding_rest_overtakes_the_middle_and_the_answer_says_when():
    rest = PlacementRest(
        state=RestState.PAUSED, forecast=Forecast.sliding(DAY), cold=ColdStack(until=NOW + 2 * DAY)
    )
    facts = room_of(rest)

    # Sliding 24 h ahead of now, it reaches the day after tomorrow 06:00 a day from now.
    assert rest_hold(facts).good_until == NOW + DAY
    assert rest_hold(facts, now=NOW + DAY).forecast == Forecast.sliding(DAY)


@pytest.mark.parametrize(
    ("cold", "act"),
    [
        pytest.param(ColdStack(measured=False), Act.MEASURE_STACK, id="nobody-measured"),
        pytest.param(ColdStack(until=NOW + DAY, laid_out_in=2 * HOUR), Act.LAY_OUT, id="in-one-stack"),
        pytest.param(ColdStack(until=NOW + HOUR), Act.LOG_READING, id="laid-out-already"),
    ],
)
def test_the_act_is_what_warms_it_sooner(cold, act):
    hold = rest_hold(room_of(proven(cold)))

    assert (hold.act.act, hold.who) == (act, Who.CREW_LEAD)


def test_a_stack_that_nobody_measured_is_not_taken_for_warm():
    hold = rest_hold(room_of(proven(ColdStack(measured=False))))

    assert (hold.state, hold.forecast) == (HoldState.HELD, None)
    assert "nobody has said how cold the stack came" in hold.says.text


def test_what_is_known_of_a_stack_ends_with_its_own_last_instant():
    facts = room_of(proven(ColdStack(until=NOW + 5 * HOUR), good_until=NOW + 5 * HOUR))

    assert judge_room(facts, now=NOW).good_until == NOW + 5 * HOUR


def test_the_wrap_stays_on_until_it_sweats_no_more():
    wrapped = room_of(PlacementRest(), wrapped=True, open_from=NOW + 3 * HOUR)

    hold = rest_hold(wrapped)

    assert hold.act.act is Act.OPEN
    assert hold.act.says.many == "Leave the wrap on until about {at}, then unwrap {n} sheets"
    assert hold.act.says.values["at"] == NOW + 3 * HOUR
    assert hold.good_until == NOW + 3 * HOUR
    later = rest_hold(wrapped, now=NOW + 3 * HOUR)
    assert later.act.says.many == "Unwrap {n} sheets"


def test_sheets_that_do_not_sweat_are_unwrapped_at_once():
    hold = rest_hold(room_of(PlacementRest(), wrapped=True))

    assert hold.act.says.many == "Unwrap {n} sheets"


def test_laying_out_comes_so_long_before_the_start_as_the_lots_take_to_warm():
    facts = room_of(proven(ColdStack(until=NOW + 9 * DAY, laid_out_in=4 * HOUR)))
    crew = Calendar.of_week(PARIS, parse_week("Mon-Fri 07:00-15:30"))
    # Friday at 12:00 in Paris: four hours before lies in the crew's hours, at 08:00.
    start = datetime(2026, 5, 15, 10, 0, tzinfo=UTC)

    acts = open_acts(facts, judge_room(facts, now=NOW).holds, start=start, crew=crew, lead=None)

    assert {act.act: act.latest_at for act in acts} == {Act.LAY_OUT: start - 4 * HOUR}
