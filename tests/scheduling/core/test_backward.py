"""The acts that keep a planned start, each with the last moment that helps; all moments worked by hand."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from jobs.core.worktime import Calendar, parse_week
from scheduling.core.backward import open_acts
from scheduling.core.holds import Act, judge_room
from scheduling.core.room_facts import (
    Delivery,
    Inspection,
    Placement,
    PlacementRest,
    Requirement,
    RestState,
    RoomFacts,
)

PARIS = ZoneInfo("Europe/Paris")
CREW = Calendar.of_week(PARIS, parse_week("Mon-Fri 07:00-15:30"))
HOUR = timedelta(hours=1)
#: A Wednesday, 08:00 in Paris; the start is on Friday at 07:00.
NOW = datetime(2026, 5, 13, 6, 0, tzinfo=UTC)
FRIDAY_SEVEN = datetime(2026, 5, 15, 5, 0, tzinfo=UTC)


def moments(facts):
    holds = judge_room(facts, now=NOW).holds
    acts = open_acts(facts, holds, start=FRIDAY_SEVEN, crew=CREW, lead=timedelta(days=6))
    return {act.act: act.latest_at for act in acts}


def room(**facts):
    needed = (Requirement(product="P", label="P", sheets=24, one_batch=True),)
    return RoomFacts(time_zone=PARIS, requirement=needed, rest_required=24 * HOUR, **facts)


def placed(batch, sheets):
    rest = PlacementRest(state=RestState.PROVEN, proven_at=NOW - HOUR)
    return Placement(id=batch, product="P", batch=batch, sheets=sheets, in_at=NOW - 48 * HOUR, rest=rest)


def seen(batch, sheets):
    at = NOW - 40 * HOUR
    return Inspection(
        id=f"{batch}/seen", placement=batch, at=at, inspected=sheets, rejected=0, mark_seen=True
    )


def test_a_word_on_the_mix_is_in_time_until_the_start():
    facts = room(placements=(placed("A", 14), placed("B", 12)), inspections=(seen("A", 14), seen("B", 12)))

    assert moments(facts) == {Act.ACKNOWLEDGE_MIX: FRIDAY_SEVEN}


def test_sheets_on_their_way_must_come_before_the_whole_rest():
    coming = Delivery(
        id="D", product="P", batch="A", sheets=24, expected_at=NOW + 4 * HOUR, by="supplier", dispatched=True
    )

    assert moments(room(deliveries=(coming,))) == {Act.CONFIRM_ARRIVAL: FRIDAY_SEVEN - 24 * HOUR}
