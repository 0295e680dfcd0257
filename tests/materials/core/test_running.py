"""A run that goes on with each reading equals what all readings come to at once, however they came."""

from __future__ import annotations

import json
from bisect import bisect_left
from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from jobs.core.conditions import Band
from materials.core.air import air_of, seconds
from materials.core.evidence import standing_readings
from materials.core.instants import Instants
from materials.core.rest import Columns, Reading, RestRule, rest_in
from materials.core.running import AirRun, key_of
from materials.core.spans import FOREVER, NEVER
from tests.materials.core.rest_oracle import Oracle, text_of
from tests.materials.core.test_rest_properties import (
    BAND,
    SECOND,
    START,
    airs,
    as_case,
    facts,
    instants,
    memories,
    rules,
    statements,
)

HOUR = timedelta(hours=1)
RULE = RestRule(required=24 * HOUR, max_gap=2 * HOUR, restart_after=2 * HOUR, band=BAND)


class Store:
    """Readings as they stand, and a run beside them that is told only what changed."""

    def __init__(self, rule):
        self.rule, self.told, self.run = rule, [], AirRun()
        self.read_again = 0

    def standing(self):
        return standing_readings(self.told)[0]

    def tell(self, readings):
        """Take further readings, corrections among them, in one go."""
        before = {one.id: one for one in self.standing()}
        self.told += readings
        after = {one.id: one for one in self.standing()}
        changed = [one for name, one in before.items() if name not in after]
        changed += [one for name, one in after.items() if name not in before]
        if changed:
            self.run.cut_before(min(seconds(one.at) for one in changed))
            new = [one for one in after.values() if seconds(one.at) > self.run.upto]
            self.read_again += len(new)
            self.run.extend(Columns.of_readings(new), self.rule)
        # As it is stored and read.
        self.run = AirRun.from_json(json.loads(json.dumps(self.run.to_json())), since=NEVER)


@st.composite
def told(draw):
    """Readings of one zone in the order they came, in batches: late, twice, corrected, corrections of corrections."""
    found = [Reading(f"r{i}", "A", draw(instants), *draw(airs)) for i in range(draw(st.integers(0, 14)))]
    for i in draw(st.sets(st.integers(1, 13), max_size=4)):
        if i < len(found):
            found[i] = replace(found[i], corrects=f"r{i - 1}")
    came = draw(st.permutations(found))
    came += draw(st.lists(st.sampled_from(found), max_size=3)) if found else []
    cuts = sorted(draw(st.lists(st.integers(0, len(came)), max_size=6)))
    return [came[first:end] for first, end in zip([0, *cuts], [*cuts, len(came)], strict=True)]


def same(run_air, air):
    """What may differ is only how it is kept."""
    assert (run_air.steps.starts, run_air.steps.kinds) == (air.steps.starts, air.steps.kinds)
    assert list(run_air.times) == list(air.times)
    assert list(run_air.bad.at) == list(air.bad.at)
    left = replace(run_air, steps=air.steps, times=(), bad=air.bad, ignored=air.ignored)
    assert left == replace(air, times=())
    assert run_air.ignored.contradicted == air.ignored.contradicted


@settings(max_examples=400, deadline=None)
@given(told(), memories(), statements(), rules, instants)
def test_however_readings_come_the_run_is_what_all_of_them_come_to(batches, remembered, said, rule, now):
    remembered = [one for one in remembered if one.zone == "A"]
    said = [one for one in said if one.zone == "A"]
    store = Store(rule)
    for batch in batches:
        store.tell(batch)
        whole = air_of(rule, Columns.of_readings(store.standing()), remembered, said, now=now)
        same(store.run.air(rule, remembered, said, now=now), whole)
        for second in range(-6, 46):
            at = START + second * SECOND
            some = store.run.air(rule, remembered, said, now=now).noted(at, at + 5 * SECOND)
            assert some == whole.noted(at, at + 5 * SECOND)


@settings(max_examples=300, deadline=None)
@given(facts(), instants, st.data())
def test_rest_from_a_run_that_goes_on_equals_the_contract_asked_of_every_second(given_facts, now, data):
    """The second clock of the tests, which shares no line with ours, is asked after every part of the facts."""
    rule, readings = given_facts["rule"], data.draw(st.permutations(given_facts["readings"]))
    stores = {zone: Store(rule) for zone in "AB"}
    first = min([one.in_at for one in given_facts["presence"]], default=None)
    parts = sorted(data.draw(st.lists(st.integers(0, len(readings)), max_size=3)))
    for begin, end in zip([0, *parts], [*parts, len(readings)], strict=True):
        for zone, store in stores.items():
            # A correction may be of another zone: each zone is told what of it stands there.
            store.told = []
            standing = standing_readings(readings[:end])[0]
            before = standing_readings(readings[:begin])[0]
            changed = [one for one in [*before, *standing] if (one in before) != (one in standing)]
            mine = [one for one in changed if one.zone == zone]
            if mine:
                store.run.cut_before(min(seconds(one.at) for one in mine))
                left = [one for one in standing if one.zone == zone and seconds(one.at) > store.run.upto]
                store.run.extend(Columns.of_readings(left), rule)
        air = {
            zone: store.run.air(
                rule,
                [one for one in given_facts["memories"] if one.zone == zone],
                [one for one in given_facts["statements"] if one.zone == zone],
                from_at=first,
                now=now,
            )
            for zone, store in stores.items()
        }
        placement = {name: given_facts[name] for name in ("presence", "opened_at", "sheets_set_at", "rule")}
        rest = rest_in(air, **placement, now=now)
        expected = Oracle(as_case(given_facts | {"readings": readings[:end]}, now)).answer()
        assert rest.proven // SECOND == expected["proven_s"]
        assert rest.bridged // SECOND == expected["bridged_s"]
        assert rest.stated // SECOND == expected["stated_s"]
        assert rest.provisional // SECOND == expected["provisional_s"]
        assert rest.state == expected["state"]
        assert text(rest.proven_at) == expected["proven_at"]
        assert text(rest.forecast and rest.forecast.instant(now=now)) == expected["forecast_at"]
        kinds = {"bridged": "counted"}
        merged = []
        for stretch in rest.strip:
            kind = kinds.get(stretch.kind.value, stretch.kind.value)
            if merged and merged[-1]["kind"] == kind and not stretch.restart:
                merged[-1]["to"] = text(stretch.to_at)
            else:
                row = {"from": text(stretch.from_at), "to": text(stretch.to_at), "kind": kind}
                merged.append(row | {"restart": stretch.restart})
        assert merged == expected["strip"]


def text(at):
    return None if at is None else text_of(seconds(at))


@settings(max_examples=200, deadline=None)
@given(told(), instants, rules)
def test_a_run_that_is_cut_back_is_what_it_was(batches, cut, rule):
    store = Store(rule)
    store.tell([one for batch in batches for one in batch])
    earlier = [one for one in store.standing() if one.at < cut]
    run = AirRun()
    run.extend(Columns.of_readings(earlier), rule)

    store.run.cut_before(seconds(cut))

    assert store.run == run


def test_a_later_reading_reads_nothing_of_the_past():
    store = Store(RULE)
    store.tell([Reading(f"r{n}", "A", START + n * HOUR, 20.0, 45.0) for n in range(100)])
    store.read_again = 0

    store.tell([Reading("r100", "A", START + 100 * HOUR, 20.0, 45.0)])
    assert store.read_again == 1
    store.tell([Reading("late", "A", START + 98.5 * HOUR, 20.0, 45.0)])
    assert store.read_again == 1 + 3


def test_what_is_not_later_is_refused_until_the_run_is_cut_back():
    run = AirRun()
    run.extend(Columns([100, 200], [20.0, 20.0], [45.0, 45.0]), RULE)

    for at in (150, 200):
        with pytest.raises(ValueError, match="goes on only from its end"):
            run.extend(Columns([at], [20.0], [45.0]), RULE)
    run.cut_before(200)
    run.extend(Columns([200, 200], [20.0, 3.0], [45.0, 45.0]), RULE)
    assert (run.upto, run.air(RULE, now=START).last_good) == (200, False)


def test_a_year_of_five_minutes_is_kept_in_a_few_numbers():
    at = range(1_700_000_000, 1_700_000_000 + 365 * 86_400, 300)
    run = AirRun()
    run.extend(Columns(at, [20.0] * len(at), [45.0] * len(at)), RULE)

    assert len(json.dumps(run.to_json())) < 200


def test_rules_of_one_band_and_the_same_gaps_share_a_run():
    other = replace(RULE, required=48 * HOUR, restart_after=HOUR, needs_opening=True)

    assert key_of(other) == key_of(RULE)
    assert key_of(replace(RULE, max_gap=HOUR)) != key_of(RULE)
    assert key_of(replace(RULE, fine_gap=2 * HOUR)) != key_of(RULE)
    assert key_of(replace(RULE, band=Band(18, 26, 30, 61))) != key_of(RULE)


class TestInstants:
    @given(st.sets(st.integers(0, 60)), st.data())
    def test_they_are_the_list_they_were_made_from(self, at, data):
        at = sorted(at)
        parts = sorted(data.draw(st.lists(st.integers(0, len(at)), max_size=4)))
        kept = Instants()
        for first, end in zip([0, *parts], [*parts, len(at)], strict=True):
            kept.extend(at[first:end])

        assert list(kept) == at
        assert Instants.from_json(json.loads(json.dumps(kept.to_json()))) == kept
        for one in range(-1, 62):
            assert kept.upto(one) == sum(each <= one for each in at)
            assert bisect_left(kept, one) == bisect_left(at, one)

    @given(st.sets(st.integers(0, 60), min_size=1), st.sets(st.integers(61, 90)), st.data())
    def test_a_part_and_what_is_left_of_a_cut_go_on(self, at, later, data):
        at, later = sorted(at), sorted(later)
        first, end = sorted(data.draw(st.tuples(st.integers(0, len(at)), st.integers(0, len(at)))))
        whole, part = Instants(at), Instants(at)[first:end]
        whole.cut(end)

        for kept, start in ((part, first), (whole, 0)):
            kept.extend(later)
            assert list(kept) == at[start:end] + later
            assert kept.upto(75) == sum(one <= 75 for one in list(kept))

    def test_one_that_comes_twice_is_one_and_none_goes_back(self):
        kept = Instants([5, 5, 10, 10])

        assert list(kept) == [5, 10]
        with pytest.raises(ValueError, match="do not rise"):
            kept.extend([9])
        assert kept.upto(FOREVER) == 2
