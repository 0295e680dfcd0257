from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from jobs.core.worktime import DAYS, Calendar, parse_week, time_zone
from scheduling.core.latest_by import START, Act, Circle, NoWorkingTime, TooEarly, latest_by
from tests.jobs.core import wall_clock

PARIS = time_zone("Europe/Paris")
CREW = Calendar.of_week(PARIS, parse_week("Mon-Fri 07:00-12:00, 13:00-16:00"))
NOTHING = timedelta(0)
SECOND = timedelta(seconds=1)
MINUTE = timedelta(minutes=1)
HOUR = timedelta(hours=1)
DAY = timedelta(days=1)


def at(text):
    return datetime.fromisoformat(text).astimezone(UTC)


MONDAY_NINE = at("2026-05-11T09:00+02:00")


def act(id, duration=NOTHING, *, calendar=None, before=((START, NOTHING),)):
    return Act(id, duration, calendar, before)


def moments(answer):
    return {one.id: (one.latest_start, one.latest_finish) for one in answer.acts}


def test_no_acts_before_a_start_is_no_answer_to_give():
    assert latest_by(MONDAY_NINE, []).acts == ()


def test_work_is_done_in_the_latest_working_time_before_the_start():
    answer = latest_by(MONDAY_NINE, [act("inspect", 3 * HOUR, calendar=CREW)])

    # Two hours on Monday and one on Friday afternoon.
    assert moments(answer) == {"inspect": (at("2026-05-08T15:00+02:00"), MONDAY_NINE)}


def test_an_act_must_be_over_before_the_earliest_of_those_that_follow_it():
    acts = [
        act("deliver", calendar=CREW, before=(("inspect", DAY), ("label", NOTHING))),
        act("label", HOUR),
        act("inspect", 2 * HOUR, calendar=CREW),
    ]

    answer = latest_by(MONDAY_NINE, acts)

    # A day before Monday at seven is Sunday, so Friday at four: the end of the window is still in it.
    friday_four = at("2026-05-08T16:00+02:00")
    assert [one.id for one in answer.acts] == ["deliver", "inspect", "label"]
    assert moments(answer)["deliver"] == (friday_four, friday_four)
    assert [one.decided_by for one in answer.acts] == ["inspect", START, START]


def test_a_lag_runs_day_and_night_and_over_the_clock_change():
    answer = latest_by(at("2026-03-30T08:00+02:00"), [act("deliver", before=((START, 48 * HOUR),))])

    assert answer.acts[0].latest_start == at("2026-03-28T07:00+01:00")


def test_acts_come_by_latest_start_and_then_by_id():
    acts = [act("b"), act("a"), act("c", HOUR)]

    assert [one.id for one in latest_by(MONDAY_NINE, acts).acts] == ["c", "a", "b"]


# ---- late, and until when the answer is good ----


@pytest.mark.parametrize(
    ("past", "late"),
    [
        pytest.param(-SECOND, NOTHING, id="in-time"),
        pytest.param(NOTHING, NOTHING, id="exactly-on-time"),
        pytest.param(SECOND, SECOND, id="late-by-a-second"),
    ],
)
def test_an_act_is_late_by_the_time_since_its_latest_start(past, late):
    now = MONDAY_NINE + past

    assert latest_by(MONDAY_NINE, [act("call")], now=now).acts[0].late(now=now) == late


def test_the_answer_is_good_until_the_next_act_becomes_late():
    acts = [act("early", 2 * HOUR), act("next", HOUR), act("last")]
    now = MONDAY_NINE - 90 * MINUTE

    assert latest_by(MONDAY_NINE, acts, now=now).good_until == MONDAY_NINE - HOUR + SECOND
    assert latest_by(MONDAY_NINE, acts, now=MONDAY_NINE).good_until == MONDAY_NINE + SECOND
    assert latest_by(MONDAY_NINE, acts, now=MONDAY_NINE + SECOND).good_until is None
    assert latest_by(MONDAY_NINE, acts).good_until is None


@settings(deadline=None)
@given(st.lists(st.integers(0, 5), min_size=1, max_size=4), st.integers(-6, 2), st.integers(0, 20_000))
def test_good_until_never_lies(durations, shift, later):
    acts = [act(str(i), hours * HOUR) for i, hours in enumerate(durations)]
    now = MONDAY_NINE + shift * HOUR
    first = latest_by(MONDAY_NINE, acts, now=now)
    then = now + later * SECOND
    if first.good_until is not None:
        then = min(then, first.good_until - SECOND)

    again = latest_by(MONDAY_NINE, acts, now=then)

    assert again.acts == first.acts
    assert [one.late(now=then) > NOTHING for one in again.acts] == [
        one.late(now=now) > NOTHING for one in first.acts
    ]
    if first.good_until is not None:
        at_the_end = [one.late(now=first.good_until) > NOTHING for one in first.acts]
        assert at_the_end != [one.late(now=now) > NOTHING for one in first.acts]


# ---- refusals ----


def test_acts_that_wait_for_each_other_are_named():
    acts = [
        act("a", before=(("b", NOTHING),)),
        act("b", before=(("c", NOTHING),)),
        act("c", before=(("b", NOTHING), (START, NOTHING))),
        act("d"),
    ]

    with pytest.raises(Circle) as refused:
        latest_by(MONDAY_NINE, acts)

    assert sorted(refused.value.ids) == ["b", "c"]


def test_an_act_that_waits_for_itself_is_a_circle():
    with pytest.raises(Circle, match="a waits for a"):
        latest_by(MONDAY_NINE, [act("a", before=(("a", NOTHING),))])


def test_a_calendar_without_windows_can_hold_neither_work_nor_a_moment():
    never = Calendar.of_week(PARIS, {})

    for duration in (NOTHING, SECOND):
        with pytest.raises(NoWorkingTime) as refused:
            latest_by(MONDAY_NINE, [act("a", duration, calendar=never)])
        assert refused.value.id == "a"


def test_a_lag_of_more_than_a_thousand_years_is_refused_and_overflows_nothing():
    with pytest.raises(TooEarly) as refused:
        latest_by(MONDAY_NINE, [act("a", before=((START, timedelta.max),))])

    assert refused.value.id == "a"


@pytest.mark.parametrize(
    ("acts", "says"),
    [
        ([act("a"), act("a")], "used twice"),
        ([act(START)], "used twice"),
        ([act("a", before=())], "before nothing"),
    ],
)
def test_acts_that_contradict_themselves_are_errors(acts, says):
    with pytest.raises(ValueError, match=says):
        latest_by(MONDAY_NINE, acts)


def test_a_chain_of_ten_thousand_acts_is_no_trouble():
    names = [START, *(str(i) for i in range(10_000))]
    acts = [act(id, MINUTE, before=((follower, NOTHING),)) for follower, id in pairwise(names)]

    assert latest_by(MONDAY_NINE, acts).acts[0].latest_start == MONDAY_NINE - 10_000 * MINUTE


# ---- against counting minutes ----

ODD_DAYS = [
    ("Europe/Paris", date(2026, 3, 29)),
    ("Australia/Lord_Howe", date(2026, 4, 5)),
    ("Pacific/Apia", date(2011, 12, 30)),
    ("Africa/Casablanca", date(2026, 3, 22)),
    ("America/Havana", date(2026, 11, 1)),
]


@st.composite
def plans(draw):
    zone, odd = draw(st.sampled_from(ODD_DAYS))
    edges = [sorted(draw(st.sets(st.integers(0, 48), min_size=2, max_size=6))) for _ in DAYS]
    week = tuple(tuple((a * 30, b * 30) for a, b in list(pairwise(day))[::2]) for day in edges)
    calendar = Calendar(time_zone(zone), week)
    ids = ["a", "b", "c", "d"][: draw(st.integers(1, 4))]
    acts = []
    for i, id in enumerate(ids):
        followers = draw(st.sets(st.sampled_from([START, *ids[:i]]), min_size=1))
        lags = {follower: draw(st.sampled_from([0, 1, 45, 600])) for follower in sorted(followers)}
        minutes = draw(st.sampled_from([0, 1, 45, 300]))
        acts.append((id, minutes, draw(st.sampled_from([calendar, None])), lags))
    start = datetime(odd.year, odd.month, odd.day, tzinfo=UTC) + draw(st.integers(-1440, 2880)) * MINUTE
    return start, draw(st.permutations(acts))


@settings(deadline=None, max_examples=50)
@given(plans())
def test_every_act_is_where_counting_minutes_puts_it(plan):
    start, drafts = plan
    acts = [
        Act(id, minutes * MINUTE, calendar, tuple((f, lag * MINUTE) for f, lag in lags.items()))
        for id, minutes, calendar, lags in drafts
    ]

    found = moments(latest_by(start, acts))

    for id, minutes, calendar, lags in drafts:
        limit = min((start if f == START else found[f][0]) - lag * MINUTE for f, lag in lags.items())
        if calendar is None:
            assert found[id] == (limit - minutes * MINUTE, limit)
        else:
            assert found[id] == wall_clock.latest_work(calendar, limit, minutes, reach=20 * DAY)
