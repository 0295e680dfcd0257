"""The seven holds: the public examples, what is refused, and the edges that the examples leave open.

Expected values without another source are worked by hand from cases/README.md, section 6.
"""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from jobs.core.case_fields import Refused, case_of
from jobs.core.conditions import Band
from jobs.core.forecast import Forecast
from jobs.core.words import say
from scheduling.core.cases_holds import work_holds
from scheduling.core.holds import HOLDS, Act, HoldState, Who, judge_room
from scheduling.core.moment import Moment
from scheduling.core.room_facts import (
    Check,
    Conditions,
    Consumables,
    Delivery,
    Expected,
    HoldKind,
    Inspection,
    Lot,
    Milestone,
    Mix,
    Need,
    Placement,
    PlacementRest,
    Prep,
    PrepRecord,
    Reading,
    Requirement,
    RestState,
    RoomFacts,
    Waiver,
    Wetting,
)

EXAMPLES = sorted((Path(__file__).parents[3] / "fixtures" / "cases" / "holds").glob("*.json"))
NOW = datetime(2026, 5, 13, 6, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)
SECOND = timedelta(seconds=1)
BAND = Band(18, 26, 30, 60)
NO_REST = timedelta(0)
PROVEN = PlacementRest(state=RestState.PROVEN, proven_at=NOW - HOUR)


def at(hours):
    return NOW + hours * HOUR


def room(**facts):
    return RoomFacts(time_zone=ZoneInfo("Europe/Paris"), **facts)


def judged(kind, facts, now=NOW):
    return next(hold for hold in judge_room(facts, now=now).holds if hold.kind is kind)


def need(sheets, product="P", one_batch=False):
    return Requirement(product=product, label=product, sheets=sheets, one_batch=one_batch)


def placed(id_, sheets, product="P", batch="B1", rest=PROVEN, **more):
    return Placement(id=id_, product=product, batch=batch, sheets=sheets, in_at=at(-48), rest=rest, **more)


def looked_at(placement, rejected=0):
    return Inspection(
        id=f"i-{placement.id}",
        placement=placement.id,
        at=at(-24),
        inspected=placement.sheets,
        rejected=rejected,
        mark_seen=True,
    )


def due(id_, sheets, hours, product="P", batch="B1", **more):
    return Delivery(id=id_, product=product, batch=batch, sheets=sheets, expected_at=at(hours), **more)


def resting(hours, **more):
    return PlacementRest(state=RestState.RESTING, forecast=Forecast.fixed(at(hours)), **more)


def paused(hours):
    return PlacementRest(state=RestState.PAUSED, forecast=Forecast.sliding(hours * HOUR))


def waiver(kind, **more):
    return Waiver(id="v", hold=kind, at=at(-1), **more)


# ---- the examples


def same(expected, got):
    """Compare as the contract does: fields beyond are allowed, instants are compared as instants."""
    if isinstance(expected, dict):
        return all(name in got and same(value, got[name]) for name, value in expected.items())
    if isinstance(expected, list):
        return len(expected) == len(got) and all(map(same, expected, got))
    if isinstance(expected, str) and expected != got:
        return "T" in expected and datetime.fromisoformat(expected) == datetime.fromisoformat(got)
    return expected == got


def answered(case):
    try:
        return work_holds(case_of(json.dumps(case).encode()))
    except Refused as refused:
        return {"error": {"at": refused.at.split(".")[0].split("[")[0]}}


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_the_public_examples(path):
    example = json.loads(path.read_text())
    assert same(example["expect"], answered(example["case"]))


def test_there_are_examples():
    assert len(EXAMPLES) >= 25


# ---- what a case may not say

CASE: dict[str, Any] = {
    "kind": "holds",
    "now": "2026-05-05T09:00:00Z",
    "zone": "Europe/Paris",
    "placements": [
        {
            "id": "a",
            "product": "P",
            "batch": "B",
            "sheets": 40,
            "in_at": "2026-05-03T09:00:00Z",
            "out_at": None,
        }
    ],
}
INSPECTION = {
    "id": "i",
    "placement": "a",
    "at": "2026-05-04T09:00:00Z",
    "inspected": 40,
    "rejected": 0,
    "mark_seen": True,
}
PLACEMENT = CASE["placements"][0]
WAIVER = {"id": "v", "hold": "rest", "at": "2026-05-05T08:00:00Z", "until": None}
READING = {"id": "r", "at": "2026-05-05T08:00:00Z", "t_c": 20, "rh_pct": 45}
CONDITIONS: dict[str, Any] = {
    "band": {"t_min": 18, "t_max": 26, "rh_min": 30, "rh_max": 60},
    "fresh_s": 60,
    "readings": [READING],
}


@pytest.mark.parametrize(
    ("at", "change"),
    [
        ("zone", {"zone": "Europe/Nowhere"}),
        ("inspections", {"inspections": [{**INSPECTION, "placement": "b"}]}),
        ("inspections", {"inspections": [{**INSPECTION, "inspected": 41}]}),
        ("inspections", {"inspections": [{**INSPECTION, "inspected": 3, "rejected": 4}]}),
        ("inspections", {"inspections": [{**INSPECTION, "mark_seen": 1}]}),
        # Not a fact yet, and refused all the same.
        ("inspections", {"inspections": [{**INSPECTION, "inspected": 41, "at": "2026-06-04T09:00:00Z"}]}),
        ("inspections", {"inspections": [INSPECTION, {**INSPECTION, "rejected": 1}]}),
        ("waivers", {"waivers": [{**WAIVER, "hold": "rain"}]}),
        ("waivers", {"waivers": [WAIVER, {**WAIVER, "hold": "substrate"}]}),
        # One list of evidence would show both.
        ("waivers", {"waivers": [{**WAIVER, "id": "a"}]}),
        ("mixes", {"mixes": [{"id": "a", "product": "P", "at": "2026-05-05T08:00:00Z"}]}),
        ("requirement", {"requirement": [{"product": "P", "sheets": 40}, {"product": "P", "sheets": 4}]}),
        ("requirement", {"requirement": [{"product": "P", "sheets": 0}]}),
        ("requirement", {"requirement": [{"product": "P", "sheets": 40.0}]}),
        ("placements", {"placements": [PLACEMENT, {**PLACEMENT, "sheets": 41}]}),
        ("placements", {"placements": [{**PLACEMENT, "sheets": -1}]}),
        ("placements", {"placements": [{**PLACEMENT, "rest": {"state": "proven", "proven_at": None}}]}),
        ("placements", {"placements": [{**PLACEMENT, "rest": {"state": "rested"}}]}),
        ("placements", {"placements": [{**PLACEMENT, "colour": "white"}]}),
        ("consumables", {"consumables": {"needs": [{"item": "glue", "qty": 1}, {"item": "glue", "qty": 1}]}}),
        ("consumables", {"consumables": {"needs": [{"item": "glue", "qty": -0.1}]}}),
        ("conditions", {"conditions": {**CONDITIONS, "readings": [READING, {**READING, "t_c": 21}]}}),
        ("conditions", {"conditions": {**CONDITIONS, "band": {**CONDITIONS["band"], "t_min": 27}}}),
        ("conditions", {"conditions": {"band": CONDITIONS["band"], "readings": []}}),
        ("expected", {"expected": {"rest": None}}),
        ("rest_s", {"rest_s": True}),
        ("now", {"now": "2026-05-05T09:00:00"}),
        ("weather", {"weather": "fair"}),
    ],
)
def test_what_the_contract_does_not_allow_is_refused_at_its_field(at, change):
    assert answered(CASE | change) == {"error": {"at": at}}


def test_the_same_thing_written_twice_is_one_thing():
    asked = {"requirement": [{"product": "P", "sheets": 41, "one_batch": False}]}
    twice = [PLACEMENT, {**PLACEMENT, "in_at": "2026-05-03T11:00:00+02:00"}]
    holds = {hold["hold"]: hold for hold in answered(CASE | asked | {"placements": twice})["holds"]}
    assert holds["panels_on_site"]["state"] == "held"


def test_ids_that_no_evidence_shows_together_may_be_the_same():
    delivery = {"id": "a", "product": "P", "batch": "B", "sheets": 1, "expected_at": "2026-05-06T09:00:00Z"}
    assert "error" not in answered(
        CASE | {"deliveries": [delivery], "inspections": [{**INSPECTION, "id": "a"}]}
    )


# ---- the edges of each hold


def test_the_holds_stand_in_the_order_a_room_clears_them():
    assert [hold.kind for hold in judge_room(room(), now=NOW).holds] == list(HoldKind)
    assert [judge(room(), Moment(NOW)).kind for judge in HOLDS] == list(HoldKind)


def test_a_room_that_needs_nothing_is_released_at_once_and_for_good():
    answer = judge_room(room(rest_required=NO_REST), now=NOW)
    assert (answer.released, answer.fit_to_send) == (True, True)
    assert answer.earliest_start == Forecast.sliding(timedelta(0))
    assert answer.good_until is None


def test_work_that_is_reported_done_for_later_is_not_done_and_keeps_its_date():
    facts = room(milestones=(Milestone(id="m", label="grid", done_at=at(2), expected_at=at(1)),))
    hold = judged(HoldKind.WORK_BY_OTHERS, facts)
    assert (hold.state, hold.evidence, hold.forecast) == (HoldState.HELD, ("m",), Forecast.fixed(at(1)))
    assert hold.good_until == at(1) + SECOND
    assert (hold.act.act, hold.who) == (Act.RECORD_MILESTONE, Who.OTHERS)


def test_a_date_that_is_unknown_makes_the_last_date_unknown():
    dated = Milestone(id="m1", label="grid", expected_at=at(5))
    assert judged(HoldKind.WORK_BY_OTHERS, room(milestones=(dated,))).forecast == Forecast.fixed(at(5))
    undated = Milestone(id="m2", label="rough-in")
    assert judged(HoldKind.WORK_BY_OTHERS, room(milestones=(dated, undated))).forecast is None


def checked(check, hours, passed=True, id_=None):
    return PrepRecord(id=id_ or f"r-{check}", check=check, at=at(hours), passed=passed)


CHECKS = (Check(id="dry", label="dry"), Check(id="flat", label="flat"))


def test_a_failed_record_is_the_evidence_though_water_came_later():
    prep = Prep(
        checks=CHECKS,
        records=(checked("dry", -3, passed=False), checked("flat", -3)),
        wettings=(Wetting(id="w", at=at(-2)),),
    )
    assert judged(HoldKind.SUBSTRATE, room(prep=prep)).evidence == ("r-dry", "w")
    dry_only = replace(prep, voided_by_wetting=frozenset({"dry"}))
    assert judged(HoldKind.SUBSTRATE, room(prep=dry_only)).evidence == ("r-dry",)


def test_water_undoes_all_checks_or_those_it_is_said_to_undo():
    prep = Prep(
        checks=CHECKS,
        records=(checked("dry", -1), checked("flat", -3)),
        wettings=(Wetting(id="w1", at=at(-2)), Wetting(id="w2", at=at(-2)), Wetting(id="w0", at=at(-9))),
    )
    hold = judged(HoldKind.SUBSTRATE, room(prep=prep))
    assert (hold.state, hold.evidence) == (HoldState.HELD, ("w1", "w2"))
    # A wetting voids dryness alone: trade-facts.md, section 5.
    hold = judged(HoldKind.SUBSTRATE, room(prep=replace(prep, voided_by_wetting=frozenset({"dry"}))))
    assert (hold.state, hold.evidence) == (HoldState.CLEAR, ("r-dry", "r-flat"))


def test_a_mix_is_evidence_only_of_the_product_that_needed_it():
    facts = room(
        requirement=(need(40, one_batch=True), need(10, "Q", one_batch=True)),
        placements=(placed("a", 30), placed("b", 10, batch="B2"), placed("c", 10, "Q")),
        mixes=(Mix(id="x", product="P", at=NOW), Mix(id="y", product="Q", at=NOW)),
    )
    assert judged(HoldKind.PANELS_ON_SITE, facts).evidence == ("a", "b", "c", "x")


def test_sheets_of_an_unknown_batch_match_nothing():
    facts = room(requirement=(need(20, one_batch=True),), deliveries=(due("d1", 10, 1), due("d2", 10, 2)))
    assert judged(HoldKind.PANELS_ON_SITE, facts).forecast == Forecast.fixed(at(2))
    unknown = tuple(replace(delivery, batch=None) for delivery in facts.deliveries)
    assert judged(HoldKind.PANELS_ON_SITE, replace(facts, deliveries=unknown)).forecast is None


def test_of_two_inspections_at_one_instant_the_one_with_more_rejects_speaks_then_the_smaller_id():
    a = placed("a", 10)
    one = replace(looked_at(a), id="i1", mark_seen=False)
    other = replace(one, id="i2", mark_seen=True)
    facts = room(requirement=(need(9),), placements=(a,), inspections=(one, other))
    assert judged(HoldKind.INSPECTION, facts).evidence == ("a",)
    strict = replace(other, rejected=1)
    assert judged(HoldKind.INSPECTION, replace(facts, inspections=(one, strict))).evidence == ("i2",)


@pytest.mark.parametrize(
    ("act", "who", "facts"),
    [
        (Act.ORDER_SHEETS, Who.MANAGER, {}),
        (Act.ORDER_SHEETS, Who.MANAGER, {"deliveries": (due("d", 9, 5),)}),
        (Act.CONFIRM_ARRIVAL, Who.CREW_LEAD, {"deliveries": (due("d", 10, 5),)}),
        (Act.CONFIRM_ARRIVAL, Who.CREW_LEAD, {"deliveries": (due("d", 10, -5),)}),
        (Act.LOG_DISPATCH, Who.SUPPLIER, {"deliveries": (due("d", 10, 5, dispatched=False),)}),
        (Act.ACKNOWLEDGE_MIX, Who.MANAGER, {"placements": (placed("a", 30), placed("b", 10, batch="B2"))}),
    ],
)
def test_what_brings_the_sheets_depends_on_what_is_under_way(act, who, facts):
    here = {"placements": (placed("a", 30),)} | facts
    hold = judged(HoldKind.PANELS_ON_SITE, room(requirement=(need(40, one_batch=True),), **here))
    assert (hold.act.act, hold.who) == (act, who)


def test_rest_that_is_waived_for_its_count_waits_for_what_comes_meanwhile():
    # 10 of 13 stand here and the count is waived: rested in 4 h, but at 3 h two more come and start their 6 h.
    a = placed("a", 10, rest=resting(4))
    facts = room(
        requirement=(need(13),),
        placements=(a,),
        inspections=(looked_at(a),),
        deliveries=(due("d", 2, 3),),
        rest_required=6 * HOUR,
        waivers=(waiver(HoldKind.PANELS_ON_SITE),),
    )
    assert judged(HoldKind.REST, facts).forecast == Forecast.fixed(at(9))
    # Were the sheets here rested before the others come, that would do.
    early = replace(facts, placements=(replace(a, rest=resting(2)),))
    assert judged(HoldKind.REST, early).forecast == Forecast.fixed(at(2))


def test_a_rest_that_is_full_by_an_instant_now_past_waits_for_the_next_reading_alone():
    a = placed("a", 10, rest=resting(-1))
    facts = room(requirement=(need(10),), placements=(a,), inspections=(looked_at(a),))
    answer = judge_room(facts, now=NOW)
    assert answer.earliest_start == Forecast.sliding(timedelta(0))
    assert answer.good_until is None


def test_a_fixed_forecast_slides_from_the_instant_on_at_which_it_is_due():
    a = placed("a", 10, rest=resting(2))
    facts = room(requirement=(need(10),), placements=(a,), inspections=(looked_at(a),))
    answer = judge_room(facts, now=NOW)
    assert (answer.earliest_start, answer.good_until) == (Forecast.fixed(at(2)), at(2))
    later = judge_room(facts, now=at(2))
    assert (later.earliest_start, later.good_until) == (Forecast.sliding(timedelta(0)), None)


def test_a_sliding_forecast_overtakes_a_fixed_one():
    # Both are needed: a is full at 5 h, b 3 h after its clock goes on.  From 2 h on b is the later.
    a, b = placed("a", 10, rest=resting(5)), placed("b", 10, rest=paused(3))
    facts = room(requirement=(need(20),), placements=(a, b), inspections=(looked_at(a), looked_at(b)))
    hold = judged(HoldKind.REST, facts)
    assert (hold.forecast, hold.good_until) == (Forecast.fixed(at(5)), at(2))
    assert judged(HoldKind.REST, facts, now=at(2)).forecast == Forecast.sliding(3 * HOUR)
    # Either does: the fixed one comes first from 2 h on.
    either = replace(facts, requirement=(need(10),))
    hold = judged(HoldKind.REST, either)
    assert (hold.forecast, hold.good_until) == (Forecast.sliding(3 * HOUR), at(2) + SECOND)
    assert judged(HoldKind.REST, either, now=at(2) + SECOND).forecast == Forecast.fixed(at(5))


def test_the_earliest_start_is_fixed_until_a_sliding_one_overtakes_it():
    a = placed("a", 10, rest=paused(3))
    facts = room(
        requirement=(need(10),),
        placements=(a,),
        inspections=(looked_at(a),),
        milestones=(Milestone(id="m", label="grid", expected_at=at(5)),),
    )
    answer = judge_room(facts, now=NOW)
    assert (answer.earliest_start, answer.good_until) == (Forecast.fixed(at(5)), at(2))
    assert judge_room(facts, now=at(2)).earliest_start == Forecast.sliding(3 * HOUR)


def test_an_answer_is_good_no_longer_than_the_rest_it_rests_on():
    a = placed("a", 10, rest=resting(8, good_until=at(1)))
    b = placed("b", 4, rest=resting(8, good_until=at(-1)))
    facts = room(requirement=(need(10),), placements=(a, b), inspections=(looked_at(a),))
    # b is surplus that nobody asks: that its clock has run on is no matter here.
    assert judge_room(facts, now=NOW).good_until == at(1)
    with pytest.raises(ValueError, match="past"):
        judge_room(facts, now=at(1))


def test_a_rest_proven_under_another_count_of_batches_waits_for_one_batch():
    a, b = placed("a", 30), placed("b", 12, batch="B2", rest=paused(1))
    facts = room(
        requirement=(need(40, one_batch=True),), placements=(a, b), inspections=(looked_at(a), looked_at(b))
    )
    assert judged(HoldKind.REST, facts).forecast is None
    mixed = replace(facts, mixes=(Mix(id="x", product="P", at=NOW),))
    assert judged(HoldKind.REST, mixed).forecast == Forecast.sliding(HOUR)


@pytest.mark.parametrize(
    ("state", "counting"),
    [(RestState.RESTING, True), (RestState.PAUSED, False), (RestState.NOT_STARTED, False)],
)
def test_a_held_rest_counts_while_a_clock_of_it_runs(state, counting):
    a = placed("a", 10, rest=PlacementRest(state=state))
    facts = room(requirement=(need(10),), placements=(a,), inspections=(looked_at(a),))
    assert judged(HoldKind.REST, facts).counting is counting


def test_wrapped_sheets_are_opened_before_a_reading_helps():
    a = placed("a", 10, rest=PlacementRest(), wrapped=True)
    hold = judged(HoldKind.REST, room(requirement=(need(10),), placements=(a,)))
    assert (hold.act.act, hold.who) == (Act.OPEN, Who.CREW_LEAD)
    b = placed("b", 10, rest=resting(9, read_again_by=at(2)))
    hold = judged(HoldKind.REST, room(requirement=(need(10),), placements=(b,)))
    assert (hold.act.act, hold.act.by) == (Act.LOG_READING, at(2))


def air(*readings, **more):
    return Conditions(band=BAND, fresh=HOUR, readings=readings, **more)


def reading(hours, t_c=20.0, rh_pct=45.0, id_="r"):
    return Reading(id=id_, at=at(hours), t_c=t_c, rh_pct=rh_pct)


def test_a_reading_is_fresh_up_to_its_last_second():
    facts = room(conditions=air(reading(-0.5)))
    hold = judged(HoldKind.ROOM_CONDITIONS, facts)
    assert (hold.state, hold.good_until) == (HoldState.CLEAR, at(0.5) + SECOND)
    assert judged(HoldKind.ROOM_CONDITIONS, facts, now=at(0.5)).state is HoldState.CLEAR
    stale = judge_room(facts, now=at(0.5) + SECOND)
    assert (stale.released, stale.fit_to_send, stale.good_until) == (False, True, None)


def test_bands_that_do_not_meet_hold_the_room_and_no_reading_at_the_door_can_help():
    facts = room(conditions=Conditions(band_conflict=True, fresh=HOUR, readings=(reading(0),)))
    answer = judge_room(facts, now=NOW)
    hold = judged(HoldKind.ROOM_CONDITIONS, facts)
    assert (hold.state, hold.evidence, hold.who) == (HoldState.HELD, ("r",), Who.MANAGER)
    assert (answer.fit_to_send, answer.earliest_start) == (False, None)
    waived = judge_room(replace(facts, waivers=(waiver(HoldKind.ROOM_CONDITIONS),)), now=NOW)
    assert (waived.released, waived.fit_to_send) == (True, True)


def stores(*lots, qty="8"):
    return Consumables(needs=(Need(item="glue", label="adhesive", qty=Decimal(qty), unit="kg"),), lots=lots)


def lot(id_, qty, **more):
    return Lot(id=id_, item="glue", qty=Decimal(qty), on_site_at=at(-9), **more)


def test_a_shelf_life_ends_at_the_local_midnight():
    # 13 May ends in Paris at 22:00 UTC, in summer time.
    facts = room(consumables=stores(lot("l", "8", good_through=date(2026, 5, 13))))
    hold = judged(HoldKind.CONSUMABLES, facts)
    midnight = datetime(2026, 5, 13, 22, 0, tzinfo=UTC)
    assert (hold.state, hold.good_until) == (HoldState.CLEAR, midnight)
    hold = judged(HoldKind.CONSUMABLES, facts, now=midnight)
    assert (hold.state, hold.evidence, hold.good_until) == (HoldState.HELD, ("l",), None)


def test_with_a_planned_start_a_shelf_life_does_not_pass():
    facts = room(planned_start=at(24), consumables=stores(lot("l", "8", good_through=date(2026, 5, 14))))
    assert judged(HoldKind.CONSUMABLES, facts).good_until is None


@pytest.mark.parametrize(
    ("zone", "day", "midnight"),
    [
        # The zone database: clocks went forward at midnight, 00:00 to 01:00, in Cairo on 26 April 2024.
        ("Africa/Cairo", date(2024, 4, 25), datetime(2024, 4, 25, 22, 0, tzinfo=UTC)),
        # They went back at 01:00 to 00:00 in Havana on 2 November 2025: the day has two first hours.
        ("America/Havana", date(2025, 11, 1), datetime(2025, 11, 2, 4, 0, tzinfo=UTC)),
        # 30 December 2011 was left out in Apia: the 29th ends when the 31st begins.
        ("Pacific/Apia", date(2011, 12, 29), datetime(2011, 12, 30, 10, 0, tzinfo=UTC)),
    ],
)
def test_a_local_midnight_that_is_missing_or_comes_twice(zone, day, midnight):
    facts = RoomFacts(time_zone=ZoneInfo(zone), consumables=stores(lot("l", "8", good_through=day)))
    early = replace(facts.consumables.lots[0], on_site_at=datetime(2010, 1, 1, tzinfo=UTC))
    facts = replace(facts, consumables=stores(early))
    hold = judged(HoldKind.CONSUMABLES, facts, now=midnight - SECOND)
    assert (hold.state, hold.good_until) == (HoldState.CLEAR, midnight)
    assert judged(HoldKind.CONSUMABLES, facts, now=midnight).state is HoldState.HELD


def test_a_day_that_comes_back_makes_adhesive_good_again():
    # Clocks went back from 00:01 to 23:01 in St John's on 7 November 2010: the 6th ended twice.
    zone = ZoneInfo("America/St_Johns")
    came = replace(lot("l", "8", good_through=date(2010, 11, 6)), on_site_at=datetime(2010, 1, 1, tzinfo=UTC))
    facts = RoomFacts(time_zone=zone, consumables=stores(came))
    first = datetime(2010, 11, 7, 2, 30, tzinfo=UTC)
    back, second = first + timedelta(minutes=1), first + timedelta(minutes=61)
    hold = judged(HoldKind.CONSUMABLES, facts, now=first - SECOND)
    assert (hold.state, hold.good_until) == (HoldState.CLEAR, first)
    hold = judged(HoldKind.CONSUMABLES, facts, now=first)
    assert (hold.state, hold.good_until) == (HoldState.HELD, back)
    hold = judged(HoldKind.CONSUMABLES, facts, now=back)
    assert (hold.state, hold.good_until) == (HoldState.CLEAR, first + timedelta(hours=1))
    assert judged(HoldKind.CONSUMABLES, facts, now=second).state is HoldState.HELD


def test_the_wrong_adhesive_does_not_count_and_is_shown():
    wrong = lot("l", "8", unfit=say("it is water-borne"))
    hold = judged(HoldKind.CONSUMABLES, room(consumables=stores(wrong, lot("k", "7.9"))))
    assert (hold.state, hold.evidence) == (HoldState.HELD, ("l",))
    assert hold.says.values["why"] == say("it is water-borne")


@pytest.mark.parametrize(
    ("needed", "here", "state"),
    [
        ("0.8", ("0.1", "0.7"), HoldState.CLEAR),
        # One part in 10^40 is missing.
        ("1", ("0.5", "0." + "4" + 39 * "9"), HoldState.HELD),
        ("1" + 39 * "0" + "1", ("1" + 40 * "0", "1"), HoldState.CLEAR),
        ("0", (), HoldState.CLEAR),
    ],
)
def test_quantities_add_up_exactly(needed, here, state):
    lots = [lot(f"l{i}", qty) for i, qty in enumerate(here)]
    assert judged(HoldKind.CONSUMABLES, room(consumables=stores(*lots, qty=needed))).state is state


def test_a_waiver_covers_its_hold_until_it_ends_and_gives_no_date():
    waits = (Milestone(id="m", label="grid", expected_at=at(5)),)
    facts = room(milestones=waits, waivers=(waiver(HoldKind.WORK_BY_OTHERS, until=at(1)),))
    hold = judged(HoldKind.WORK_BY_OTHERS, facts)
    assert (hold.state, hold.evidence, hold.forecast) == (HoldState.WAIVED, ("m", "v"), None)
    assert hold.good_until == at(1)
    assert judged(HoldKind.WORK_BY_OTHERS, facts, now=at(1)).forecast == Forecast.fixed(at(5))


def test_what_somebody_expects_counts_for_now_and_not_a_second_longer():
    facts = room(
        prep=Prep(checks=CHECKS),
        consumables=stores(),
        conditions=air(),
        requirement=(need(1),),
        expected=Expected(substrate=NOW, inspection=NOW, room_conditions=NOW, consumables=NOW),
    )
    told = [HoldKind.SUBSTRATE, HoldKind.INSPECTION, HoldKind.ROOM_CONDITIONS, HoldKind.CONSUMABLES]
    assert {judged(kind, facts).forecast for kind in told} == {Forecast.fixed(NOW)}
    assert {judged(kind, facts).good_until for kind in told} == {NOW + SECOND}
    assert {judged(kind, facts, now=NOW + SECOND).forecast for kind in told} == {None}


def test_a_requirement_of_no_sheets_is_no_requirement():
    with pytest.raises(ValueError, match="at least one"):
        need(0)


def test_a_fact_given_twice_is_counted_once():
    facts = room(
        requirement=(need(20),),
        placements=(placed("a", 10), placed("a", 10)),
        deliveries=(due("d", 5, 1), due("d", 5, 1)),
        consumables=stores(lot("l", "4"), lot("l", "4")),
        milestones=(Milestone(id="m", label="grid"), Milestone(id="m", label="grid")),
    )
    answer = judge_room(facts, now=NOW)
    held = {hold.kind: hold for hold in answer.holds if hold.state is HoldState.HELD}
    assert held[HoldKind.PANELS_ON_SITE].forecast is None
    assert HoldKind.CONSUMABLES in held
    assert held[HoldKind.WORK_BY_OTHERS].says == say("Still waiting for {works}.", works=("grid",))
