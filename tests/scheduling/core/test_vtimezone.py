"""Every zone's clock as written against the zone database, read by a reader that knows RFC 5545 only."""

from __future__ import annotations

import zoneinfo
from datetime import UTC, datetime, timedelta
from functools import cache
from zoneinfo import ZoneInfo

import pytest
import tzdata  # type: ignore[import-untyped]
from icalendar import Timezone

from scheduling.core.vtimezone import tzdata_version, zone_clock
from tests.scheduling.core import ics

NAMES = sorted(zoneinfo.available_timezones())
FIRST, LAST = datetime(2026, 1, 1, tzinfo=UTC), datetime(2028, 12, 31, tzinfo=UTC)

CHICAGO = b"""BEGIN:VTIMEZONE
TZID:America/Chicago
BEGIN:DAYLIGHT
DTSTART:19700308T020000
TZOFFSETFROM:-0600
TZOFFSETTO:-0500
TZNAME:CDT
RRULE:FREQ=YEARLY;BYDAY=2SU;BYMONTH=3
END:DAYLIGHT
BEGIN:STANDARD
DTSTART:19701101T020000
TZOFFSETFROM:-0500
TZOFFSETTO:-0600
TZNAME:CST
RRULE:FREQ=YEARLY;BYDAY=1SU;BYMONTH=11
END:STANDARD
END:VTIMEZONE
""".replace(b"\n", b"\r\n")


def parsed(body: bytes) -> ics.Component:
    calendar = ics.read(b"BEGIN:VCALENDAR\r\n" + body + b"END:VCALENDAR\r\n")
    (zone,) = calendar.inside
    return zone


def as_read(name: str) -> list[ics.Onset]:
    """Return the turns of a zone as its VTIMEZONE for 2026 to 2028 says them, a year more on each side."""
    return read_turns(zone_clock(name, 2026, 2028).body.replace(name.encode(), b"X"))


@cache
def read_turns(body: bytes) -> list[ics.Onset]:
    return ics.onsets(parsed(body), until=2029)


def differs(name: str, instants: list[datetime]) -> list[datetime]:
    """Return the instants, which come in order, at which the written clock and the zone database disagree."""
    clock, turns = ZoneInfo(name), as_read(name)
    wrong, passed = [], 0
    for at in instants:
        while passed < len(turns) and turns[passed].at <= at:
            passed += 1
        if not passed or turns[passed - 1].new != at.astimezone(clock).utcoffset():
            wrong.append(at)
    return wrong


def every(step: timedelta) -> list[datetime]:
    return [FIRST + step * count for count in range((LAST - FIRST) // step + 1)]


def test_all_zones_of_the_database_keep_their_time_from_2026_to_2028():
    # Source: the IANA zone database as zoneinfo reads it.
    coarse = every(timedelta(days=9, hours=5))

    assert len(NAMES) > 500
    assert {name: wrong for name in NAMES if (wrong := differs(name, coarse))} == {}


@pytest.mark.parametrize("name", NAMES[::15])
def test_a_spread_of_zones_keeps_its_time_every_13_hours(name):
    assert differs(name, every(timedelta(hours=13))) == []


def test_all_zones_turn_to_the_second():
    for name in NAMES:
        seconds = [turn.at + timedelta(seconds=shift) for turn in as_read(name) for shift in (-1, 0)]
        assert differs(name, [at for at in seconds if FIRST <= at <= LAST]) == [], name


@pytest.mark.parametrize(
    ("name", "turns"),
    [
        # Source: IANA zone database, rules US, EU, Eire, LH: the day in words, and the hour in UTC by hand.
        ("America/Chicago", ["2026-03-08T08:00", "2026-11-01T07:00"]),
        ("Europe/Paris", ["2026-03-29T01:00", "2026-10-25T01:00"]),
        ("Europe/Dublin", ["2026-03-29T01:00", "2026-10-25T01:00"]),
        ("Australia/Lord_Howe", ["2026-04-04T15:00", "2026-10-03T15:30"]),
        # Source: IANA zone database 2026f, rule Morocco and the last lines of Casablanca.
        ("Africa/Casablanca", ["2026-02-15T02:00", "2026-03-22T02:00", "2026-09-20T01:00"]),
        ("Asia/Kolkata", []),
    ],
)
def test_the_turns_of_2026(name, turns):
    written = [turn for turn in as_read(name) if turn.wall.year == 2026]

    assert [f"{turn.at:%Y-%m-%dT%H:%M}" for turn in written] == turns


def test_chicago_is_the_worked_example():
    # Source: the worked feed of the calendar rules.
    assert zone_clock("America/Chicago", 2026, 2026).body == CHICAGO


def test_daylight_is_the_clock_put_forward_whatever_the_database_calls_it():
    # Source: IANA zone database: Dublin's summer is its standard time, winter has a negative saving.
    assert ZoneInfo("Europe/Dublin").dst(datetime(2026, 1, 1)) == timedelta(hours=-1)  # noqa: DTZ001 a wall time
    daylight, standard = parsed(zone_clock("Europe/Dublin", 2026, 2026).body).inside

    assert (daylight.name, daylight.value("TZOFFSETTO")) == ("DAYLIGHT", "+0100")
    assert (standard.name, standard.value("TZOFFSETTO")) == ("STANDARD", "+0000")


def test_lord_howe_moves_by_half_an_hour():
    # Source: IANA zone database, rule LH.
    assert {abs(turn.new - turn.old) for turn in as_read("Australia/Lord_Howe")} == {timedelta(minutes=30)}


def test_a_zone_without_changes_has_one_standard_since_1970():
    clock = zone_clock("Asia/Kolkata", 2026, 2026)
    (only,) = parsed(clock.body).inside

    assert only.name == "STANDARD"
    assert [value for _, _, value in only.lines] == ["19700101T000000", "+0530", "+0530", "IST"]
    assert not clock.listed


def test_a_zone_without_yearly_rules_lists_its_changes_without_rule_or_date_list():
    clock = zone_clock("Africa/Casablanca", 2026, 2026)
    first, *changes = parsed(clock.body).inside

    assert clock.listed
    assert b"RRULE" not in clock.body
    assert b"RDATE" not in clock.body
    assert first.value("DTSTART") == "20250101T000000"
    assert first.value("TZOFFSETFROM") == first.value("TZOFFSETTO")
    assert [part.value("DTSTART")[:8] for part in changes] == [
        "20250223",
        "20250406",
        "20260215",
        "20260322",
        "20260920",
    ]


@pytest.mark.parametrize("name", ["America/Chicago", "Africa/Casablanca", "Asia/Kolkata"])
def test_the_clock_covers_a_year_more_on_each_side(name):
    body = zone_clock(name, 2026, 2026).body
    turns = ics.onsets(parsed(body), until=2028)

    for at in (datetime(2025, 1, 2, tzinfo=UTC), datetime(2027, 12, 31, tzinfo=UTC)):
        last = [turn for turn in turns if turn.at <= at][-1]
        assert last.new == at.astimezone(ZoneInfo(name)).utcoffset()


@pytest.mark.parametrize(
    "name",
    [
        "America/Chicago",
        "Europe/Paris",
        "Europe/Dublin",
        "Australia/Lord_Howe",
        "Asia/Kolkata",
        "Africa/Casablanca",
    ],
)
def test_a_second_reader_made_to_use_this_clock_alone_tells_the_same_time(name):
    clock = Timezone.from_ical(zone_clock(name, 2026, 2028).body).to_tz(lookup_tzid=False)

    for at in every(timedelta(hours=37)):
        assert at.astimezone(clock).utcoffset() == at.astimezone(ZoneInfo(name)).utcoffset(), at


def test_the_zone_name_is_written_as_the_site_has_it():
    assert parsed(zone_clock("US/Central", 2026, 2026).body).value("TZID") == "US/Central"


def test_the_same_question_is_answered_from_the_cache():
    assert zone_clock("Europe/Paris", 2026, 2027) is zone_clock("Europe/Paris", 2026, 2027)


def test_years_in_the_wrong_order_are_refused():
    with pytest.raises(ValueError, match="last_year"):
        zone_clock("Europe/Paris", 2027, 2026)


def test_an_unknown_zone_is_refused():
    with pytest.raises(zoneinfo.ZoneInfoNotFoundError):
        zone_clock("Europe/Setday", 2026, 2026)


def test_the_edition_is_the_one_of_the_pinned_package_and_no_other_is_read():
    assert tzdata_version() == tzdata.__version__
    assert zoneinfo.TZPATH == ()
