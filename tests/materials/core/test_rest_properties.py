"""What holds of the rest clock whatever the facts: it equals a plain second clock and never lies."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from hypothesis import given, settings
from hypothesis import strategies as st

from jobs.core.case_fields import case_of
from jobs.core.conditions import Band
from materials.core.cases import work_rest
from materials.core.rest import (
    Columns,
    Memory,
    Presence,
    Proof,
    Reading,
    RestartOn,
    RestRule,
    Statement,
    air_of,
    rest_in,
    rest_of,
)
from tests.materials.core.rest_oracle import Oracle, text_of

START = datetime(2026, 5, 4, 8, tzinfo=UTC)
SECOND = timedelta(seconds=1)
BAND = Band(18, 26, 30, 60)
# In band at its very limits, too cold, too damp, and both.
AIRS = [(18.0, 30.0), (20.0, 45.0), (26.0, 60.0), (17.9, 45.0), (20.0, 60.1), (26.1, 29.9)]

instants = st.integers(-5, 45).map(lambda second: START + second * SECOND)
durations = st.integers(1, 25).map(lambda count: count * SECOND)
airs = st.sampled_from(AIRS)
zones = st.sampled_from("AAAB")


@st.composite
def stays(draw):
    """Some presences one after another, touching or not, the last perhaps without end."""
    at, found = draw(instants), []
    for _ in range(draw(st.integers(0, 3))):
        out_at = at + draw(durations)
        found.append(Presence(draw(zones), at, out_at))
        at = out_at + draw(st.sampled_from([0, 0, 1, 6])) * SECOND
    if found and draw(st.booleans()):
        found[-1] = replace(found[-1], out_at=None)
    return found


@st.composite
def readings(draw):
    """Some readings, most in band, some of them corrections of others or of what is not here."""
    found = [
        Reading(f"r{i}", draw(zones), draw(instants), *draw(airs)) for i in range(draw(st.integers(0, 10)))
    ]
    for i in draw(st.sets(st.integers(0, 9), max_size=2)):
        # Each later one corrects the one before it, so no circle and no two of one.
        if 0 < i < len(found):
            found[i] = replace(found[i], corrects=f"r{i - 1}")
    return found


@st.composite
def memories(draw):
    found = []
    for i in range(draw(st.integers(0, 2))):
        (t_1, rh_1), (t_2, rh_2), from_at = draw(airs), draw(airs), draw(instants)
        extremes = (min(t_1, t_2), max(t_1, t_2), min(rh_1, rh_2), max(rh_1, rh_2))
        found.append(Memory(f"r{i}", draw(zones), from_at, from_at + draw(durations), *extremes))
    return found


@st.composite
def statements(draw):
    spans = draw(st.lists(st.tuples(zones, instants, durations), max_size=2))
    return [Statement(f"s{i}", zone, at, at + length, "by") for i, (zone, at, length) in enumerate(spans)]


rules = st.builds(
    RestRule,
    required=durations,
    max_gap=durations,
    fine_gap=durations,
    restart_after=st.integers(0, 10).map(lambda count: count * SECOND),
    band=st.just(BAND),
    restart_on=st.sampled_from(RestartOn),
    proof=st.sampled_from(Proof),
    needs_opening=st.booleans(),
)


@st.composite
def facts(draw):
    """All that `rest_of` asks but the present."""
    presence = draw(stays())
    set_at = draw(st.none() | instants) if presence and draw(st.booleans()) else None
    return {
        "presence": presence,
        "opened_at": draw(st.none() | instants),
        "sheets_set_at": None if set_at is None else max(set_at, presence[0].in_at),
        "readings": draw(readings()),
        "memories": draw(memories()),
        "statements": draw(statements()),
        "rule": draw(rules),
    }


def as_case(given_facts, now):
    def text(at):
        return None if at is None else text_of(int(at.timestamp()))

    rule = given_facts["rule"]
    return {
        "kind": "rest",
        "now": text(now),
        "rule": {
            "required_s": rule.required // SECOND,
            "max_gap_s": rule.max_gap // SECOND,
            "fine_gap_s": rule.fine_gap // SECOND,
            "restart_after_s": rule.restart_after // SECOND,
            "restart_on": rule.restart_on.value,
            "proof": rule.proof.value,
            "needs_opening": rule.needs_opening,
            "band": {"t_min": 18, "t_max": 26, "rh_min": 30, "rh_max": 60},
        },
        "presence": [
            {"zone": one.zone, "in_at": text(one.in_at), "out_at": text(one.out_at)}
            for one in given_facts["presence"]
        ],
        "opened_at": text(given_facts["opened_at"]),
        "sheets_set_at": text(given_facts["sheets_set_at"]),
        "readings": [
            {
                "id": one.id,
                "zone": one.zone,
                "at": text(one.at),
                "t_c": one.t_c,
                "rh_pct": one.rh_pct,
                "corrects": one.corrects,
            }
            for one in given_facts["readings"]
        ],
        "memories": [
            {
                "id": one.id,
                "zone": one.zone,
                "from": text(one.from_at),
                "to": text(one.to_at),
                "t_min": one.t_min,
                "t_max": one.t_max,
                "rh_min": one.rh_min,
                "rh_max": one.rh_max,
            }
            for one in given_facts["memories"]
        ],
        "statements": [
            {"id": one.id, "zone": one.zone, "from": text(one.from_at), "to": text(one.to_at), "by": one.by}
            for one in given_facts["statements"]
        ],
    }


@settings(max_examples=250, deadline=None)
@given(facts(), instants)
def test_it_equals_the_contract_asked_of_every_second(given_facts, now):
    case = as_case(given_facts, now)
    expected = Oracle(case).answer()

    answer = work_rest(case_of(json.dumps(case).encode()))

    assert {name: answer[name] for name in expected} == expected


@settings(max_examples=80, deadline=None)
@given(facts(), instants, st.randoms(use_true_random=False))
def test_facts_in_any_order_and_told_twice_give_the_same(given_facts, now, shuffler):
    shaken = dict(given_facts)
    for name in ("presence", "readings", "memories", "statements"):
        told = list(given_facts[name])
        if name != "presence" and told:
            told.append(shuffler.choice(told))
        shuffler.shuffle(told)
        shaken[name] = told

    assert rest_of(**shaken, now=now) == rest_of(**given_facts, now=now)


@settings(max_examples=150, deadline=None)
@given(facts(), instants, st.integers(1, 60))
def test_until_good_until_only_what_slides_has_moved(given_facts, now, later):
    stored = rest_of(**given_facts, now=now)
    then = now + later * SECOND
    if stored.good_until is not None:
        assert stored.good_until > now
        # The last second of it is where a lie would show.
        then = min(then, stored.good_until - SECOND)

    slid, fresh = stored.at(now=then), rest_of(**given_facts, now=then)

    # How long the fresh answer holds, and what it goes on with at the turn, the stored one cannot know.
    same = {"good_until": None, "goes_on": None}
    assert replace(slid, **same) == replace(fresh, **same)


@settings(max_examples=80, deadline=None)
@given(facts(), instants)
def test_good_until_is_the_first_change_where_no_given_fact_lies_ahead(given_facts, now):
    past = given_facts | {
        "readings": [one for one in given_facts["readings"] if one.at <= now and one.corrects is None],
        "memories": [one for one in given_facts["memories"] if one.to_at <= now],
        "presence": [one for one in given_facts["presence"] if one.in_at <= now],
        "opened_at": None,
        "sheets_set_at": None,
    }
    stored = rest_of(**past, now=now)
    if stored.good_until is None:
        return  # that nothing changes is the property above

    fresh = rest_of(**past, now=stored.good_until)

    unbounded = replace(stored, good_until=None).at(now=stored.good_until)
    same = {"good_until": None, "goes_on": None}
    assert replace(unbounded, **same) != replace(fresh, **same)


@settings(max_examples=80, deadline=None)
@given(facts(), instants, st.integers(0, 40))
def test_air_worked_out_earlier_gives_the_same_until_its_next_fact(given_facts, now, later):
    past = given_facts | {
        "readings": [one for one in given_facts["readings"] if one.at <= now and one.corrects is None],
        "memories": [one for one in given_facts["memories"] if one.to_at <= now],
    }
    air = {
        zone: air_of(
            past["rule"],
            Columns.of_readings(one for one in past["readings"] if one.zone == zone),
            [one for one in past["memories"] if one.zone == zone],
            [one for one in past["statements"] if one.zone == zone],
            now=now,
        )
        for zone in "AB"
    }
    placement = {name: past[name] for name in ("presence", "opened_at", "sheets_set_at", "rule")}
    then = now + later * SECOND

    shared, alone = rest_in(air, **placement, now=then), rest_of(**past, now=then)

    # A memory contradicted in a zone where the placement never stood is listed by `rest_of` only.
    assert replace(shared, ignored=alone.ignored) == alone
