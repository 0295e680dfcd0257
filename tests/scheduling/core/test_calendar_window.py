"""Which shifts a feed carries on which day, and when that changes by itself."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduling.core.calendar import (
    Feed,
    Status,
    StoredEvent,
    first_instant,
    in_window,
    next_window_change,
    render,
    visible,
    window_day,
)
from tests.scheduling.core.shifts import at, tell

SECOND = timedelta(seconds=1)
PARIS, CHICAGO = "Europe/Paris", "America/Chicago"


def stored(uid: str, zone: str, start: str, end: str, **more) -> StoredEvent:
    usual: dict[str, Any] = {
        "status": Status.CONFIRMED,
        "sequence": 0,
        "revised_at": datetime(2026, 1, 5, 8, tzinfo=UTC),
        "served": True,
    }
    return StoredEvent(
        uid=uid, zone=zone, start_at=at(zone, start), end_at=at(zone, end), summary="Room", **(usual | more)
    )


DAY_SHIFT = stored("day", PARIS, "2026-07-01T07:00", "2026-07-01T15:30")


@pytest.mark.parametrize(
    ("today", "inside"),
    [
        # Worked by hand: 180 days before 1 July 2026 is 2 January, 28 days after it is 29 July.
        ("2026-01-01T23:59:59", False),
        ("2026-01-02T00:00:00", True),
        ("2026-07-29T23:59:59", True),
        ("2026-07-30T00:00:00", False),
    ],
)
def test_the_window_holds_whole_days_from_28_back_to_180_ahead(today, inside):
    assert in_window(DAY_SHIFT, at(PARIS, today)) is inside


@pytest.mark.parametrize(
    ("end", "last_day"),
    [
        pytest.param("2026-07-02T06:00", "2026-07-02", id="a-night-belongs-to-the-day-it-ends"),
        pytest.param("2026-07-02T00:00", "2026-07-01", id="midnight-ends-the-day-before"),
        pytest.param("2026-07-02T00:00:01", "2026-07-02", id="a-second-past-midnight"),
    ],
)
def test_a_shift_stands_on_the_day_of_its_end(end, last_day):
    night = stored("night", PARIS, "2026-07-01T22:00", end)
    leaves = at(PARIS, f"{last_day}T00:00") + timedelta(days=29)

    assert in_window(night, leaves - SECOND)
    assert not in_window(night, leaves)


def test_days_are_the_sites_own():
    event = replace(DAY_SHIFT, zone=CHICAGO)

    assert in_window(event, at(PARIS, "2026-07-30T06:59:59"))  # 29 July 23:59:59 in Chicago
    assert not in_window(event, at(PARIS, "2026-07-30T07:00:00"))
    assert window_day(CHICAGO, at(PARIS, "2026-07-30T06:59:59")) == date(2026, 7, 29)
    assert window_day(PARIS, at(PARIS, "2026-07-30T06:59:59")) == date(2026, 7, 30)


@pytest.mark.parametrize(
    ("zone", "day", "begins"),
    [
        # Source: IANA zone database: Beirut skips midnight on 29 March 2026 (rule Lebanon, last Sunday of
        # March at 00:00), Havana showed 00:00 to 01:00 twice on 3 November 2024 (rule Cuba, first Sunday).
        ("Asia/Beirut", date(2026, 3, 29), "2026-03-28T22:00"),
        ("America/Havana", date(2024, 11, 3), "2024-11-03T04:00"),
        (PARIS, date(2026, 3, 29), "2026-03-28T23:00"),
    ],
)
def test_a_day_begins_at_its_first_instant_also_where_midnight_is_skipped_or_doubled(zone, day, begins):
    begins_at = datetime.fromisoformat(begins).replace(tzinfo=UTC)

    assert first_instant(day, zone) == begins_at
    assert window_day(zone, begins_at) == day
    assert window_day(zone, begins_at - SECOND) == day - timedelta(days=1)


@pytest.mark.parametrize(
    ("now", "changes"),
    [
        pytest.param("2025-12-01T12:00", "2026-01-01T00:00", id="nothing-in-it-next-year-of-the-home-clock"),
        pytest.param("2026-01-01T12:00", "2026-01-02T00:00", id="it-enters"),
        pytest.param("2026-01-02T00:00", "2026-07-30T00:00", id="it-leaves"),
        pytest.param("2026-07-29T23:59", "2026-07-30T00:00", id="it-leaves-in-a-minute"),
        pytest.param("2026-07-30T00:00", "2027-01-01T00:00", id="it-has-left"),
    ],
)
def test_the_next_change_is_when_a_shift_enters_or_leaves(now, changes):
    assert next_window_change([DAY_SHIFT], at(PARIS, now), home_zone=PARIS) == at(PARIS, changes)


def test_a_withdrawn_shift_goes_in_the_middle_of_a_day():
    withdrawn_at = at(PARIS, "2026-06-01T10:17")
    event = replace(DAY_SHIFT, status=Status.CANCELLED, withdrawn_at=withdrawn_at)

    assert next_window_change([event], withdrawn_at, home_zone=PARIS) == at(PARIS, "2026-06-15T10:17")
    assert visible([event], at(PARIS, "2026-06-15T10:16:59")) == [event]
    assert visible([event], at(PARIS, "2026-06-15T10:17")) == []


def test_a_shift_withdrawn_long_before_it_would_enter_is_never_waited_for():
    event = replace(DAY_SHIFT, status=Status.CANCELLED, withdrawn_at=at(PARIS, "2025-12-01T10:00"))

    now = at(PARIS, "2025-12-02T10:00")

    assert next_window_change([event, replace(DAY_SHIFT, uid="other")], now, home_zone=PARIS) == min(
        at(PARIS, "2026-01-01T00:00"), at(PARIS, "2026-01-02T00:00")
    )
    assert visible([event], at(PARIS, "2026-01-03T00:00")) == []


def test_midnight_over_the_window_changes_the_bytes_and_nothing_before_it_does():
    stays = stored("stays", PARIS, "2026-07-10T07:00", "2026-07-10T15:30")
    midnight = at(PARIS, "2026-07-30T00:00")

    bodies = [
        body([DAY_SHIFT, stays], now)
        for now in (at(PARIS, "2026-07-29T00:00"), midnight - SECOND, midnight, midnight + SECOND)
    ]

    assert bodies[0] == bodies[1] != bodies[2] == bodies[3]
    assert (b"UID:day" in bodies[1], b"UID:day" in bodies[2]) == (True, False)


def body(events: list[StoredEvent], now: datetime) -> bytes:
    """Return the feed's bytes at `now`, at home where the clock follows no yearly rule."""
    feed = Feed(name="Crew", home_zone="Africa/Casablanca", events=visible(events, now))
    return render(feed, day=window_day(feed.home_zone, now), tell=tell).body


START = datetime(2026, 1, 1, tzinfo=UTC)
stored_events = st.builds(
    lambda number, zone, start_h, hours, withdrawn_h, served: StoredEvent(
        uid=f"{number}",
        zone=zone,
        start_at=START + timedelta(hours=start_h),
        end_at=START + timedelta(hours=start_h + hours),
        status=Status.CONFIRMED if withdrawn_h is None else Status.CANCELLED,
        summary="Room",
        sequence=0,
        revised_at=START,
        served=served,
        withdrawn_at=None if withdrawn_h is None else START + timedelta(hours=withdrawn_h),
    ),
    number=st.integers(0, 10**9),
    zone=st.sampled_from([PARIS, CHICAGO, "Asia/Beirut", "Africa/Casablanca"]),
    start_h=st.integers(0, 24 * 400).filter(lambda hour: hour % 24 >= 9),
    hours=st.integers(1, 14),
    withdrawn_h=st.none() | st.integers(0, 24 * 400),
    served=st.booleans(),
)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    events=st.lists(stored_events, max_size=5, unique_by=lambda event: event.uid),
    now_s=st.integers(0, 86_400 * 450),
    share=st.floats(0, 1, exclude_max=True),
)
def test_the_bytes_stay_the_same_until_the_next_change(events, now_s, share):
    now = START + timedelta(seconds=now_s)
    changes = next_window_change(events, now, home_zone="Africa/Casablanca")

    until = changes or now + timedelta(days=4_000)
    between = now + timedelta(seconds=int((until - now).total_seconds() * share))

    assert until > now
    assert body(events, between) == body(events, now) == body(events, until - SECOND)
