"""A room's outlook: of its placements so many as are enough, each choice the forecast of the rest hold."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from jobs.core.conditions import Band
from materials.core.choices import LastAir, Limit, Way, WhyNot, outlook_of
from materials.core.rest import Presence, Reading, RestRule, rest_of
from scheduling.core.room_facts import Delivery, Placement, Requirement, RoomFacts
from scheduling.core.room_outlook import StackOutlook, room_outlook

HOUR = timedelta(hours=1)
#: Monday, 08:00; the hours below count from it.
MON = datetime(2026, 5, 4, 8, tzinfo=UTC)
RULE = RestRule(
    required=24 * HOUR,
    max_gap=18 * HOUR,
    restart_after=4 * HOUR,
    band=Band(18, 24, 35, 55),
    needs_opening=True,
)
GOOD, COLD = (21.0, 45.0), (16.0, 45.0)
NOW = MON + 10 * HOUR


def stack(came, opened, *airs, rule=RULE):
    """Return the outlook of sheets that came and were opened at hours, in air read at hours."""
    readings = [Reading(f"r{hour}", "A", MON + hour * HOUR, *air) for hour, air in airs]
    rest = rest_of(
        presence=[Presence("A", MON + came * HOUR)],
        opened_at=None if opened is None else MON + opened * HOUR,
        sheets_set_at=None,
        readings=readings,
        memories=[],
        statements=[],
        rule=rule,
        now=NOW,
    )
    hour, air = airs[-1]
    here = LastAir("A", "Ward A", MON + hour * HOUR, *air)
    ward = LastAir("B", "Ward B", NOW, *GOOD)
    return StackOutlook(rest, outlook_of(rest, rule, here=here, others=[ward], now=NOW))


def room(sheets, **stacks):
    """Return the facts of a room that asks for so many sheets, ten of which stand in each of the stacks."""
    return RoomFacts(
        time_zone=ZoneInfo("UTC"),
        requirement=(Requirement(product="P", label="sheets", sheets=sheets),),
        placements=tuple(
            Placement(id=key, product="P", batch=key, sheets=10, in_at=MON) for key in sorted(stacks)
        ),
    )


def hours(at):
    return None if at is None else (at - MON) / HOUR


def told(outlook):
    return [(one.way, hours(one.finish), hours(one.by)) for one in outlook.choices]


def test_enough_sheets_that_rest_need_not_wait_for_the_others():
    stacks = {"early": stack(0, 0, (0, GOOD), (8, GOOD)), "late": stack(0, 6, (0, GOOD), (8, GOOD))}

    ten = room_outlook(room(10, **stacks), stacks, now=NOW)
    twenty = room_outlook(room(20, **stacks), stacks, now=NOW)

    # The one rests since hour 0, the other since hour 6.
    assert (hours(ten.finish), hours(twenty.finish)) == (24, 30)
    assert told(ten) == [(Way.READ, 24, 26)]
    assert told(twenty) == [(Way.READ, 30, 26)]
    # Proven by hour 8, and nothing after until hour 26: 26 + 24 - 8, and two hours proven of the other.
    assert hours(ten.choices[0].otherwise) == 26 + 24 - 8 + 1 / 3600
    assert hours(twenty.choices[0].otherwise) == 26 + 24 - 2 + 1 / 3600


def test_a_wrapped_stack_is_unwrapped_where_the_others_are_too_few():
    stacks = {"open": stack(0, 0, (0, GOOD), (8, GOOD)), "wrapped": stack(0, None, (0, GOOD), (8, GOOD))}

    outlook = room_outlook(room(20, **stacks), stacks, now=NOW)

    assert (outlook.finish, outlook.why_not) == (None, WhyNot.WRAPPED)
    # Unwrapped now: 10 + 24.  Reading again alone brings nothing.
    assert told(outlook) == [(Way.OPEN, 34, 10)]


def test_bad_air_is_one_act_for_all_the_stacks_that_stand_in_it():
    airs = ((0, GOOD), (6, GOOD), (9, COLD))
    warmer = replace(RULE, band=Band(20, 24, 35, 55))
    stacks = {"a": stack(0, 0, *airs), "b": stack(0, 4, *airs, rule=warmer)}

    outlook = room_outlook(room(20, **stacks), stacks, now=NOW)

    assert (outlook.finish, outlook.why_not) == (None, WhyNot.OFF)
    heat, move = outlook.choices
    # By hour 12, before the clock starts again at hour 13: six hours are proven of the one, two of the other.
    assert (heat.way, hours(heat.finish), hours(heat.by)) == (Way.CLEAR, 12 + 24 - 2, 12)
    assert [(off.limit, off.by) for off in heat.off] == [(Limit.COLD, 4.0)]
    assert hours(heat.otherwise) == 13 + 24 + 1 / 3600
    assert (move.way, hours(move.finish), move.zone_name) == (Way.MOVE, 34, "Ward B")


def test_sheets_that_are_still_to_come_decide_where_those_here_are_too_few():
    stacks = {"a": stack(0, 0, (0, GOOD), (8, GOOD))}
    coming = Delivery(id="d", product="P", batch="Z", sheets=10, expected_at=MON + 20 * HOUR)
    facts = room(20, **stacks)

    none = room_outlook(facts, stacks, now=NOW)
    some = room_outlook(replace(facts, deliveries=(coming,)), stacks, now=NOW)

    assert (none.finish, none.why_not, none.choices) == (None, WhyNot.TOO_FEW, ())
    assert hours(some.finish) == 20 + 24


def test_a_placement_that_no_time_counts_for_never_rests():
    stacks = {"a": stack(0, 0, (0, GOOD), (8, GOOD))}
    facts = room(20, a=None, b=None)

    assert room_outlook(facts, stacks, now=NOW).finish is None
