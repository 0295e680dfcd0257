"""The seven holds against a slow reading of the contract (cases/README.md, section 6) that shares no code.

Facts here are small: instants are seconds after `BASE`, around a midnight in Paris, so each can be tried.
Every expected value comes from that reading, `ruled` and its helpers: worked by hand from the contract.
"""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

from hypothesis import given, settings
from hypothesis import strategies as st

from jobs.core.case_fields import case_of
from jobs.core.conditions import Band
from jobs.core.forecast import Forecast
from scheduling.core import room_facts as core
from scheduling.core.cases_holds import work_holds
from scheduling.core.holds import judge_room

# 22:00:00 UTC on 5 May is midnight in Paris, the 20th second.
BASE = datetime(2026, 5, 5, 21, 59, 40, tzinfo=UTC)
MIDNIGHT = 20
# Nothing in a drawn room happens later than this second, nor is anything expected further ahead.
LAST = 60
REACH = 60
KINDS = [
    "work_by_others",
    "substrate",
    "panels_on_site",
    "inspection",
    "rest",
    "room_conditions",
    "consumables",
]


# ---- the contract, read slowly: a case is the JSON of section 6 with seconds for instants


def ruled(case, now):
    """Return {hold: (state, forecast, evidence)}, released, fit to send and earliest start at `now`."""
    holds = {}
    for kind in KINDS:
        state, forecast, evidence = RULES[kind](case, now, holds)
        signed = [v for v in case["waivers"] if v["hold"] == kind and v["at"] <= now]
        signed = [v["id"] for v in signed if v["until"] is None or now < v["until"]]
        if state == "held" and signed:
            state, evidence = "waived", evidence + signed
        holds[kind] = (state, forecast if state == "held" else None, sorted(set(evidence)))
    held = [kind for kind in KINDS if holds[kind][0] == "held"]
    fit = held == []
    if held == ["room_conditions"]:
        fit = all(in_band(case, r) for r in last_readings(case, now))
    earliest = now
    for kind in held:
        forecast = holds[kind][1]
        earliest = None if None in (earliest, forecast) else max(earliest, forecast)
    return holds, held == [], fit, earliest


def worth(at, now):
    return at if at is not None and at >= now else None


def rule_work(case, now, holds):
    everything = case["milestones"]
    if not everything:
        return "not_needed", None, []
    left = [m for m in everything if m["done_at"] is None or m["done_at"] > now]
    if not left:
        return "clear", None, [m["id"] for m in everything]
    expected = [worth(m["expected_at"], now) for m in left]
    return "held", None if None in expected else max(expected), [m["id"] for m in left]


def rule_substrate(case, now, holds):
    if not case["checks"]:
        return "not_needed", None, []
    wettings = [w for w in case["wettings"] if w["at"] <= now]
    wettings = [w for w in wettings if w["at"] == max(x["at"] for x in wettings)]
    good, failed, undone, complete = [], [], [], True
    for check in case["checks"]:
        records = [r for r in case["records"] if r["check"] == check and r["at"] <= now]
        latest = [r for r in records if all(x["at"] <= r["at"] for x in records)]
        if not latest:
            complete = False
        elif not all(r["passed"] for r in latest):
            failed += [r["id"] for r in latest if not r["passed"]]
        elif wettings and latest[0]["at"] <= wettings[0]["at"]:
            undone += [w["id"] for w in wettings]
        else:
            good += [r["id"] for r in latest]
    if complete and not failed and not undone:
        return "clear", None, good
    return "held", worth(case["expected"]["substrate"], now), failed + undone


def present(case, now):
    products = {n["product"] for n in case["requirement"]}
    here = [p for p in case["placements"] if p["product"] in products and p["in_at"] <= now]
    return [p for p in here if p["out_at"] is None or now < p["out_at"]]


def latest_inspection(case, placement, now):
    mine = [i for i in case["inspections"] if i["placement"] == placement["id"] and i["at"] <= now]
    mine.sort(key=lambda i: (-i["at"], -i["rejected"], i["id"]))
    return mine[0] if mine else None


def good(case, placement, now):
    last = latest_inspection(case, placement, now)
    return placement["sheets"] - (last["rejected"] if last else 0)


def seen(case, now):
    found = []
    for placement in present(case, now):
        last = latest_inspection(case, placement, now)
        if last and last["inspected"] == placement["sheets"] and last["mark_seen"]:
            found.append(placement)
    return found


def enough(case, need, counts, now):
    total = sum(sheets for _, sheets in counts)
    if not need["one_batch"]:
        return total >= need["sheets"]
    for batch in {batch for batch, _ in counts}:
        if sum(sheets for b, sheets in counts if b == batch) >= need["sheets"]:
            return True
    mixed = any(x["product"] == need["product"] and x["at"] <= now for x in case["mixes"])
    return mixed and total >= need["sheets"]


def of(need, things):
    return [thing for thing in things if thing["product"] == need["product"]]


def counts_of(case, need, placements, now):
    return [(p["batch"], good(case, p, now)) for p in of(need, placements)]


def come(case, need, since, until):
    return [
        d for d in of(need, case["deliveries"]) if d["expected_at"] >= since and d["expected_at"] <= until
    ]


def sheets_of(deliveries):
    return [(d["batch"], d["sheets"]) for d in deliveries]


def rule_panels(case, now, holds):
    if not case["requirement"]:
        return "not_needed", None, []
    here = present(case, now)
    short = [n for n in case["requirement"] if not enough(case, n, counts_of(case, n, here, now), now)]
    evidence = [p["id"] for p in here]
    if not short:
        for need in case["requirement"]:
            without = {**case, "mixes": []}
            if not enough(without, need, counts_of(case, need, here, now), now):
                evidence += [x["id"] for x in of(need, case["mixes"]) if x["at"] <= now]
        return "clear", None, evidence
    dates = []
    for need in short:
        for second in range(now, now + REACH):
            counts = counts_of(case, need, here, now) + sheets_of(come(case, need, now, second))
            if enough(case, need, counts, now):
                dates.append(second)
                break
    return "held", max(dates) if len(dates) == len(short) else None, evidence


def all_looked_at(case, need, now):
    mine = of(need, present(case, now))
    looked_at = [p["id"] for p in seen(case, now)]
    return mine != [] and all(p["id"] in looked_at for p in mine)


def rule_inspection(case, now, holds):
    if not case["requirement"]:
        return "not_needed", None, []
    clear = True
    for need in case["requirement"]:
        is_enough = enough(case, need, counts_of(case, need, seen(case, now), now), now)
        clear = clear and (is_enough or all_looked_at(case, need, now))
    if clear:
        return "clear", None, [latest_inspection(case, p, now)["id"] for p in seen(case, now)]
    looked_at = [p["id"] for p in seen(case, now)]
    unseen = [p["id"] for p in present(case, now) if p["id"] not in looked_at]
    return "held", worth(case["expected"]["inspection"], now), unseen


def proven(placement):
    return placement["rest"]["state"] == "proven"


def rule_rest(case, now, holds):
    if not case["requirement"] or case["rest_s"] == 0:
        return "not_needed", None, []
    asked = seen(case, now) if holds["inspection"][0] == "clear" else present(case, now)
    waived = holds["panels_on_site"][0] == "waived"
    clear = True
    for need in case["requirement"]:
        rested = [p for p in of(need, asked) if proven(p)]
        if enough(case, need, counts_of(case, need, rested, now), now):
            continue
        if not (waived and of(need, asked) and len(rested) == len(of(need, asked))):
            clear = False
    if clear:
        return "clear", None, [p["id"] for p in asked if proven(p)]
    evidence = [p["id"] for p in asked if not proven(p)]
    for second in range(now, now + REACH):
        if all(rested_by(case, need, waived, second, now) for need in case["requirement"]):
            return "held", second, evidence
    return "held", None, evidence


def asked_by(case, second, now):
    for need in case["requirement"]:
        counts = counts_of(case, need, seen(case, now), now) + sheets_of(come(case, need, now, second))
        if not enough(case, need, counts, now) and not all_looked_at(case, need, now):
            return present(case, now)
    return seen(case, now)


def rested_by(case, need, waived, second, now):
    asked = of(need, asked_by(case, second, now))
    ready = []
    for placement in asked:
        forecast = forecast_at(placement, now)
        if proven(placement) or (forecast is not None and max(forecast, now) <= second):
            ready.append(placement)
    rested = come(case, need, now, second - case["rest_s"])
    if enough(case, need, counts_of(case, need, ready, now) + sheets_of(rested), now):
        return True
    still_resting = [d for d in come(case, need, now, second) if d not in rested]
    return waived and asked != [] and ready == asked and still_resting == []


def forecast_at(placement, now):
    """Return the second that is forecast; one that slides is written ("after", seconds)."""
    forecast = placement["rest"]["forecast_at"]
    return now + forecast[1] if isinstance(forecast, tuple) else forecast


def last_readings(case, now):
    known = [r for r in case["readings"] if r["at"] <= now]
    return [r for r in known if r["at"] == max(x["at"] for x in known)]


def in_band(case, reading):
    return 18 <= reading["t_c"] <= 26


def rule_conditions(case, now, holds):
    if not case["has_band"]:
        return "not_needed", None, []
    last = last_readings(case, now)
    evidence = [r["id"] for r in last]
    if last and all(in_band(case, r) and now - r["at"] <= case["fresh_s"] for r in last):
        return "clear", None, evidence
    return "held", worth(case["expected"]["room_conditions"], now), evidence


def rule_consumables(case, now, holds):
    if not case["needs"]:
        return "not_needed", None, []
    when = now if case["planned_start"] is None else case["planned_start"]
    today = 5 if when < MIDNIGHT else 6
    used, outdated, short = [], [], False
    for need in case["needs"]:
        lots = [lot for lot in case["lots"] if lot["item"] == need["item"] and lot["on_site_at"] <= now]
        fine = [lot for lot in lots if lot["day"] is None or lot["day"] >= today]
        # Quantities are whole tenths here.
        if sum(lot["tenths"] for lot in fine) >= need["tenths"]:
            used += [lot["id"] for lot in fine]
        else:
            short = True
            outdated += [lot["id"] for lot in lots if lot not in fine]
    if not short:
        return "clear", None, used
    return "held", worth(case["expected"]["consumables"], now), outdated


RULES = {
    "work_by_others": rule_work,
    "substrate": rule_substrate,
    "panels_on_site": rule_panels,
    "inspection": rule_inspection,
    "rest": rule_rest,
    "room_conditions": rule_conditions,
    "consumables": rule_consumables,
}


# ---- rooms to try


def seconds(least=0, most=40):
    return st.integers(least, most)


def maybe(strategy):
    return st.none() | strategy


def listed(most, **fields):
    return st.lists(st.fixed_dictionaries(fields), max_size=most)


REST = st.one_of(
    st.just({"state": "proven", "proven_at": 0, "forecast_at": None}),
    st.builds(
        lambda state, forecast: {"state": state, "proven_at": None, "forecast_at": forecast},
        st.sampled_from(["resting", "paused", "not_started"]),
        st.one_of(st.none(), seconds(), seconds(), st.tuples(st.just("after"), seconds(0, 12))),
    ),
)
SHEETS = {
    "requirement": st.lists(
        st.fixed_dictionaries(
            {"product": st.sampled_from("PQ"), "sheets": st.integers(1, 6), "one_batch": st.booleans()}
        ),
        max_size=2,
        unique_by=lambda need: need["product"],
    ),
    "placements": listed(
        5,
        product=st.sampled_from("PPPQR"),
        batch=st.sampled_from("AB"),
        sheets=st.integers(0, 5),
        in_at=seconds(0, 20),
        out_at=st.one_of(st.none(), st.none(), seconds(5, 40)),
        rest=REST,
    ),
    "inspections": listed(
        6,
        placement=st.integers(0, 4),
        at=seconds(0, 25),
        lack=st.sampled_from([0, 0, 0, 1]),
        rejected=st.integers(0, 2),
        mark_seen=st.sampled_from([True, True, True, False]),
    ),
    "mixes": listed(1, product=st.sampled_from("PQ"), at=seconds(0, 25)),
    "deliveries": listed(
        4,
        product=st.sampled_from("PPQR"),
        batch=st.sampled_from("ABC"),
        sheets=st.integers(0, 5),
        expected_at=seconds(5, 35),
    ),
    "rest_s": st.sampled_from([0, 1, 3, 7]),
    "waivers": listed(3, hold=st.sampled_from(KINDS), at=seconds(0, 25), until=maybe(seconds(5, 40))),
}
OTHERS = {
    "planned_start": maybe(seconds()),
    "milestones": listed(3, done_at=maybe(seconds(0, 30)), expected_at=maybe(seconds(10, 40))),
    "checks": st.lists(st.sampled_from(["dry", "flat"]), unique=True),
    "records": listed(5, check=st.sampled_from(["dry", "flat"]), at=seconds(0, 25), passed=st.booleans()),
    "wettings": listed(2, at=seconds(0, 25)),
    "has_band": st.booleans(),
    "fresh_s": st.integers(0, 12),
    "readings": listed(3, at=seconds(0, 25), t_c=st.sampled_from([18, 26, 27])),
    "needs": st.lists(
        st.fixed_dictionaries({"item": st.sampled_from(["glue", "tape"]), "tenths": st.integers(0, 12)}),
        max_size=2,
        unique_by=lambda need: need["item"],
    ),
    "lots": listed(
        4,
        item=st.sampled_from(["glue", "tape"]),
        tenths=st.integers(0, 9),
        on_site_at=seconds(0, 25),
        day=st.sampled_from([None, 4, 5, 6]),
    ),
    "expected": st.fixed_dictionaries(
        {kind: maybe(seconds()) for kind in ["substrate", "inspection", "room_conditions", "consumables"]}
    ),
}
#: A room that asks for nothing but sheets, most of which have come and were looked at.
STOCKED = {
    "requirement": st.lists(
        st.fixed_dictionaries(
            {"product": st.sampled_from("PQ"), "sheets": st.integers(1, 6), "one_batch": st.booleans()}
        ),
        min_size=1,
        max_size=2,
        unique_by=lambda need: need["product"],
    ),
    "placements": st.lists(
        st.fixed_dictionaries(
            {
                "product": st.sampled_from("PPPQ"),
                "batch": st.sampled_from("AAB"),
                "sheets": st.integers(1, 5),
                "in_at": st.sampled_from([0, 0, 0, 12]),
                "out_at": st.sampled_from([None, None, None, None, 20]),
                "rest": REST,
            }
        ),
        min_size=1,
        max_size=4,
    ),
    "inspections": st.tuples(
        *[
            st.fixed_dictionaries(
                {
                    "placement": st.just(i),
                    "at": st.sampled_from([0, 0, 0, 18, 99]),
                    "lack": st.sampled_from([0, 0, 0, 0, 1]),
                    "rejected": st.sampled_from([0, 0, 1]),
                    "mark_seen": st.just(True),
                }
            )
            for i in range(4)
        ]
    ),
    "waivers": st.lists(
        st.fixed_dictionaries(
            {
                "hold": st.sampled_from(["panels_on_site", "panels_on_site", "inspection", "rest"]),
                "at": st.sampled_from([0, 0, 15]),
                "until": st.sampled_from([None, None, 25]),
            }
        ),
        max_size=2,
    ),
}
NOTHING: dict[str, object] = {
    "planned_start": None,
    "milestones": [],
    "checks": [],
    "records": [],
    "wettings": [],
    "has_band": False,
    "fresh_s": 0,
    "readings": [],
    "needs": [],
    "lots": [],
    "expected": {"substrate": None, "inspection": 30, "room_conditions": None, "consumables": None},
}
ROOMS = st.one_of(
    st.fixed_dictionaries(SHEETS | OTHERS),
    st.fixed_dictionaries(SHEETS | STOCKED).map(lambda sheets: NOTHING | sheets),
    st.fixed_dictionaries(SHEETS | STOCKED).map(lambda sheets: NOTHING | sheets),
)
NAMED = {
    "milestones": "m",
    "records": "r",
    "wettings": "w",
    "placements": "p",
    "inspections": "i",
    "mixes": "x",
    "deliveries": "d",
    "readings": "a",
    "lots": "l",
    "waivers": "v",
}


def named(room):
    """Give each fact its id, and cut inspections to the placements there are."""
    case = dict(room)
    for name, letter in NAMED.items():
        case[name] = [{**fact, "id": f"{letter}{i}"} for i, fact in enumerate(case[name])]
    inspections = []
    for inspection in case["inspections"]:
        if inspection["placement"] < len(case["placements"]):
            placement = case["placements"][inspection["placement"]]
            inspected = max(placement["sheets"] - inspection["lack"], 0)
            rejected = min(inspection["rejected"], inspected)
            inspections.append(
                {**inspection, "placement": placement["id"], "inspected": inspected, "rejected": rejected}
            )
    case["inspections"] = inspections
    return case


CASES = ROOMS.map(named)


def instant(second):
    return None if second is None else BASE + timedelta(seconds=second)


def forecast(second):
    if isinstance(second, tuple):
        return Forecast.sliding(timedelta(seconds=second[1]))
    return None if second is None else Forecast.fixed(instant(second))


def facts_of(case):
    """Return the room as the service hands it to the core."""

    def at(fact, *names, **more):
        return {**{name: instant(fact[name]) for name in names}, "id": fact["id"], **more}

    return core.RoomFacts(
        time_zone=ZoneInfo("Europe/Paris"),
        planned_start=instant(case["planned_start"]),
        milestones=tuple(
            core.Milestone(label=m["id"], **at(m, "done_at", "expected_at")) for m in case["milestones"]
        ),
        prep=core.Prep(
            checks=tuple(core.Check(id=check, label=check) for check in case["checks"]),
            records=tuple(
                core.PrepRecord(check=r["check"], passed=r["passed"], **at(r, "at")) for r in case["records"]
            ),
            wettings=tuple(core.Wetting(**at(w, "at")) for w in case["wettings"]),
        ),
        requirement=tuple(core.Requirement(label=n["product"], **n) for n in case["requirement"]),
        placements=tuple(
            core.Placement(
                product=p["product"],
                batch=p["batch"],
                sheets=p["sheets"],
                rest=core.PlacementRest(
                    state=core.RestState(p["rest"]["state"]),
                    proven_at=instant(p["rest"]["proven_at"]),
                    forecast=forecast(p["rest"]["forecast_at"]),
                ),
                **at(p, "in_at", "out_at"),
            )
            for p in case["placements"]
        ),
        inspections=tuple(
            core.Inspection(
                placement=i["placement"],
                inspected=i["inspected"],
                rejected=i["rejected"],
                mark_seen=i["mark_seen"],
                **at(i, "at"),
            )
            for i in case["inspections"]
        ),
        mixes=tuple(core.Mix(product=x["product"], **at(x, "at")) for x in case["mixes"]),
        deliveries=tuple(
            core.Delivery(product=d["product"], batch=d["batch"], sheets=d["sheets"], **at(d, "expected_at"))
            for d in case["deliveries"]
        ),
        rest_required=timedelta(seconds=case["rest_s"]),
        conditions=core.Conditions(
            band=Band(18, 26, 30, 60) if case["has_band"] else None,
            fresh=timedelta(seconds=case["fresh_s"]),
            readings=tuple(core.Reading(t_c=a["t_c"], rh_pct=45, **at(a, "at")) for a in case["readings"]),
        ),
        consumables=core.Consumables(
            needs=tuple(
                core.Need(item=n["item"], label=n["item"], qty=Decimal(n["tenths"]) / 10)
                for n in case["needs"]
            ),
            lots=tuple(
                core.Lot(
                    item=lot["item"],
                    qty=Decimal(lot["tenths"]) / 10,
                    good_through=lot["day"] and date(2026, 5, lot["day"]),
                    **at(lot, "on_site_at"),
                )
                for lot in case["lots"]
            ),
        ),
        expected=core.Expected(**{kind: instant(second) for kind, second in case["expected"].items()}),
        waivers=tuple(
            core.Waiver(hold=core.HoldKind(v["hold"]), **at(v, "at", "until")) for v in case["waivers"]
        ),
    )


def told(answer, now):
    """Return an answer in the oracle's terms, its forecasts as they stand at the second `now`."""

    def second(forecast):
        return forecast and (forecast.instant(now=instant(now)) - BASE) // timedelta(seconds=1)

    holds = {
        hold.kind.value: (hold.state.value, second(hold.forecast), list(hold.evidence))
        for hold in answer.holds
    }
    return holds, answer.released, answer.fit_to_send, second(answer.earliest_start)


def until(answer):
    """Return the second from which an answer may be another, or the last one worth a look."""
    if answer.good_until is None:
        return LAST
    return min((answer.good_until - BASE) // timedelta(seconds=1), LAST)


# ---- what must hold


@settings(max_examples=400, deadline=None)
@given(CASES, seconds(0, 30))
def test_the_room_is_judged_as_the_contract_reads(case, now):
    assert told(judge_room(facts_of(case), now=instant(now)), now) == ruled(case, now)


@settings(max_examples=300, deadline=None)
@given(CASES, seconds(0, 30))
def test_an_answer_is_true_at_every_second_until_it_is_good_no_longer(case, now):
    facts = facts_of(case)
    answer = judge_room(facts, now=instant(now))
    for second in range(now, until(answer)):
        assert told(answer, second) == ruled(case, second)


@settings(max_examples=300, deadline=None)
@given(CASES, seconds(0, 30), st.data())
def test_no_word_of_an_answer_changes_before_it_is_good_no_longer(case, now, data):
    facts = facts_of(case)
    answer = judge_room(facts, now=instant(now))
    if until(answer) > now + 1:
        later = data.draw(st.integers(now + 1, until(answer) - 1))
        assert judge_room(facts, now=instant(later)) == answer


@settings(max_examples=300, deadline=None)
@given(CASES, seconds(0, 30))
def test_something_does_change_when_an_answer_is_good_no_longer(case, now):
    facts = facts_of(case)
    answer = judge_room(facts, now=instant(now))
    if answer.good_until is not None:
        later = judge_room(facts, now=answer.good_until)
        assert [without_end(hold) for hold in later.holds] != [
            without_end(hold) for hold in answer.holds
        ] or (later.earliest_start != answer.earliest_start)


def without_end(hold):
    return (
        hold.kind,
        hold.state,
        hold.evidence,
        hold.forecast,
        hold.says,
        hold.proof,
        hold.act,
        hold.counting,
    )


@settings(max_examples=200, deadline=None)
@given(CASES, seconds(0, 30), st.randoms(use_true_random=False))
def test_facts_in_any_order_and_twice_give_the_same_answer(case, now, random):
    shuffled = {name: list(facts) if name in NAMED else facts for name, facts in case.items()}
    for name in NAMED:
        shuffled[name] += [fact for fact in shuffled[name] if random.random() < 0.5]
        random.shuffle(shuffled[name])
    one, other = (judge_room(facts_of(room), now=instant(now)) for room in (case, shuffled))
    assert one == other


@settings(max_examples=300, deadline=None)
@given(CASES, seconds(0, 30))
def test_released_is_always_fit_to_send(case, now):
    answer = judge_room(facts_of(case), now=instant(now))
    assert answer.fit_to_send or not answer.released


@settings(max_examples=300, deadline=None)
@given(CASES, seconds(0, 30))
def test_a_case_in_json_is_answered_as_the_contract_reads(case, now):
    for placement in case["placements"]:
        placement["rest"]["forecast_at"] = forecast_at(placement, now)
    holds, released, fit, earliest = ruled(case, now)
    answer = work_holds(case_of(json.dumps(written_out(case, now)).encode()))
    assert answer["released"] == released
    assert answer["fit_to_send"] == fit
    assert answer["earliest_start"] == in_json(earliest)
    assert answer["holds"] == [
        {"hold": kind, "state": state, "forecast_at": in_json(forecast), "evidence": evidence}
        for kind, (state, forecast, evidence) in holds.items()
    ]


def in_json(second):
    return None if second is None else f"{instant(second):%Y-%m-%dT%H:%M:%SZ}"


def written_out(case, now):
    """Return the case as an outsider writes it."""

    def dated(facts, *names):
        return [{**fact, **{name: in_json(fact[name]) for name in names}} for fact in facts]

    def only(facts, *names):
        return [{name: fact[name] for name in names} for fact in facts]

    placements = dated(case["placements"], "in_at", "out_at")
    for placement in placements:
        placement["rest"] = dated([placement["rest"]], "proven_at", "forecast_at")[0]
    inspections = only(case["inspections"], "id", "placement", "at", "inspected", "rejected", "mark_seen")
    return {
        "kind": "holds",
        "now": in_json(now),
        "zone": "Europe/Paris",
        "planned_start": in_json(case["planned_start"]),
        "milestones": dated(case["milestones"], "done_at", "expected_at"),
        "prep": {
            "checks": case["checks"],
            "records": dated(case["records"], "at"),
            "wettings": dated(case["wettings"], "at"),
        },
        "requirement": case["requirement"],
        "placements": placements,
        "inspections": dated(inspections, "at"),
        "mixes": dated(case["mixes"], "at"),
        "deliveries": dated(case["deliveries"], "expected_at"),
        "rest_s": case["rest_s"],
        "conditions": {
            "band": {"t_min": 18, "t_max": 26, "rh_min": 30, "rh_max": 60} if case["has_band"] else None,
            "fresh_s": case["fresh_s"],
            "readings": [{**reading, "rh_pct": 45} for reading in dated(case["readings"], "at")],
        },
        "consumables": {
            "needs": [{"item": need["item"], "qty": need["tenths"] / 10} for need in case["needs"]],
            "lots": [
                {
                    "id": lot["id"],
                    "item": lot["item"],
                    "qty": lot["tenths"] / 10,
                    "on_site_at": in_json(lot["on_site_at"]),
                    "good_through": lot["day"] and f"2026-05-0{lot['day']}",
                }
                for lot in case["lots"]
            ],
        },
        "expected": {kind: in_json(second) for kind, second in case["expected"].items()},
        "waivers": dated(case["waivers"], "at", "until"),
    }
