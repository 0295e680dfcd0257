from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from jobs.core.units import Unreadable
from jobs.core.worktime import (
    DAYS,
    Calendar,
    common,
    days_span,
    first_fault,
    hours_on,
    instant_at,
    joined,
    latest_work,
    length_of,
    minute_of,
    parse_week,
    print_week,
    site_zone,
    time_zone,
    without,
)
from tests.jobs.core import wall_clock

PARIS = time_zone("Europe/Paris")
HOUR = timedelta(hours=1)
MINUTE = timedelta(minutes=1)
DAY = timedelta(days=1)
T0 = datetime(2026, 5, 11, tzinfo=UTC)

# Zone, and a day near an odd change of its clock.
ODD_DAYS = [
    ("Europe/Paris", date(2026, 3, 29)),
    ("Europe/Paris", date(2026, 10, 25)),
    ("America/New_York", date(2026, 11, 1)),
    ("Australia/Lord_Howe", date(2026, 4, 5)),  # half an hour back
    ("Australia/Lord_Howe", date(2026, 10, 4)),  # half an hour forward
    ("Pacific/Apia", date(2011, 12, 30)),  # a day that did not happen
    ("Africa/Casablanca", date(2026, 2, 15)),  # back for Ramadan
    ("Africa/Casablanca", date(2026, 3, 22)),  # and forward again
    ("Africa/Cairo", date(2026, 4, 24)),  # midnight does not happen
    ("America/Havana", date(2026, 11, 1)),  # midnight happens twice
    ("Antarctica/Troll", date(2026, 3, 29)),  # two hours forward
    ("Asia/Kathmandu", date(2026, 5, 11)),  # no change, 5 h 45 east
]


def at(text):
    return datetime.fromisoformat(text).astimezone(UTC)


def hours(first, last):
    return T0 + first * HOUR, T0 + last * HOUR


@st.composite
def day_windows(draw):
    edges = sorted(draw(st.sets(st.integers(0, 48), max_size=6)))
    return tuple((start * 30, end * 30) for start, end in list(pairwise(edges))[::2])


@st.composite
def calendars(draw):
    zone, odd = draw(st.sampled_from(ODD_DAYS))
    week = tuple(draw(st.lists(day_windows(), min_size=7, max_size=7)))
    days = draw(st.dictionaries(st.integers(-3, 3).map(lambda n: odd + n * DAY), day_windows(), max_size=3))
    return odd, Calendar(time_zone(zone), week, days)


spans = st.lists(st.tuples(st.integers(0, 40), st.integers(0, 40)).map(lambda pair: hours(*pair)), max_size=6)


@pytest.mark.parametrize(
    ("day", "minute", "zone", "expected"),
    [
        # The examples of RFC 5545, 3.3.5, from memory: 1:30 on the autumn change is the first, in daylight
        # time; 2:30 on the spring change is read with the offset before, which is 3:30 in daylight time.
        pytest.param(date(2007, 11, 4), 90, "America/New_York", "2007-11-04T01:30-04:00", id="twice"),
        pytest.param(date(2007, 3, 11), 150, "America/New_York", "2007-03-11T03:30-04:00", id="never"),
        # The rest worked by hand from the changes of the zones.
        pytest.param(date(2026, 3, 29), 150, "Europe/Paris", "2026-03-29T01:30Z", id="never-in-paris"),
        pytest.param(date(2026, 10, 25), 150, "Europe/Paris", "2026-10-25T00:30Z", id="twice-in-paris"),
        pytest.param(date(2026, 5, 11), 1440, "Europe/Paris", "2026-05-11T22:00Z", id="24-is-next-midnight"),
        pytest.param(date(2026, 10, 4), 135, "Australia/Lord_Howe", "2026-10-03T15:45Z", id="half-hour-gap"),
        pytest.param(date(2026, 4, 5), 105, "Australia/Lord_Howe", "2026-04-04T14:45Z", id="half-hour-twice"),
        pytest.param(date(2011, 12, 30), 480, "Pacific/Apia", "2011-12-30T18:00Z", id="a-day-that-never-was"),
        pytest.param(date(2026, 4, 23), 1440, "Africa/Cairo", "2026-04-23T22:00Z", id="24-that-never-was"),
        pytest.param(date(2026, 11, 1), 0, "America/Havana", "2026-11-01T04:00Z", id="midnight-twice"),
    ],
)  # fmt: skip
def test_a_wall_time_becomes_an_instant_by_the_rule_of_rfc_5545(day, minute, zone, expected):
    assert instant_at(day, minute, time_zone(zone)) == at(expected)


@pytest.mark.parametrize(("zone", "odd"), ODD_DAYS)
def test_every_wall_time_near_an_odd_change_agrees_with_a_look_at_the_clock(zone, odd):
    zone = time_zone(zone)

    for day in (odd - DAY, odd, odd + DAY):
        for minute in range(0, 1441, 15):
            assert instant_at(day, minute, zone) == wall_clock.instant_of(day, minute, zone)


def test_a_day_of_the_spring_change_has_23_hours():
    first, last = days_span(date(2026, 3, 29), date(2026, 3, 29), PARIS)

    assert last - first == 23 * HOUR


def test_windows_that_overlap_after_the_change_are_joined():
    calendar = Calendar.of_week(PARIS, {"sun": [["01:00", "02:30"], ["03:00", "05:00"]]})

    assert calendar.on(date(2026, 3, 29)) == ((at("2026-03-29T00:00Z"), at("2026-03-29T03:00Z")),)


def test_a_window_that_comes_out_reversed_vanishes():
    calendar = Calendar.of_week(PARIS, {"sun": [["02:30", "03:00"]]})

    assert calendar.on(date(2026, 3, 29)) == ()


def test_the_windows_of_a_day_that_never_was_fall_on_the_next_and_are_joined_with_them():
    calendar = Calendar.of_week(time_zone("Pacific/Apia"), {day: [["08:00", "16:00"]] for day in DAYS})

    # Thursday 29 at -10:00, then Saturday 31 at +14:00, worked by hand.
    assert calendar.between(at("2011-12-29T12:00Z"), at("2011-12-31T12:00Z")) == (
        (at("2011-12-29T18:00Z"), at("2011-12-30T02:00Z")),
        (at("2011-12-30T18:00Z"), at("2011-12-31T02:00Z")),
    )


def test_a_date_of_its_own_replaces_the_windows_of_the_week():
    calendar = Calendar(PARIS, (((420, 960),),) * 7, {date(2026, 5, 11): ((0, 60),)})

    assert calendar.windows_of(date(2026, 5, 11)) == ((0, 60),)
    assert calendar.windows_of(date(2026, 5, 12)) == ((420, 960),)


@pytest.mark.parametrize("windows", [((60, 60),), ((60, 30),), ((0, 60), (59, 90)), ((0, 1441),), ((-1, 5),)])
def test_a_calendar_refuses_windows_out_of_order(windows):
    assert first_fault(windows) is not None
    with pytest.raises(ValueError, match="out of order"):
        Calendar(PARIS, (windows,) + ((),) * 6)


def test_windows_may_touch():
    assert first_fault(((0, 60), (60, 90))) is None


# ---- spans ----


@settings(deadline=None)
@given(spans, spans)
def test_common_and_left_over_make_the_whole(these, those):
    both, rest = common(these, those), without(these, those)

    assert joined((*both, *rest)) == joined(these)
    assert length_of(both) + length_of(rest) == length_of(these)
    assert common(both, those) == both
    assert common(rest, those) == ()


@settings(deadline=None)
@given(spans)
def test_joined_spans_stand_apart_in_order(these):
    assert all(a[1] < b[0] for a, b in pairwise(joined(these)))
    assert all(start < end for start, end in joined(these))


def test_a_crew_works_its_shift_within_the_sites_hours_less_its_time_off():
    crew = Calendar.of_week(PARIS, {"mon": [["06:00", "12:00"], ["13:00", "17:00"]]})
    site = Calendar.of_week(PARIS, {"mon": [["07:00", "16:00"]]})
    dentist = (at("2026-05-11T08:00+02:00"), at("2026-05-11T09:00+02:00"))

    assert hours_on(date(2026, 5, 11), crew=crew, site=site, off=[dentist]) == (
        (at("2026-05-11T07:00+02:00"), at("2026-05-11T08:00+02:00")),
        (at("2026-05-11T09:00+02:00"), at("2026-05-11T12:00+02:00")),
        (at("2026-05-11T13:00+02:00"), at("2026-05-11T16:00+02:00")),
    )
    assert hours_on(date(2026, 5, 12), crew=crew, site=site) == ()


# ---- working time backward ----


@settings(deadline=None, max_examples=60)
@given(calendars(), st.integers(-2 * 1440, 3 * 1440), st.sampled_from([0, 1, 30, 60, 90, 480, 1000]))
def test_the_latest_work_is_what_counting_minutes_finds(dated, shift, minutes):
    odd, calendar = dated
    limit = datetime(odd.year, odd.month, odd.day, tzinfo=UTC) + shift * MINUTE

    found = latest_work(calendar, limit, minutes * MINUTE)
    expected = wall_clock.latest_work(calendar, limit, minutes, reach=12 * DAY)

    if expected is not None:
        assert found == expected
    else:
        assert found is None or found[0] < limit - 12 * DAY


@settings(deadline=None)
@given(calendars(), st.integers(-2 * 86_400, 3 * 86_400), st.integers(1, 3_000_000))
def test_the_latest_work_has_exactly_its_duration_and_a_second_later_has_less(dated, shift, seconds):
    odd, calendar = dated
    limit = datetime(odd.year, odd.month, odd.day, tzinfo=UTC) + timedelta(seconds=shift)
    duration = timedelta(seconds=seconds)

    found = latest_work(calendar, limit, duration)

    if found is None:
        assert length_of(calendar.between(limit - 800 * DAY, limit)) < duration
    else:
        assert length_of(calendar.between(found[0], limit)) == duration
        assert length_of(calendar.between(found[0] + timedelta(seconds=1), limit)) < duration
        assert length_of(calendar.between(found[1], limit)) == timedelta(0)


def test_800_days_back_counts_and_a_second_more_does_not():
    # One window, the hour before midnight UTC on 1 January 2026.
    calendar = Calendar(time_zone("UTC"), ((),) * 7, {date(2025, 12, 31): ((1380, 1440),)})
    end = datetime(2026, 1, 1, tzinfo=UTC)

    assert latest_work(calendar, end - HOUR + 800 * DAY, HOUR) == (end - HOUR, end)
    assert latest_work(calendar, end - HOUR + 800 * DAY + timedelta(seconds=1), HOUR) is None
    assert latest_work(calendar, end + 800 * DAY, timedelta(0)) == (end, end)
    assert latest_work(calendar, end + 800 * DAY + timedelta(seconds=1), timedelta(0)) is None


def test_without_a_calendar_all_time_is_working_time():
    assert latest_work(None, T0, 3 * HOUR) == (T0 - 3 * HOUR, T0)
    assert latest_work(None, T0, timedelta(0)) == (T0, T0)


# ---- zones ----


@pytest.mark.parametrize("name", ["Europe/Paris", "Asia/Calcutta", "America/Argentina/Buenos_Aires"])
def test_a_site_lies_in_a_zone_of_the_database_old_names_kept(name):
    assert site_zone(name).key == name


@pytest.mark.parametrize("name", ["Etc/UTC", "Etc/GMT+5", "localtime", "Factory"])
def test_a_site_lies_in_no_zone_that_is_no_place(name):
    with pytest.raises(Unreadable, match="no place"):
        site_zone(name)


@pytest.mark.parametrize(
    "name",
    ["", "Paris", "europe/paris", "Europe", "../Europe/Paris", "/etc/localtime", "posix/UTC", "zone.tab"],
)
def test_an_unknown_zone_is_refused(name):
    with pytest.raises(Unreadable, match="no time zone"):
        time_zone(name)


# ---- weeks as people write them ----


def test_a_week_is_read_and_printed():
    week = parse_week("Mon-Fri 06:30-18:00; Sat 08:00-12:00")

    assert week == {day: [["06:30", "18:00"]] for day in ("mon", "tue", "wed", "thu", "fri")} | {
        "sat": [["08:00", "12:00"]]
    }
    assert print_week(week) == "Mon-Fri 06:30-18:00; Sat 08:00-12:00"


@pytest.mark.parametrize(
    ("text", "printed"),
    [
        ("mon-fri 7:00-12:00, 13:00-16:00", "Mon-Fri 07:00-12:00, 13:00-16:00"),
        ("Fri-Mon 22:00-24:00", "Mon 22:00-24:00; Fri-Sun 22:00-24:00"),
        ("Monday, wednesday 08:00-09:00", "Mon 08:00-09:00; Wed 08:00-09:00"),
        (
            "Mon \u2013 Tue 08:00 \u2013 09:00\nTue 06:00-07:00",
            "Mon 08:00-09:00; Tue 06:00-07:00, 08:00-09:00",
        ),
        ("Sun 00:00-12:00 12:00-24:00", "Sun 00:00-12:00, 12:00-24:00"),
        ("  ;\n", ""),
    ],
)
def test_a_week_is_read_as_people_write_it(text, printed):
    assert print_week(parse_week(text)) == printed


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("Mon", "needs days and hours"),
        ("07:00-08:00", "needs days and hours"),
        ("Mon 08:00-09:00 Tue 08:00-09:00", "put a ;"),
        ("M 08:00-09:00", '"M" is no day'),
        ("Mo 08:00-09:00", '"Mo" is no day'),
        ("Mon 08:00", "beginning and an end"),
        ("Mon 25:00-26:00", '"25:00" is no time of day'),
        ("Mon 24:00-24:00", '"24:00" is no time of day'),
        ("Mon 08:60-09:00", '"08:60" is no time of day'),
        ("Mon 22:00-06:00", "ends before it begins"),
        ("Mon 08:00-08:00", "ends before it begins"),
        ("Mon-Fri 08:00-12:00; Mon 11:00-13:00", "The hours of Mon overlap."),
    ],
)
def test_a_week_that_cannot_be_meant_is_refused_in_words(text, says):
    with pytest.raises(Unreadable) as refused:
        parse_week(text)

    assert says in str(refused.value)


@settings(deadline=None)
@given(st.lists(day_windows(), min_size=7, max_size=7))
def test_a_printed_week_reads_back(windows):
    text = [
        [[f"{s // 60:02d}:{s % 60:02d}", f"{e // 60:02d}:{e % 60:02d}"] for s, e in day] for day in windows
    ]
    week = {day: day_text for day, day_text in zip(DAYS, text, strict=True) if day_text}

    assert parse_week(print_week(week)) == week


@pytest.mark.parametrize(("text", "minute"), [("00:00", 0), ("06:30", 390), ("23:59", 1439)])
def test_a_time_of_day_is_minutes_from_midnight(text, minute):
    assert minute_of(text) == minute


def test_24_is_a_time_only_where_a_window_ends():
    assert minute_of("24:00", ends=True) == 1440
    for text, ends in (("24:00", False), ("24:01", True), ("6:30", True), ("06:30:00", True), ("", False)):
        with pytest.raises(Unreadable):
            minute_of(text, ends=ends)
