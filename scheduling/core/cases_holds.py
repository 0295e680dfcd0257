"""The cases of kind `holds` as outsiders write them: fields in, the judged room out."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

from jobs.core.case_fields import Fields, written
from jobs.core.conditions import Band
from jobs.core.forecast import Forecast
from scheduling.core.holds import judge_room
from scheduling.core.room_facts import (
    Check,
    Conditions,
    Consumables,
    Delivery,
    Expected,
    Fact,
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

_DAY = timedelta(hours=24)


def work_holds(case: Fields) -> dict[str, object]:
    """Answer a case of kind `holds`."""
    now = case.instant("now")
    facts = RoomFacts(
        time_zone=case.time_zone("zone"),
        planned_start=case.nullable("planned_start", case.instant),
        milestones=case.optional("milestones", (), case.parts, _milestone),
        prep=case.nullable("prep", case.part, _prep) or Prep(),
        requirement=case.optional("requirement", (), case.parts, _requirement),
        placements=case.optional("placements", (), case.parts, _placement),
        inspections=case.optional("inspections", (), case.parts, _inspection),
        mixes=case.optional("mixes", (), case.parts, _mix),
        deliveries=case.optional("deliveries", (), case.parts, _delivery),
        rest_required=case.optional("rest_s", _DAY, case.seconds),
        conditions=case.nullable("conditions", case.part, _conditions) or Conditions(),
        consumables=case.nullable("consumables", case.part, _consumables) or Consumables(),
        expected=case.optional("expected", Expected(), case.part, _expected),
        waivers=case.optional("waivers", (), case.parts, _waiver),
    )
    case.end()
    case.distinct("requirement", [need.product for need in facts.requirement], "product")
    case.distinct("consumables.needs", [need.item for need in facts.consumables.needs], "item")
    _refuse_ids_of_two_things(case, facts)
    _refuse_wrong_counts(case, facts)
    answer = judge_room(facts, now=now)

    def at(forecast: Forecast | None) -> str | None:
        return written(forecast.instant(now=now)) if forecast else None

    return {
        "holds": [
            {
                "hold": hold.kind.value,
                "state": hold.state.value,
                "forecast_at": at(hold.forecast),
                "evidence": list(hold.evidence),
            }
            for hold in answer.holds
        ],
        "released": answer.released,
        "fit_to_send": answer.fit_to_send,
        "earliest_start": at(answer.earliest_start),
        "good_until": written(answer.good_until),
    }


def _refuse_ids_of_two_things(case: Fields, facts: RoomFacts) -> None:
    """Refuse an id that means two things where one list of evidence could show both.

    The same thing written twice is one thing.
    """
    waivers = ("waivers", facts.waivers)
    together: tuple[tuple[tuple[str, Sequence[Fact]], ...], ...] = (
        (("milestones", facts.milestones), waivers),
        (("prep.records", facts.prep.records), ("prep.wettings", facts.prep.wettings), waivers),
        (("placements", facts.placements), ("mixes", facts.mixes), waivers),
        (("inspections", facts.inspections), waivers),
        (("conditions.readings", facts.conditions.readings), waivers),
        (("consumables.lots", facts.consumables.lots), waivers),
        (("deliveries", facts.deliveries),),
    )
    for lists in together:
        meant: dict[str, Fact] = {}
        for name, things in lists:
            for i, thing in enumerate(things):
                if meant.setdefault(thing.id, thing) != thing:
                    raise case.refusal(f"{name}[{i}].id", "is used twice for different things")


def _refuse_wrong_counts(case: Fields, facts: RoomFacts) -> None:
    """Refuse inspections of unknown placements, and those that counted more than there is."""
    sheets = {placement.id: placement.sheets for placement in facts.placements}
    for i, inspection in enumerate(facts.inspections):
        if inspection.placement not in sheets:
            raise case.refusal(f"inspections[{i}].placement", "is no placement of this case")
        if inspection.inspected > sheets[inspection.placement]:
            raise case.refusal(f"inspections[{i}].inspected", "is more than the placement's sheets")
        if inspection.rejected > inspection.inspected:
            raise case.refusal(f"inspections[{i}].rejected", "is more than was inspected")


def _milestone(fields: Fields) -> Milestone:
    return Milestone(
        id=fields.text("id"),
        label=fields.text("id"),
        done_at=fields.nullable("done_at", fields.instant),
        expected_at=fields.nullable("expected_at", fields.instant),
    )


def _prep(fields: Fields) -> Prep:
    checks = fields.optional("checks", (), fields.each, Fields.text)
    return Prep(
        checks=tuple(Check(id=check, label=check) for check in dict.fromkeys(checks)),
        records=fields.optional("records", (), fields.parts, _prep_record),
        wettings=fields.optional("wettings", (), fields.parts, _wetting),
    )


def _prep_record(fields: Fields) -> PrepRecord:
    return PrepRecord(
        id=fields.text("id"),
        check=fields.text("check"),
        at=fields.instant("at"),
        passed=fields.boolean("passed"),
    )


def _wetting(fields: Fields) -> Wetting:
    return Wetting(id=fields.text("id"), at=fields.instant("at"))


def _requirement(fields: Fields) -> Requirement:
    return Requirement(
        product=fields.text("product"),
        label=fields.text("product"),
        sheets=fields.integer("sheets", 1),
        one_batch=fields.optional("one_batch", False, fields.boolean),
    )


def _placement(fields: Fields) -> Placement:
    return Placement(
        id=fields.text("id"),
        product=fields.text("product"),
        batch=fields.text("batch"),
        sheets=fields.integer("sheets", 0),
        in_at=fields.instant("in_at"),
        out_at=fields.nullable("out_at", fields.instant),
        rest=fields.optional("rest", PlacementRest(), fields.part, _rest),
    )


def _rest(fields: Fields) -> PlacementRest:
    state = RestState(fields.choice("state", *RestState))
    proven_at = fields.nullable("proven_at", fields.instant)
    forecast_at = fields.nullable("forecast_at", fields.instant)
    if state is RestState.PROVEN and proven_at is None:
        raise fields.refusal("proven_at", "is missing, though the rest is proven")
    return PlacementRest(
        state=state, proven_at=proven_at, forecast=Forecast.fixed(forecast_at) if forecast_at else None
    )


def _inspection(fields: Fields) -> Inspection:
    return Inspection(
        id=fields.text("id"),
        placement=fields.text("placement"),
        at=fields.instant("at"),
        inspected=fields.integer("inspected", 0),
        rejected=fields.integer("rejected", 0),
        mark_seen=fields.boolean("mark_seen"),
    )


def _mix(fields: Fields) -> Mix:
    return Mix(id=fields.text("id"), product=fields.text("product"), at=fields.instant("at"))


def _delivery(fields: Fields) -> Delivery:
    fields.require("expected_at")
    return Delivery(
        id=fields.text("id"),
        product=fields.text("product"),
        batch=fields.text("batch"),
        sheets=fields.integer("sheets", 0),
        expected_at=fields.nullable("expected_at", fields.instant),
    )


def _conditions(fields: Fields) -> Conditions:
    band = fields.nullable("band", fields.part, _band)
    if band:
        fields.require("fresh_s")
    return Conditions(
        band=band,
        fresh=fields.optional("fresh_s", timedelta(0), fields.seconds),
        readings=fields.optional("readings", (), fields.parts, _reading),
    )


def _band(fields: Fields) -> Band:
    t_min, t_max = fields.number("t_min"), fields.number("t_max")
    rh_min, rh_max = fields.number("rh_min"), fields.number("rh_max")
    if t_min > t_max:
        raise fields.refusal("t_max", "is below t_min")
    if rh_min > rh_max:
        raise fields.refusal("rh_max", "is below rh_min")
    return Band(t_min, t_max, rh_min, rh_max)


def _reading(fields: Fields) -> Reading:
    return Reading(
        id=fields.text("id"),
        at=fields.instant("at"),
        t_c=fields.number("t_c", -60, 80),
        rh_pct=fields.number("rh_pct", 0, 100),
    )


def _consumables(fields: Fields) -> Consumables:
    return Consumables(
        needs=fields.optional("needs", (), fields.parts, _need),
        lots=fields.optional("lots", (), fields.parts, _lot),
    )


def _need(fields: Fields) -> Need:
    return Need(item=fields.text("item"), label=fields.text("item"), qty=fields.decimal("qty", 0))


def _lot(fields: Fields) -> Lot:
    return Lot(
        id=fields.text("id"),
        item=fields.text("item"),
        qty=fields.decimal("qty", 0),
        on_site_at=fields.instant("on_site_at"),
        good_through=fields.nullable("good_through", fields.day),
    )


def _expected(fields: Fields) -> Expected:
    return Expected(
        substrate=fields.nullable("substrate", fields.instant),
        inspection=fields.nullable("inspection", fields.instant),
        room_conditions=fields.nullable("room_conditions", fields.instant),
        consumables=fields.nullable("consumables", fields.instant),
    )


def _waiver(fields: Fields) -> Waiver:
    return Waiver(
        id=fields.text("id"),
        hold=HoldKind(fields.choice("hold", *HoldKind)),
        at=fields.instant("at"),
        until=fields.nullable("until", fields.instant),
    )
