"""What a slipped arrival does: worked by hand, and against a judgement of every second there is."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from jobs.core.forecast import Forecast
from jobs.core.worktime import Calendar
from scheduling.core.holds import HoldState, judge_room
from scheduling.core.room_facts import (
    ColdStack,
    Delivery,
    HoldKind,
    Inspection,
    Milestone,
    Placement,
    PlacementRest,
    Requirement,
    RestState,
    RoomFacts,
    Waiver,
)
from scheduling.core.slip import Fed, Move, slip_of, slip_words
from tests.conftest import NOW

PARIS = ZoneInfo("Europe/Paris")
SECOND, MINUTE, HOUR, DAY = timedelta(seconds=1), timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)
PROVEN = PlacementRest(state=RestState.PROVEN, proven_at=NOW - HOUR)
# NOW is Wednesday 10 June 2026, 09:00 UTC.
MONDAY = datetime(2026, 6, 15, 5, 0, tzinfo=UTC)
#: Seven to four in Paris, which is two hours ahead; no work at the weekend.
CREW = Calendar(PARIS, (((7 * 60, 16 * 60),),) * 5 + ((), ()))


def delivery(sheets=20, id="d", expected_at=None, batch="B"):
    return Delivery(id=id, product="P", batch=batch, sheets=sheets, expected_at=expected_at)


def facts(*deliveries, sheets=20, rest=DAY, placements=(), **more):
    return RoomFacts(
        time_zone=PARIS,
        requirement=(Requirement(product="P", label="sheet", sheets=sheets),) if sheets else (),
        deliveries=deliveries or (delivery(),),
        placements=tuple(placements),
        rest_required=rest,
        **more,
    )


def fed(room=1, start=MONDAY, look=timedelta(0), crew=None, given=None, **more):
    return Fed(room, given or facts(**more), start, frozenset({"d"}), look, crew)


def slip(*rooms, was=NOW + DAY, arrives=NOW + DAY, now=NOW):
    return slip_of(rooms, was=was, arrives=arrives, now=now)


def stands(sheets, seen=True, rest=PROVEN, id="p"):
    placement = Placement(id=id, product="P", batch="B", sheets=sheets, in_at=NOW - DAY, rest=rest)
    looked = Inspection(
        id=f"i-{id}", placement=id, at=NOW - HOUR, inspected=sheets, rejected=0, mark_seen=True
    )
    return placement, (looked,) if seen else ()


# ---- worked by hand


def test_the_latest_arrival_is_the_whole_rest_before_the_start():
    one = slip(fed())

    assert one.latest == MONDAY - DAY
    assert slip(fed(), arrives=one.latest).moved == ()
    assert [room.room for room in slip(fed(), arrives=one.latest + SECOND).moved] == [1]


def test_two_rooms_move_and_the_first_of_them_decides():
    rooms = fed(1, MONDAY), fed(2, MONDAY + DAY), fed(3, MONDAY + 5 * DAY)

    one = slip(*rooms, was=NOW + DAY, arrives=MONDAY + HOUR)

    assert [(room.room, room.move) for room in one.rooms] == [
        (1, Move.MOVES),
        (2, Move.MOVES),
        (3, Move.KEEPS),
    ]
    assert one.latest == MONDAY - DAY
    assert one.rooms[1].latest == MONDAY
    assert one.rooms[0].after == Forecast.fixed(MONDAY + HOUR + DAY)
    assert one.rooms[0].before == Forecast.fixed(NOW + DAY + DAY)


def test_sheets_that_need_no_rest_may_come_at_the_start():
    assert slip(fed(rest=timedelta(0))).latest == MONDAY


def test_what_comes_is_looked_at_in_the_crews_hours_before_the_start():
    # Two hours before Monday 07:00 lie at the end of Friday, from 14:00 to 16:00 in Paris.
    one = slip(fed(rest=timedelta(0), look=2 * HOUR, crew=CREW))

    assert one.latest == datetime(2026, 6, 12, 12, 0, tzinfo=UTC)
    # A minute later and an hour and 59 minutes are done on Friday, the last on Monday.
    late = slip(fed(rest=timedelta(0), look=2 * HOUR, crew=CREW), arrives=one.latest + MINUTE)
    assert late.rooms[0].after == Forecast.fixed(MONDAY + MINUTE)
    assert late.rooms[0].move is Move.MOVES


def test_a_crew_that_never_works_looks_at_nothing():
    nobody = Calendar(PARIS, ((),) * 7)

    one = slip(fed(look=HOUR, crew=nobody))

    assert (one.rooms[0].move, one.rooms[0].can_be_kept, one.is_late) == (Move.LATE, False, True)


def test_a_room_that_has_its_sheets_does_not_wait_for_more():
    placement, looked = stands(20)

    one = slip(fed(placements=[placement], inspections=looked), arrives=MONDAY + 9 * DAY)

    assert (one.latest, one.is_late, one.moved) == (None, False, ())
    assert (one.rooms[0].can_be_kept, one.rooms[0].latest) == (True, None)


def test_a_room_of_no_sheets_does_not_wait():
    assert slip(fed(sheets=0), arrives=None).rooms[0].move is Move.KEEPS


def test_an_arrival_that_is_not_known_any_more_moves_what_waits_for_it():
    one = slip(fed(), arrives=None)

    assert (one.rooms[0].move, one.rooms[0].after) == (Move.MOVES, None)
    assert one.latest == MONDAY - DAY


def test_what_was_late_already_is_not_moved_by_the_slip():
    one = slip(fed(), was=MONDAY, arrives=MONDAY + DAY)

    assert one.rooms[0].move is Move.LATE
    # But it would be kept by coming sooner.
    assert one.latest == MONDAY - DAY


def test_a_room_that_no_arrival_keeps_does_not_hide_the_others():
    rooms = fed(1, NOW + HOUR), fed(2)

    one = slip(*rooms)

    assert (one.latest, one.is_late) == (MONDAY - DAY, False)
    assert [(room.room, room.can_be_kept) for room in one.rooms] == [(1, False), (2, True)]


def test_another_delivery_without_a_date_leaves_the_room_unknown_whatever_this_one_does():
    both = facts(delivery(10), delivery(10, id="e"))

    one = slip(fed(given=both))

    assert (one.rooms[0].move, one.rooms[0].before, one.is_late) == (Move.LATE, None, True)


def test_the_last_of_two_deliveries_decides():
    both = facts(delivery(10), delivery(10, id="e", expected_at=MONDAY - 2 * DAY))

    one = slip(fed(given=both), arrives=NOW + HOUR)

    assert one.rooms[0].after == Forecast.fixed(MONDAY - 2 * DAY + DAY)
    assert one.latest == MONDAY - DAY


def test_a_wall_that_is_not_ready_is_no_matter_of_the_delivery():
    waits = facts(milestones=(Milestone(id="m", label="ceiling"),))

    assert slip(fed(given=waits)).rooms[0].move is Move.KEEPS


@pytest.mark.parametrize(
    ("waived", "latest"),
    [
        pytest.param((), MONDAY - DAY, id="nothing-waived"),
        pytest.param((HoldKind.REST,), MONDAY - 20 * HOUR, id="the-rest-waived-still-to-be-looked-at"),
        pytest.param((HoldKind.REST, HoldKind.INSPECTION), MONDAY, id="and-not-even-that"),
    ],
)
def test_a_waiver_counts_here_as_everywhere(waived, latest):
    waivers = tuple(Waiver(id=f"w-{kind.value}", hold=kind, at=NOW - HOUR) for kind in waived)

    assert slip(fed(given=facts(waivers=waivers), look=20 * HOUR)).latest == latest


def test_the_rest_of_what_stands_decides_where_it_is_the_later():
    resting = PlacementRest(state=RestState.RESTING, forecast=Forecast.fixed(MONDAY - HOUR))
    placement, looked = stands(10, rest=resting)

    one = slip(fed(given=facts(delivery(10), placements=[placement], inspections=looked)))

    assert one.rooms[0].after == Forecast.fixed(MONDAY - HOUR)
    assert one.latest == MONDAY - DAY


def test_a_start_across_a_clock_change_keeps_its_elapsed_rest():
    # Paris goes back on Sunday 25 October 2026 at 01:00 UTC: 24 h before Sunday 07:00 is Saturday 08:00 there.
    start = datetime(2026, 10, 25, 7, 0, tzinfo=PARIS).astimezone(UTC)

    latest = slip(fed(start=start)).latest

    assert latest.astimezone(PARIS).strftime("%a %H:%M") == "Sat 08:00"


@pytest.mark.parametrize(
    ("arrives", "rooms", "text"),
    [
        (MONDAY, [fed(1), fed(2)], "{what}; the latest arrival that moves none is {at}."),
        (NOW + DAY, [fed(1, NOW + HOUR)], "{what}; no arrival keeps them all any more."),
        (NOW + DAY, [fed(sheets=0)], "{what}, however late it comes."),
    ],
)
def test_a_slip_says_what_it_does(arrives, rooms, text):
    said = slip_words(slip(*rooms, arrives=arrives))

    assert said.text == text


def test_a_slip_counts_what_moves():
    what = slip_words(slip(fed(1), fed(2), arrives=MONDAY)).values["what"]

    assert (what.many, what.values["n"]) == ("{n} rooms move", 2)
    assert slip_words(slip(fed(1))).values["what"].text == "No room moves"


def test_an_answer_is_good_until_the_latest_arrival_has_passed():
    one = slip(fed(), was=MONDAY, arrives=MONDAY)

    assert one.good_until == one.latest + SECOND
    assert slip(fed(), was=MONDAY, arrives=MONDAY, now=one.good_until).is_late


# ---- every second there is

HORIZON = 40
FAR = 500


def tick(n):
    return NOW + n * SECOND


TICKS = st.integers(0, HORIZON)
RESTS = st.one_of(
    st.just(PROVEN),
    st.just(PlacementRest()),
    st.builds(lambda n: PlacementRest(state=RestState.RESTING, forecast=Forecast.fixed(tick(n))), TICKS),
    st.builds(
        lambda n: PlacementRest(state=RestState.PAUSED, forecast=Forecast.sliding(n * SECOND)),
        st.integers(1, HORIZON),
    ),
    st.builds(
        lambda n: replace(PROVEN, cold=ColdStack(until=None if n is None else tick(n))),
        st.one_of(st.none(), TICKS),
    ),
)


@st.composite
def rooms(draw):
    """Return a room in a world of forty seconds: its sheets, what else comes, its waivers and its start."""
    placed, looked = [], []
    for i in range(draw(st.integers(0, 2))):
        placement, seen = stands(
            draw(st.integers(1, 4)), seen=draw(st.booleans()), rest=draw(RESTS), id=f"p{i}"
        )
        placed.append(placement)
        looked += seen
    need = Requirement(
        product="P", label="sheet", sheets=draw(st.integers(1, 6)), one_batch=draw(st.booleans())
    )
    deliveries = [
        delivery(draw(st.integers(1, 4)), id="d", batch=draw(st.sampled_from(["B", "C"]))),
        *(
            delivery(
                draw(st.integers(1, 4)),
                id=f"e{i}",
                expected_at=draw(st.one_of(st.none(), TICKS.map(tick))),
                batch=draw(st.sampled_from(["B", "C", None])),
            )
            for i in range(draw(st.integers(0, 2)))
        ),
    ]
    waived = draw(
        st.sets(st.sampled_from([HoldKind.PANELS_ON_SITE, HoldKind.INSPECTION, HoldKind.REST]), max_size=1)
    )
    given = RoomFacts(
        time_zone=PARIS,
        requirement=(need,),
        deliveries=tuple(deliveries),
        placements=tuple(placed),
        inspections=tuple(looked),
        rest_required=draw(st.integers(0, 20)) * SECOND,
        waivers=tuple(Waiver(id=kind.value, hold=kind, at=NOW - HOUR) for kind in waived),
    )
    return Fed(1, given, tick(draw(TICKS)), frozenset({"d"}), draw(st.integers(0, 9)) * SECOND)


def is_kept(one, at, now=NOW):
    """Return whether an arrival keeps a start, by the words of the module and the holds alone."""
    deliveries = [replace(d, expected_at=at) if d.id == "d" else d for d in one.facts.deliveries]
    holds = {
        hold.kind: hold
        for hold in judge_room(replace(one.facts, deliveries=tuple(deliveries)), now=now).holds
    }
    panels, rest, looked = (
        holds[kind] for kind in (HoldKind.PANELS_ON_SITE, HoldKind.REST, HoldKind.INSPECTION)
    )
    ready = [now]
    for hold in (panels, rest):
        if hold.state is HoldState.HELD:
            ready.append(hold.forecast.instant(now=now) if hold.forecast else None)
    if panels.state is HoldState.HELD and looked.state is not HoldState.WAIVED and None not in ready:
        ready.append(panels.forecast.instant(now=now) + one.look)
    if None in ready:
        return False
    return max(ready) in (now,) or max(ready) <= one.start


@settings(deadline=None)
@given(st.lists(rooms(), min_size=1, max_size=3), st.one_of(st.none(), TICKS), st.one_of(st.none(), TICKS))
def test_the_latest_arrival_is_the_last_second_of_all_that_keeps_every_room(fed_rooms, was, arrives):
    was, arrives = (None if n is None else tick(n) for n in (was, arrives))

    one = slip_of(fed_rooms, was=was, arrives=arrives, now=NOW)

    arrivals = [tick(n) for n in (*range(2 * HORIZON + 1), FAR)]
    kept = [{at for at in arrivals if is_kept(each, at)} for each in fed_rooms]
    can_be = [mine for mine in kept if mine]
    common = set.intersection(*can_be) if can_be else set()
    if tick(FAR) in common:
        assert (one.latest, one.is_late) == (None, False)
    else:
        assert (one.latest, one.is_late) == (max(common, default=None), not common)
    moves = [
        Move.KEEPS if is_kept(each, arrives) else Move.MOVES if is_kept(each, was) else Move.LATE
        for each in fed_rooms
    ]
    assert sorted(room.move for room in one.rooms) == sorted(moves)
    assert sum(room.can_be_kept for room in one.rooms) == len(can_be)


@settings(deadline=None)
@given(st.lists(rooms(), min_size=1, max_size=2), st.one_of(st.none(), TICKS), TICKS, st.floats(0, 1))
def test_an_answer_stays_as_it_is_until_good_until(fed_rooms, was, arrives, part):
    was, arrives = None if was is None else tick(was), tick(arrives)
    one = slip_of(fed_rooms, was=was, arrives=arrives, now=NOW)

    until = one.good_until or tick(3 * HORIZON)
    last = (until - NOW) // SECOND - 1
    for later in {int(part * last), last}:
        again = slip_of(fed_rooms, was=was, arrives=arrives, now=tick(later))
        assert (again.rooms, again.latest, again.is_late) == (one.rooms, one.latest, one.is_late)


def test_the_day_that_the_examples_are_worked_on_is_a_wednesday():
    assert NOW.date() == date(2026, 6, 10)
    assert (NOW.isoweekday(), MONDAY.isoweekday()) == (3, 1)
