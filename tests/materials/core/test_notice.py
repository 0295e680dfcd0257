"""Periods of notice: days counted by hand on the calendar of 2026, in the site's own zone."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from jobs.core.words import Say
from materials.core.notice import (
    NOT_ADVICE,
    RULES,
    Against,
    Carriage,
    Counts,
    Ground,
    Period,
    Urgency,
    in_order,
    last_day,
    notice_of,
    notice_words,
    period_words,
    rule_for,
    rules_for,
)

PARIS, NEW_YORK, AUCKLAND = map(ZoneInfo, ("Europe/Paris", "America/New_York", "Pacific/Auckland"))
SECOND = timedelta(seconds=1)
SEVEN, FIVE = Period(7, Counts.NO_SUNDAYS), Period(5, Counts.BUSINESS)
# 12 June 2026 is a Friday; 14 July 2026, a Tuesday, is a public holiday in France.
FRIDAY = date(2026, 6, 12)
BASTILLE = date(2026, 7, 14)


@pytest.mark.parametrize(
    ("period", "arrived_on", "holidays", "last_on"),
    [
        # CMR art. 30(1): 13 Sat, 15 Mon, 16, 17, 18, 19, 20 Sat; the 14th is a Sunday.
        pytest.param(SEVEN, FRIDAY, (), date(2026, 6, 20), id="seven-days-from-a-friday"),
        # Tue 7 July: 8, 9, 10, 11, 13 and then the holiday on what would be the sixth: 15, 16.
        pytest.param(SEVEN, date(2026, 7, 7), (BASTILLE,), date(2026, 7, 16), id="a-holiday-within"),
        # Mon 6 July: 7, 8, 9, 10, 11, 13 are six; the seventh would be the holiday.
        pytest.param(SEVEN, date(2026, 7, 6), (BASTILLE,), date(2026, 7, 15), id="a-holiday-on-the-last-day"),
        pytest.param(SEVEN, date(2026, 7, 6), (), BASTILLE, id="the-same-without-it"),
        # A Sunday itself is day 0 like any other: 15 Mon to 20 Sat, 22 Mon.
        pytest.param(SEVEN, date(2026, 6, 14), (), date(2026, 6, 22), id="arrived-on-a-sunday"),
        # A holiday on a Sunday takes nothing more away.
        pytest.param(SEVEN, FRIDAY, (date(2026, 6, 14),), date(2026, 6, 20), id="a-holiday-on-a-sunday"),
        # NMFC item 300135: 15 Mon to 19 Fri.
        pytest.param(FIVE, FRIDAY, (), date(2026, 6, 19), id="five-business-days-over-a-weekend"),
        pytest.param(FIVE, date(2026, 6, 13), (), date(2026, 6, 19), id="arrived-on-a-saturday"),
        # Fri 3 July 2026 is the day that Independence Day, a Saturday, is kept on (5 U.S.C. 6103(b), from memory).
        pytest.param(
            FIVE, date(2026, 6, 30), (date(2026, 7, 3),), date(2026, 7, 8), id="a-holiday-on-a-friday"
        ),
        # CMR art. 30(3): 12 + 21 = 33, which is 3 July.
        pytest.param(
            Period(21), FRIDAY, (date(2026, 7, 3),), date(2026, 7, 3), id="21-days-whatever-they-are"
        ),
        # 270 days: 18 left of June, 31, 31, 30, 31, 30, 31 to the end of the year are 202; 68 more: 31, 28, 9 March.
        pytest.param(Period(270), FRIDAY, (), date(2027, 3, 9), id="270-days"),
        pytest.param(Period(0), FRIDAY, (), FRIDAY, id="day-0"),
        pytest.param(
            Period(0, Counts.BUSINESS), date(2026, 6, 14), (), date(2026, 6, 14), id="day-0-on-a-sunday"
        ),
        pytest.param(Period(None), FRIDAY, (), None, id="promptly"),
    ],
)
def test_the_last_day_is_counted_from_the_day_after_the_arrival(period, arrived_on, holidays, last_on):
    assert last_day(period, arrived_on, holidays=holidays) == last_on


@pytest.mark.parametrize(
    ("zone", "arrived_at", "last_on", "ends_at"),
    [
        # Paris is two hours ahead in June: 21:59:59 UTC is Friday night, a second later it is Saturday.
        pytest.param(
            PARIS,
            datetime(2026, 6, 12, 21, 59, 59, tzinfo=UTC),
            date(2026, 6, 13),
            datetime(2026, 6, 13, 22, tzinfo=UTC),
            id="a-second-before-midnight",
        ),
        pytest.param(
            PARIS,
            datetime(2026, 6, 12, 22, tzinfo=UTC),
            date(2026, 6, 14),
            datetime(2026, 6, 14, 22, tzinfo=UTC),
            id="at-midnight",
        ),
        # Auckland is twelve hours ahead in June: Friday 12:00 UTC is the Saturday's first instant there.
        pytest.param(
            AUCKLAND,
            datetime(2026, 6, 12, 12, tzinfo=UTC),
            date(2026, 6, 14),
            datetime(2026, 6, 14, 12, tzinfo=UTC),
            id="another-day-than-in-utc",
        ),
        # New York goes from -5 to -4 on Sunday 8 March 2026, so the last day has 23 hours.
        pytest.param(
            NEW_YORK,
            datetime(2026, 3, 7, 15, tzinfo=UTC),
            date(2026, 3, 8),
            datetime(2026, 3, 9, 4, tzinfo=UTC),
            id="a-last-day-of-23-hours",
        ),
    ],
)
def test_days_are_those_of_the_site(zone, arrived_at, last_on, ends_at):
    one = notice_of(Period(1), arrived_at, zone=zone, now=arrived_at)

    assert (one.last_on, one.ends_at) == (last_on, ends_at)
    assert one.is_in_time(ends_at - SECOND) is True
    assert one.is_in_time(ends_at) is False


def paris(day, hour=9):
    return datetime(2026, 6, day, hour, tzinfo=PARIS).astimezone(UTC)


# Seven days from Friday 12 June count 13, 15, 16, 17, 18, 19, 20.
@pytest.mark.parametrize(
    ("day", "urgency", "days_left", "counted_left"),
    [
        pytest.param(12, Urgency.OPEN, 8, 7, id="on-arrival"),
        pytest.param(14, Urgency.OPEN, 6, 6, id="on-the-sunday"),
        pytest.param(17, Urgency.OPEN, 3, 3, id="three-to-go"),
        pytest.param(18, Urgency.NEAR, 2, 2, id="two-to-go"),
        pytest.param(20, Urgency.LAST_DAY, 0, 0, id="the-last-day"),
        pytest.param(21, Urgency.OVER, 0, 0, id="the-day-after"),
    ],
)
def test_a_period_nears_its_end(day, urgency, days_left, counted_left):
    one = notice_of(SEVEN, paris(12), zone=PARIS, now=paris(day))

    assert (one.urgency, one.days_left, one.counted_left) == (urgency, days_left, counted_left)


def test_business_days_left_are_fewer_than_the_calendar_shows():
    # From Friday 19 June to Monday 22 June there are three days, one of them a working day.
    one = notice_of(Period(10, Counts.BUSINESS), paris(8), zone=PARIS, now=paris(19))

    assert (one.last_on, one.days_left, one.counted_left) == (date(2026, 6, 22), 3, 1)
    assert one.urgency is Urgency.NEAR


@pytest.mark.parametrize(("left", "urgency"), [(28, Urgency.OPEN), (27, Urgency.NEAR)])
def test_a_long_period_is_near_its_end_in_its_last_tenth(left, urgency):
    arrived_at = datetime(2026, 1, 5, 9, tzinfo=UTC)

    one = notice_of(Period(270), arrived_at, zone=PARIS, now=arrived_at + timedelta(days=270 - left))

    assert (one.counted_left, one.urgency) == (left, urgency)


def test_promptly_presses_from_the_first_day_and_has_no_end():
    one = notice_of(Period(None), paris(12), zone=PARIS, now=paris(30))

    assert (one.urgency, one.is_pressing, one.good_until) == (Urgency.PROMPTLY, True, None)
    assert (one.last_on, one.ends_at, one.is_in_time(paris(30))) == (None, None, None)


@pytest.mark.parametrize(("day", "is_pressing"), [(12, False), (18, True), (20, True), (21, False)])
def test_only_what_can_still_be_done_and_soon_presses(day, is_pressing):
    assert notice_of(SEVEN, paris(12), zone=PARIS, now=paris(day)).is_pressing is is_pressing


def test_an_answer_is_good_until_midnight_on_the_site_and_for_good_once_it_is_over():
    last = notice_of(SEVEN, paris(12), zone=PARIS, now=paris(20))
    over = notice_of(SEVEN, paris(12), zone=PARIS, now=paris(21))

    assert last.good_until == last.ends_at == datetime(2026, 6, 20, 22, tzinfo=UTC)
    assert over.good_until is None


@pytest.mark.parametrize("days", [-1, 3_661])
def test_a_period_that_is_a_slip_is_refused(days):
    with pytest.raises(ValueError, match="0 to 3660 days"):
        Period(days)


# ---- the table


# trade-facts 8.7 to 8.10.
@pytest.mark.parametrize(
    ("ground", "carriage", "codes"),
    [
        (Ground.VISIBLE, Carriage.CMR, ["cmr_visible", "sale"]),
        (Ground.HIDDEN, Carriage.CMR, ["cmr_hidden", "sale"]),
        (Ground.DELAY, Carriage.CMR, ["cmr_delay", "sale"]),
        (Ground.HIDDEN, Carriage.US_ROAD, ["us_hidden", "us_claim", "sale"]),
        (Ground.DELAY, Carriage.US_ROAD, ["us_claim", "sale"]),
        (Ground.VISIBLE, Carriage.OTHER, ["sale"]),
    ],
)
def test_each_carriage_has_its_rules(ground, carriage, codes):
    assert [rule.code for rule in rules_for(ground, carriage)] == codes


@pytest.mark.parametrize(
    ("code", "days", "counts"),
    [
        ("cmr_visible", 0, Counts.CALENDAR),
        ("cmr_hidden", 7, Counts.NO_SUNDAYS),
        ("cmr_delay", 21, Counts.CALENDAR),
        ("us_hidden", 5, Counts.BUSINESS),
        ("us_claim", 270, Counts.CALENDAR),
        ("sale", None, Counts.CALENDAR),
    ],
)
def test_the_periods_are_those_of_the_trade_facts(code, days, counts):
    (rule,) = [rule for rule in RULES if rule.code == code]

    assert rule.period == Period(days, counts)
    assert rule.source


def test_the_contract_comes_first_and_then_the_strictest_rule_of_whom_is_told():
    own = Period(14)

    assert rule_for(Ground.HIDDEN, Carriage.CMR, own=own).period == own
    assert rule_for(Ground.HIDDEN, Carriage.CMR).code == "sale"
    assert rule_for(Ground.HIDDEN, Carriage.CMR, against=Against.CARRIER).code == "cmr_hidden"
    assert rule_for(Ground.HIDDEN, Carriage.US_ROAD, against=Against.CARRIER).code == "us_hidden"
    assert rule_for(Ground.HIDDEN, Carriage.OTHER, against=Against.CARRIER) is None


def test_what_ends_first_comes_first_and_what_has_no_day_last():
    periods = [Period(None), Period(21), SEVEN]
    notices = [notice_of(period, paris(12), zone=PARIS, now=paris(12)) for period in periods]

    assert [one.period.days for one in in_order(notices)] == [7, 21, None]


# ---- words


@pytest.mark.parametrize(
    ("day", "text"),
    [
        (12, "{n} days left for notice: it ends with {day}."),
        (20, "The time for notice ends today, {day}."),
        (21, "The time for notice ended with {day}."),
    ],
)
def test_a_notice_says_its_day(day, text):
    said = notice_words(notice_of(SEVEN, paris(12), zone=PARIS, now=paris(day)))

    assert text in (said.text, said.many)
    assert said.values["day"] == date(2026, 6, 20)


def test_promptly_is_said_and_so_is_that_this_is_no_advice():
    assert notice_words(notice_of(Period(None), paris(12), zone=PARIS, now=paris(12))).text.endswith(
        "promptly."
    )
    assert "not legal advice" in NOT_ADVICE.text


@pytest.mark.parametrize(
    ("period", "text"),
    [
        (Period(None), "promptly"),
        (Period(0), "on the day of arrival"),
        (Period(21), "within {n} days"),
        (FIVE, "within {n} business days"),
        (SEVEN, "within {n} days, Sundays and public holidays not counted"),
    ],
)
def test_a_period_is_said_as_a_clause(period, text):
    said = period_words(period)

    assert isinstance(said, Say)
    assert text in (said.text, said.many)


# ---- what holds for every period


DAYS = st.dates(date(2026, 1, 1), date(2027, 12, 31))
PERIODS = st.builds(Period, st.integers(0, 60), st.sampled_from(Counts))
ZONES = st.sampled_from([PARIS, NEW_YORK, AUCKLAND, ZoneInfo("America/Santiago"), ZoneInfo("Asia/Beirut")])
INSTANTS = st.integers(0, 700 * 86_400).map(lambda s: datetime(2026, 1, 1, tzinfo=UTC) + s * SECOND)


@given(PERIODS, DAYS, st.sets(DAYS, max_size=20))
def test_exactly_the_days_that_count_lie_between_arrival_and_last_day(period, arrived_on, holidays):
    last_on = last_day(period, arrived_on, holidays=holidays)

    between = [arrived_on + timedelta(days=i) for i in range(1, (last_on - arrived_on).days + 1)]
    weekend = {Counts.CALENDAR: (), Counts.BUSINESS: (5, 6), Counts.NO_SUNDAYS: (6,)}[period.counts]
    off = set() if period.counts is Counts.CALENDAR else holidays
    counted = [day for day in between if day.weekday() not in weekend and day not in off]
    assert len(counted) == period.days
    # And it ends on one of them, so that it is not a day longer than it must be.
    assert not counted or counted[-1] == last_on


@given(PERIODS, DAYS, st.sets(DAYS, max_size=20), DAYS)
def test_a_further_holiday_never_shortens_a_period(period, arrived_on, holidays, further):
    before = last_day(period, arrived_on, holidays=holidays)

    assert last_day(period, arrived_on, holidays=holidays | {further}) >= before


@given(PERIODS, ZONES, INSTANTS, st.integers(0, 90 * 86_400), st.integers(0, 40 * 3_600))
def test_an_answer_stays_as_it_is_until_good_until_and_changes_there(period, zone, arrived_at, waited, more):
    now = arrived_at + waited * SECOND
    one = notice_of(period, arrived_at, zone=zone, now=now)

    later = now + more * SECOND
    if one.good_until is None or later < one.good_until:
        assert notice_of(period, arrived_at, zone=zone, now=later) == one
    if one.good_until is not None:
        assert notice_of(period, arrived_at, zone=zone, now=one.good_until) != one


@given(PERIODS, ZONES, INSTANTS)
def test_the_last_instant_lies_on_the_last_day_of_the_site(period, zone, arrived_at):
    one = notice_of(period, arrived_at, zone=zone, now=arrived_at)

    assert (one.ends_at - SECOND).astimezone(zone).date() == one.last_on
    assert one.ends_at.astimezone(zone).date() > one.last_on
