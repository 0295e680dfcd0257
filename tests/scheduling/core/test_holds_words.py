"""What a foreman would say of each situation: the sentence, the proof and the act.  Worked by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest

from jobs.core.conditions import Band
from jobs.core.forecast import Forecast
from jobs.core.words import Say, say
from scheduling.core.holds import judge_room
from scheduling.core.room_facts import (
    Check,
    Conditions,
    Consumables,
    Delivery,
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

# Wednesday.
NOW = datetime(2026, 5, 13, 6, 52, tzinfo=UTC)
HOUR = timedelta(hours=1)


def on(day, hour, minute=0):
    return datetime(2026, 5, day, hour, minute, tzinfo=UTC)


def printed(value):
    """Print a sentence in English and UTC, as look.md (section 8) writes days and durations."""
    if isinstance(value, Say):
        text = value.text if value.many is None or value.values["n"] == 1 else value.many
        return text.format(**{name: printed(part) for name, part in value.values.items()})
    if isinstance(value, tuple):
        *first, last = [printed(part) for part in value]
        return f"{', '.join(first)} and {last}" if first else last
    if isinstance(value, datetime):
        return f"{value:%a} {value.day} {value:%b %H:%M}"
    if isinstance(value, date):
        return f"{value.day} {value:%B}"
    if isinstance(value, timedelta):
        minutes = value // timedelta(minutes=1)
        return f"{minutes // 60} h {minutes % 60:02}" if minutes % 60 else f"{minutes // 60} h"
    return str(value)


def said(kind, **facts):
    """Return what one hold of a room says: sentence, proof, act."""
    room = RoomFacts(time_zone=ZoneInfo("Europe/London"), **facts)
    hold = next(hold for hold in judge_room(room, now=NOW).holds if hold.kind is kind)
    return (
        printed(hold.says),
        hold.proof and printed(hold.proof),
        hold.act and printed(hold.act.says),
    )


def milestone(id_, label, **more):
    return Milestone(id=id_, label=label, by="site agent", **more)


GRID, ROUGH_IN = milestone("m1", "ceiling grid"), milestone("m2", "rough-in")


@pytest.mark.parametrize(
    ("milestones", "sentence", "proof", "act"),
    [
        ((), "This room waits for nobody else.", None, None),
        (
            (replace(GRID, done_at=on(4, 16, 10)), replace(ROUGH_IN, done_at=on(1, 9))),
            "All work by others is done: ceiling grid and rough-in.",
            "Last was ceiling grid: site agent, Mon 4 May 16:10",
            None,
        ),
        (
            (replace(GRID, expected_at=on(14, 12)), replace(ROUGH_IN, done_at=on(1, 9))),
            "Still waiting for ceiling grid.",
            "Promised: ceiling grid for Thu 14 May 12:00, site agent",
            "Record ceiling grid done",
        ),
        (
            (replace(GRID, expected_at=on(14, 12)), ROUGH_IN),
            "Still waiting for ceiling grid and rough-in.",
            "No date given for rough-in",
            "Record ceiling grid and rough-in done",
        ),
        (
            (replace(GRID, expected_at=on(12, 12)),),
            "Still waiting for ceiling grid.",
            "Promised: ceiling grid for Tue 12 May 12:00, site agent; that is past",
            "Record ceiling grid done",
        ),
    ],
)
def test_work_by_others(milestones, sentence, proof, act):
    assert said(HoldKind.WORK_BY_OTHERS, milestones=milestones) == (sentence, proof, act)


DRY, FLAT, SOUND = (Check(id=name, label=name) for name in ("moisture", "flatness", "soundness"))
FURTHER = (Check(id="clean", label="cleanness"), Check(id="warm", label="warmth"))


def record(check, at, passed=True, **more):
    return PrepRecord(id=f"r-{check.id}", check=check.id, at=at, passed=passed, by="Crew Dunlin", **more)


@pytest.mark.parametrize(
    ("prep", "sentence", "proof", "act"),
    [
        (Prep(), "These walls need no prep checks.", None, None),
        (
            Prep(checks=(DRY,), records=(record(DRY, on(5, 9, 40)),)),
            "The one prep check passed.",
            "Last was moisture: Crew Dunlin, Tue 5 May 09:40",
            None,
        ),
        (
            Prep(checks=(DRY, FLAT), records=(record(DRY, on(5, 9, 40)), record(FLAT, on(5, 9, 45)))),
            "All 2 prep checks passed.",
            "Last was flatness: Crew Dunlin, Tue 5 May 09:45",
            None,
        ),
        (
            Prep(checks=(DRY, FLAT)),
            "Prep is not done: moisture has not been checked and flatness has not been checked.",
            None,
            "Check moisture and flatness",
        ),
        (
            Prep(
                checks=(DRY, FLAT, SOUND, *FURTHER),
                records=(record(DRY, on(11, 15, 40), passed=False),),
            ),
            "Prep is not done: moisture failed and 4 checks have not been made.",
            "Failed: moisture; Crew Dunlin, Mon 11 May 15:40",
            "Make 5 prep checks",
        ),
        (
            Prep(
                checks=(DRY, FLAT, SOUND),
                records=(record(DRY, on(5, 9, 40)), record(FLAT, on(11, 15, 40), passed=False)),
                wettings=(Wetting(id="w", at=on(11, 17), by="site agent"),),
            ),
            "Prep is not done: moisture passed before the wall got wet, flatness failed and soundness has not"
            " been checked.",
            "Failed: flatness; Crew Dunlin, Mon 11 May 15:40",
            "Check moisture, flatness and soundness",
        ),
        (
            Prep(
                checks=(DRY,),
                records=(record(DRY, on(5, 9, 40)),),
                wettings=(Wetting(id="w", at=on(11, 17), by="site agent"),),
            ),
            "Prep is not done: moisture passed before the wall got wet.",
            "Wet: site agent, Mon 11 May 17:00",
            "Check moisture",
        ),
        (
            Prep(
                checks=(DRY, FLAT),
                records=(
                    record(DRY, on(5, 9, 40)),
                    record(
                        FLAT,
                        on(11, 15, 40),
                        passed=False,
                        finding=say("East wall is 4 mm out over 2 m; the limit is 3 mm."),
                    ),
                ),
            ),
            "East wall is 4 mm out over 2 m; the limit is 3 mm.",
            "Failed: flatness; Crew Dunlin, Mon 11 May 15:40",
            "Check flatness",
        ),
    ],
)
def test_substrate(prep, sentence, proof, act):
    assert said(HoldKind.SUBSTRATE, prep=prep) == (sentence, proof, act)


WHITE = Requirement(product="W", label="white sheet", sheets=14, one_batch=True)
IVORY = Requirement(product="I", label="ivory sheet", sheets=8)


def placed(sheets, batch="7K2-0418", product="W", **more):
    id_ = f"{product}-{batch}"
    more = {"rest": PlacementRest(), **more}
    return Placement(
        id=id_, product=product, batch=batch, sheets=sheets, in_at=on(12, 6, 5), by="Crew Heron", **more
    )


def counted(placement, inspected, rejected=0, mark_seen=True):
    return Inspection(
        id=f"i-{placement.id}",
        placement=placement.id,
        at=on(12, 16, 48),
        inspected=inspected,
        rejected=rejected,
        mark_seen=mark_seen,
        by="Crew Heron",
    )


def due(sheets, at, product="W", **more):
    return Delivery(
        id=f"d{sheets}",
        product=product,
        batch="7K2-0502",
        sheets=sheets,
        expected_at=at,
        by="Dunmere depot",
        **more,
    )


SIXTEEN, TEN = placed(16), placed(10)
MIXED = (placed(10), placed(6, batch="7K2-0502"))


@pytest.mark.parametrize(
    ("facts", "sentence", "proof", "act"),
    [
        ({}, "No sheets are asked for here.", None, None),
        (
            {"requirement": (WHITE,), "placements": (SIXTEEN,), "inspections": (counted(SIXTEEN, 16, 1),)},
            "15 good sheets stand here, 14 needed, all one batch.",
            "16 placed, 1 of them rejected; Crew Heron, Tue 12 May 06:05",
            None,
        ),
        (
            {
                "requirement": (WHITE,),
                "placements": MIXED,
                "mixes": (Mix(id="x", product="W", at=on(12, 9)),),
            },
            "16 good sheets stand here, 14 needed, of 2 batches whose mix is acknowledged.",
            "16 placed; Crew Heron, Tue 12 May 06:05",
            None,
        ),
        (
            {"requirement": (IVORY,), "placements": (placed(9, product="I"),)},
            "9 good sheets stand here, 8 needed.",
            "9 placed; Crew Heron, Tue 12 May 06:05",
            None,
        ),
        (
            {"requirement": (WHITE, IVORY), "placements": (SIXTEEN, placed(9, product="I"))},
            "Enough good sheets of every product stand here: white sheet 16 of 14 and ivory sheet 9 of 8.",
            "25 placed; Crew Heron, Tue 12 May 06:05",
            None,
        ),
        (
            {"requirement": (WHITE,)},
            "None of the 14 sheets needed is here.",
            "None placed yet. None on the way",
            "Order 14 more sheets",
        ),
        (
            {"requirement": (WHITE,), "placements": (TEN,), "deliveries": (due(4, on(15, 7, 30)),)},
            "10 good sheets stand here, 14 needed: 4 short.",
            "10 placed; Crew Heron, Tue 12 May 06:05. 4 due Fri 15 May 07:30, Dunmere depot",
            "Confirm the arrival of 4 sheets",
        ),
        (
            {"requirement": (WHITE,), "placements": (TEN,), "deliveries": (due(4, None, dispatched=False),)},
            "10 good sheets stand here, 14 needed: 4 short.",
            "10 placed; Crew Heron, Tue 12 May 06:05. No date given for the 4 on order",
            "Log the dispatch of 4 sheets",
        ),
        (
            {"requirement": (WHITE,), "placements": MIXED},
            "16 good sheets stand here, but no batch has the 14 needed.",
            "16 placed; Crew Heron, Tue 12 May 06:05. None on the way",
            "Acknowledge the mix of batches",
        ),
        (
            {"requirement": (WHITE, IVORY), "placements": MIXED},
            "Short of one batch with 14 of white sheet and 8 of ivory sheet.",
            "16 placed; Crew Heron, Tue 12 May 06:05. None on the way",
            "Acknowledge the mix of batches",
        ),
    ],
)
def test_panels_on_site(facts, sentence, proof, act):
    assert said(HoldKind.PANELS_ON_SITE, **facts) == (sentence, proof, act)


@pytest.mark.parametrize(
    ("facts", "sentence", "proof", "act"),
    [
        (
            {"placements": (SIXTEEN,), "inspections": (counted(SIXTEEN, 10, 1),)},
            "6 of 16 sheets have not been looked at, front and back.",
            "Last count: Crew Heron, Tue 12 May 16:48",
            "Inspect 6 sheets",
        ),
        (
            {"placements": (SIXTEEN,), "inspections": (counted(SIXTEEN, 15),)},
            "One of 16 sheets has not been looked at, front and back.",
            "Last count: Crew Heron, Tue 12 May 16:48",
            "Inspect one sheet",
        ),
        (
            {"placements": (SIXTEEN,)},
            "16 of 16 sheets have not been looked at, front and back.",
            "No count yet. 16 placed; Crew Heron, Tue 12 May 06:05",
            "Inspect 16 sheets",
        ),
        (
            {"placements": (SIXTEEN,), "inspections": (counted(SIXTEEN, 16, mark_seen=False),)},
            "The maker’s mark on the back was not seen on 16 of 16 sheets.",
            "Last count: Crew Heron, Tue 12 May 16:48",
            "Look for the mark on 16 sheets",
        ),
        ({}, "There are no sheets here to look at.", None, None),
        (
            {"placements": (SIXTEEN,), "inspections": (counted(SIXTEEN, 16),), "requirement": (WHITE, IVORY)},
            "Of ivory sheet nothing is here to look at.",
            "Last count: Crew Heron, Tue 12 May 16:48",
            None,
        ),
        (
            {"placements": (SIXTEEN,), "inspections": (counted(SIXTEEN, 16, 2),)},
            "All 16 sheets here were looked at, front and back: 2 rejected.",
            "Last count: Crew Heron, Tue 12 May 16:48",
            None,
        ),
        (
            {"placements": (SIXTEEN, placed(4, batch="7K2-0502")), "inspections": (counted(SIXTEEN, 16),)},
            "16 of 20 sheets were looked at, front and back, and that is enough.",
            "Last count: Crew Heron, Tue 12 May 16:48",
            None,
        ),
    ],
)
def test_inspection(facts, sentence, proof, act):
    assert said(HoldKind.INSPECTION, **{"requirement": (WHITE,), **facts}) == (sentence, proof, act)


def rest(state, proven, **more):
    return PlacementRest(state=state, proven=proven, required=24 * HOUR, **more)


RESTING = rest(
    RestState.RESTING,
    12 * HOUR + timedelta(minutes=40),
    provisional=HOUR + timedelta(minutes=12),
    last_reading_at=on(13, 5, 40),
    read_again_by=on(13, 7, 40),
    forecast=Forecast.fixed(on(13, 17)),
)
COLD = rest(RestState.PAUSED, 3 * HOUR, last_reading_at=on(13, 5, 40), forecast=Forecast.sliding(21 * HOUR))
FULL = rest(RestState.PROVEN, 30 * HOUR, proven_at=on(13, 1, 5))


@pytest.mark.parametrize(
    ("placements", "sentence", "proof", "act"),
    [
        (
            (placed(16, rest=RESTING),),
            "12 h 40 of 24 h proven; what came after the reading of Wed 13 May 05:40 is provisional.",
            "Last reading Wed 13 May 05:40; the next must come by Wed 13 May 07:40",
            "Log a reading",
        ),
        (
            (placed(16, rest=replace(RESTING, provisional=timedelta(0))),),
            "12 h 40 of 24 h proven; what came after the reading of Wed 13 May 05:40 is provisional.",
            "Last reading Wed 13 May 05:40; the next must come by Wed 13 May 07:40",
            "Log a reading",
        ),
        (
            (placed(16, rest=replace(RESTING, provisional=timedelta(0), read_again_by=None)),),
            "12 h 40 of 24 h proven, and counting.",
            "Last reading Wed 13 May 05:40",
            "Log a reading",
        ),
        (
            (placed(16, rest=COLD),),
            "3 h of 24 h proven; the clock stands still.",
            "Last reading Wed 13 May 05:40",
            "Log a reading",
        ),
        (
            (placed(16),),
            "Nothing of 24 h is proven.",
            "16 placed; Crew Heron, Tue 12 May 06:05",
            "Log a reading",
        ),
        (
            (placed(16, wrapped=True),),
            "16 sheets are still wrapped, so their rest has not begun.",
            "16 placed; Crew Heron, Tue 12 May 06:05",
            "Unwrap 16 sheets",
        ),
        (
            (placed(16, rest=RESTING), placed(16, batch="7K2-0502", rest=COLD)),
            "Slowest of 2 placements, batch 7K2-0502: 3 h of 24 h proven; the clock stands still.",
            "Last reading Wed 13 May 05:40",
            "Log a reading",
        ),
        ((), "There are no sheets here to rest.", None, None),
        ((placed(10, rest=FULL),), "10 sheets have their full rest; more have to come first.", None, None),
        (
            (placed(16, rest=FULL),),
            "16 sheets have their full 24 h of rest.",
            "Proven Wed 13 May 01:05",
            None,
        ),
    ],
)
def test_rest(placements, sentence, proof, act):
    assert said(HoldKind.REST, requirement=(WHITE,), placements=placements) == (sentence, proof, act)


def test_sheets_that_need_no_rest():
    told = said(HoldKind.REST, requirement=(WHITE,), rest_required=timedelta(0))
    assert told == ("These sheets need no rest.", None, None)


READ_AT = on(13, 5, 40)


def air(*readings):
    return Conditions(band=Band(18, 24, 35, 55), fresh=2 * HOUR, readings=readings)


def reading(t_c, rh_pct, at=READ_AT):
    return Reading(id="r", at=at, t_c=t_c, rh_pct=rh_pct, by="Logger")


READ = "Logger, Wed 13 May 05:40"
FRESH = f"{READ}; good until Wed 13 May 07:40"
PUT_RIGHT = "Bring the air into its band and log a reading"


@pytest.mark.parametrize(
    ("conditions", "sentence", "proof", "act"),
    [
        (Conditions(), "Nothing is asked of the air here.", None, None),
        (air(reading(19.9, 46)), "19.9 °C and 46 %, both inside the band.", FRESH, None),
        (air(), "Nobody has read the air here.", None, "Log a reading"),
        (
            air(reading(19.9, 46, at=on(13, 4))),
            "19.9 °C and 46 % were inside the band, but that reading is too old.",
            "Logger, Wed 13 May 04:00; good until Wed 13 May 06:00",
            "Log a reading",
        ),
        (air(reading(16.2, 46)), "Too cold: 16.2 °C, at least 18 °C wanted.", READ, PUT_RIGHT),
        (air(reading(24.1, 46)), "Too warm: 24.1 °C, at most 24 °C wanted.", READ, PUT_RIGHT),
        (air(reading(20, 34)), "Too dry: 34 %, at least 35 % wanted.", READ, PUT_RIGHT),
        (air(reading(20, 61)), "Too damp: 61 %, at most 55 % wanted.", READ, PUT_RIGHT),
        (
            Conditions(band_conflict=True),
            "The bands asked of the air do not meet, so no reading can be right.",
            None,
            "Correct the bands of this room",
        ),
    ],
)
def test_room_conditions(conditions, sentence, proof, act):
    assert said(HoldKind.ROOM_CONDITIONS, conditions=conditions) == (sentence, proof, act)


ADHESIVE = Need(item="A", label="adhesive", qty=Decimal(19), unit="kg")
SEALANT = Need(item="S", label="sealant", qty=Decimal("12"), unit="tubes")
CORNERS = Need(item="C", label="inside corners", qty=Decimal("2.5"))


def lot(item, qty, **more):
    return Lot(
        id=f"l-{item}{qty}", item=item, qty=Decimal(qty), on_site_at=on(11, 10, 20), by="Crew Heron", **more
    )


@pytest.mark.parametrize(
    ("needs", "lots", "planned", "sentence", "proof", "act"),
    [
        ((), (), None, "Nothing but panels is asked for here.", None, None),
        (
            (ADHESIVE, SEALANT),
            (lot("A", "22", good_through=date(2026, 6, 30)), lot("S", "12")),
            None,
            "Here and in date: 22 of 19 kg adhesive and 12 of 12 tubes sealant.",
            "In date to 30 June; Crew Heron, Mon 11 May 10:20",
            None,
        ),
        (
            (ADHESIVE, CORNERS),
            (lot("A", "11"), lot("C", "2.5")),
            None,
            "Short of 8 kg of adhesive.",
            "Here and in date: 11 of 19 kg adhesive",
            "Bring 8 kg of adhesive",
        ),
        (
            (CORNERS,),
            (),
            None,
            "Short of 2.5 inside corners.",
            "Here and in date: 0 of 2.5 inside corners",
            "Bring 2.5 inside corners",
        ),
        (
            (ADHESIVE,),
            (lot("A", "22", good_through=date(2026, 5, 12)),),
            None,
            "Short of 19 kg of adhesive.",
            "22 kg of adhesive went out of date after 12 May",
            "Bring 19 kg of adhesive",
        ),
        (
            (ADHESIVE,),
            (lot("A", "22", good_through=date(2026, 5, 13)),),
            on(14, 7),
            "Short of 19 kg of adhesive.",
            "22 kg of adhesive is good to 13 May only; it is wanted on Thu 14 May 07:00",
            "Bring 19 kg of adhesive",
        ),
        (
            (ADHESIVE,),
            (lot("A", "22", unfit=say("it is water-borne and cannot dry between two plastics")),),
            None,
            "Short of 19 kg of adhesive; what is here does not fit: it is water-borne and cannot dry between two"
            " plastics.",
            "Here and in date: 0 of 19 kg adhesive",
            "Bring 19 kg of adhesive",
        ),
    ],
)
def test_consumables(needs, lots, planned, sentence, proof, act):
    stores = Consumables(needs=needs, lots=lots)
    assert said(HoldKind.CONSUMABLES, consumables=stores, planned_start=planned) == (sentence, proof, act)


def signed(kind, **more):
    return Waiver(id="v", hold=kind, at=on(12, 15, 2), reason="no skim possible over the pipe chase", **more)


@pytest.mark.parametrize(
    ("prep", "by", "proof"),
    [
        (
            Prep(checks=(FLAT,), records=(record(FLAT, on(11, 15, 40), passed=False),)),
            "the manager",
            "Failed: flatness; Crew Dunlin, Mon 11 May 15:40. Waived Tue 12 May 15:02 by the manager:"
            " “no skim possible over the pipe chase”",
        ),
        (Prep(checks=(FLAT,)), "", "Waived Tue 12 May 15:02: “no skim possible over the pipe chase”"),
    ],
)
def test_a_waiver_is_read_with_what_it_lies_over_and_leaves_nothing_to_do(prep, by, proof):
    waivers = (signed(HoldKind.SUBSTRATE, by=by),)
    _says, told, act = said(HoldKind.SUBSTRATE, prep=prep, waivers=waivers)
    assert (told, act) == (proof, None)
