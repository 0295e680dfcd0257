"""The rest clock, edge by edge.  Every number is worked by hand from the contract in fixtures/cases.

Times are minutes after NOON.  An hour's rest is asked, readings an hour apart prove, half an hour out pauses.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from jobs.core.conditions import Band
from jobs.core.forecast import Forecast
from materials.core.air import Cause, Noted
from materials.core.rest import (
    Columns,
    Kind,
    Memory,
    Presence,
    Proof,
    Reading,
    RestartOn,
    RestRule,
    RestState,
    Statement,
    WrongFact,
    air_of,
    rest_in,
    rest_of,
)

NOON = datetime(2026, 5, 4, 12, tzinfo=UTC)
SECOND = timedelta(seconds=1)
BAND = Band(t_min=18, t_max=26, rh_min=30, rh_max=60)
GOOD, COLD, DAMP = (20.0, 45.0), (17.9, 45.0), (20.0, 60.1)
STAYS = (Presence("A", NOON),)


def at(minutes, seconds=0):
    return NOON + timedelta(minutes=minutes, seconds=seconds)


def minutes(count, seconds=0):
    return timedelta(minutes=count, seconds=seconds)


def rule(**changes):
    common = {
        "required": minutes(60),
        "max_gap": minutes(60),
        "fine_gap": minutes(60),
        "restart_after": minutes(30),
        "band": BAND,
    }
    return RestRule(**common | changes)


def read(instant, air=GOOD, *, zone="A", name=None, corrects=None):
    return Reading(name or f"{zone} {instant} {air}", zone, instant, *air, corrects)


def remembered(start, end, air=GOOD, *, zone="A"):
    """A meter's memory that went from 20 °C and 45 % as far as `air`."""
    (t_c, rh_pct), (t_0, rh_0) = air, GOOD
    extremes = (min(t_c, t_0), max(t_c, t_0), min(rh_pct, rh_0), max(rh_pct, rh_0))
    return Memory(f"{zone} {start} {end} {air}", zone, start, end, *extremes)


def said(start, end, *, zone="A"):
    return Statement(f"{zone} {start} {end}", zone, start, end, "site foreman")


def rest(*readings, now, presence=STAYS, opened_at=None, set_at=None, memories=(), statements=(), **changes):
    return rest_of(
        presence=presence,
        opened_at=opened_at,
        sheets_set_at=set_at,
        readings=readings,
        memories=memories,
        statements=statements,
        rule=rule(**changes),
        now=now,
    )


def kinds(of_rest):
    return [(stretch.kind.value, stretch.length // minutes(1)) for stretch in of_rest.strip]


STATEMENTS = {"proof": Proof.READINGS_OR_STATEMENTS}


class TestProof:
    @pytest.mark.parametrize(
        ("gap", "proven"),
        [(minutes(60), minutes(60)), (minutes(60, 1), minutes(0))],
        ids=["the-limit-itself", "one-second-past-it"],
    )
    def test_time_between_two_readings_counts_up_to_the_longest_gap(self, gap, proven):
        found = rest(read(NOON), read(NOON + gap), now=NOON + gap)

        assert found.proven == proven

    def test_a_reading_alone_proves_nothing_until_the_next_one(self):
        found = rest(read(NOON), now=at(20))

        assert (found.state, found.proven, found.provisional) == (RestState.RESTING, minutes(0), minutes(20))

    def test_from_the_instant_of_a_reading_on_time_is_provisional(self):
        assert rest(read(NOON), read(at(20)), now=at(20)).goes_on is Kind.PROVISIONAL
        assert rest(read(NOON), read(at(20), COLD), now=at(20)).goes_on is Kind.OUT_OF_BAND

    def test_what_was_read_before_the_panels_came_speaks_of_the_room(self):
        found = rest(read(at(-10)), read(at(30)), now=at(30))

        assert found.proven == minutes(30)

    def test_an_out_of_band_reading_proves_nothing_backwards_either(self):
        found = rest(read(NOON), read(at(20), COLD), now=at(20))

        assert kinds(found) == [("gap", 20)]

    @pytest.mark.parametrize(
        "pair",
        [(GOOD, COLD), (COLD, GOOD), (GOOD, DAMP)],
        ids=["then-cold", "cold-then", "damp"],
    )
    def test_readings_of_one_instant_are_in_band_only_together(self, pair):
        first, second = pair

        found = rest(read(NOON), read(at(20), first), read(at(20), second), read(at(40)), now=at(40))

        assert kinds(found) == [("gap", 20), ("out_of_band", 20)]

    def test_the_rest_is_proven_at_the_second_it_is_complete_between_two_readings(self):
        found = rest(read(at(-10)), read(at(40)), read(at(80)), now=at(80))

        assert (found.state, found.proven, found.proven_at) == (RestState.PROVEN, minutes(80), at(60))

    def test_hours_between_readings_far_apart_are_counted_as_bridged(self):
        found = rest(read(NOON), read(at(10)), read(at(20, 1)), now=at(20, 1), fine_gap=minutes(10))

        assert (found.proven, found.bridged) == (minutes(20, 1), minutes(10, 1))
        assert [stretch.kind for stretch in found.strip] == [Kind.COUNTED, Kind.BRIDGED]

    def test_nothing_is_bridged_where_fine_is_wider_than_the_longest_gap(self):
        found = rest(read(NOON), read(at(60)), read(at(125)), now=at(125), fine_gap=minutes(90))

        assert (found.bridged, kinds(found)) == (minutes(0), [("counted", 60), ("gap", 65)])

    def test_a_memory_of_the_hours_between_makes_them_no_longer_bridged(self):
        found = rest(
            read(NOON),
            read(at(50)),
            memories=[remembered(at(10), at(30))],
            now=at(50),
            fine_gap=minutes(5),
        )

        assert (found.proven, found.bridged) == (minutes(50), minutes(30))

    def test_nothing_counts_while_wrapped_and_everything_from_the_opening_on(self):
        readings = read(NOON), read(at(50))

        found = rest(*readings, opened_at=at(20), now=at(50), needs_opening=True)

        assert kinds(found) == [("wrapped", 20), ("counted", 30)]
        assert (
            rest(*readings, opened_at=at(51), now=at(50), needs_opening=True).state is RestState.NOT_STARTED
        )
        assert rest(*readings, opened_at=at(20), now=at(50)).proven == minutes(50)

    def test_another_zones_air_proves_nothing(self):
        found = rest(read(NOON, zone="B"), read(at(20), zone="B"), now=at(20))

        assert (found.proven, found.last_reading_at) == (minutes(0), None)


class TestBackToZero:
    @pytest.mark.parametrize(
        ("good_again_at", "restarted"),
        [(at(40), None), (at(40, 1), at(40))],
        ids=["exactly-the-limit", "one-second-longer"],
    )
    def test_an_excursion_restarts_when_it_lasts_longer_than_allowed(self, good_again_at, restarted):
        found = rest(read(NOON), read(at(10), COLD), read(good_again_at), now=at(90))

        assert found.zero_at == restarted

    def test_the_restart_is_a_fact_only_after_its_second_has_passed(self):
        readings = read(NOON), read(at(5)), read(at(10), COLD)

        assert rest(*readings, now=at(40)).proven == minutes(5)
        assert rest(*readings, now=at(40, 1)).proven == minutes(0)

    def test_an_excursion_that_may_not_last_at_all_restarts_where_it_begins(self):
        found = rest(read(NOON), read(at(5)), read(at(10), COLD), now=at(10, 1), restart_after=minutes(0))

        assert found.zero_at == at(10)

    def test_an_excursion_is_measured_from_its_own_beginning_not_from_the_arrival(self):
        found = rest(read(at(-20), COLD), read(at(20)), now=at(20))

        assert found.zero_at == at(10)

    @pytest.mark.parametrize("began", [at(-30), at(-40)], ids=["at-the-arrival", "before-it"])
    def test_an_excursion_that_ran_out_before_the_arrival_restarts_nothing(self, began):
        found = rest(read(began, COLD), read(at(20)), now=at(20))

        assert found.zero_at is None

    def test_an_excursion_that_runs_out_at_the_opening_restarts_nothing(self):
        readings = read(NOON, COLD), read(at(50))

        assert rest(*readings, opened_at=at(30), now=at(50), needs_opening=True).zero_at is None
        assert rest(*readings, opened_at=at(29), now=at(50), needs_opening=True).zero_at == at(30)

    def test_an_excursion_that_runs_out_as_the_panels_leave_is_no_second_restart(self):
        stays = Presence("A", NOON, at(30)), Presence("B", at(40))

        found = rest(read(NOON, COLD), presence=stays, now=at(50))

        assert [stretch.restart for stretch in found.strip] == [False, True, False]

    def test_only_temperature_restarts_where_the_rule_says_so(self):
        readings = read(NOON), read(at(5)), read(at(10), DAMP), read(at(50)), read(at(55))

        found = rest(*readings, now=at(55), restart_on=RestartOn.TEMPERATURE)

        assert (found.zero_at, found.proven) == (None, minutes(10))
        assert rest(*readings, now=at(55)).zero_at == at(40)

    @pytest.mark.parametrize("t_c", [18.0, 26.0])
    def test_damp_air_at_a_limit_of_temperature_is_not_out_of_it(self, t_c):
        readings = read(NOON), read(at(5)), read(at(10), (t_c, 61.0))

        assert rest(*readings, now=at(50), restart_on=RestartOn.TEMPERATURE).zero_at is None

    def test_an_excursion_of_temperature_begins_with_the_cold_and_ends_with_the_warmth_though_damp(self):
        damp_cold_damp = read(NOON, DAMP), read(at(10), COLD), read(at(35), DAMP)

        found = rest(*damp_cold_damp, now=at(90), restart_on=RestartOn.TEMPERATURE)

        # 25 minutes of cold in 90 minutes out of band.
        assert (found.zero_at, kinds(found)) == (None, [("out_of_band", 90)])

    def test_a_memory_that_left_the_band_is_an_excursion_of_its_whole_span(self):
        found = rest(
            read(NOON), read(at(20)), read(at(40)), memories=[remembered(at(5), at(36), COLD)], now=at(40)
        )

        assert found.zero_at == at(35)
        assert kinds(found) == [("counted", 5), ("out_of_band", 30), ("out_of_band", 1), ("counted", 4)]

    @pytest.mark.parametrize(("air", "zero_at"), [(COLD, at(35)), ((26.1, 45.0), at(35)), (DAMP, None)])
    def test_of_a_memory_too_only_its_temperature_restarts_where_the_rule_says_so(self, air, zero_at):
        found = rest(memories=[remembered(at(5), at(36), air)], now=at(40), restart_on=RestartOn.TEMPERATURE)

        assert found.zero_at == zero_at

    def test_leaving_the_zone_sets_to_zero_even_at_this_instant(self):
        stays = (Presence("A", NOON, at(50)),)

        found = rest(read(NOON), read(at(50)), presence=stays, now=at(50))

        assert (found.state, found.proven, found.zero_at) == (RestState.NOT_STARTED, minutes(0), at(50))
        assert found.strip[-1].lost_at == at(50)

    def test_a_move_between_rooms_of_one_zone_changes_nothing(self):
        stays = Presence("A", NOON, at(30)), Presence("A", at(30))

        found = rest(read(NOON), read(at(60)), presence=stays, now=at(60))

        assert (found.state, kinds(found)) == (RestState.PROVEN, [("counted", 60)])

    def test_a_move_to_another_zone_starts_again_without_a_second_lost(self):
        stays = Presence("A", NOON, at(30)), Presence("B", at(30))
        readings = [read(instant, zone=zone) for instant in (NOON, at(60)) for zone in "AB"]

        found = rest(*readings, presence=stays, now=at(60))

        assert kinds(found) == [("counted", 30), ("counted", 30)]
        assert [stretch.restart for stretch in found.strip] == [False, True]
        assert found.proven == minutes(30)

    def test_sheets_that_were_set_keep_their_rest_when_the_stay_ends(self):
        readings = read(NOON), read(at(60))
        stays = (Presence("A", NOON, at(60)),)

        found = rest(*readings, presence=stays, set_at=at(60), now=at(90))

        assert (found.state, found.proven_at) == (RestState.PROVEN, at(60))
        assert rest(*readings, presence=stays, set_at=at(60, 1), now=at(90)).proven == minutes(0)
        assert rest(*readings, presence=stays, set_at=at(91), now=at(90)).proven == minutes(0)

    def test_a_proven_rest_is_lost_with_its_instant_when_the_count_restarts(self):
        found = rest(read(NOON), read(at(60)), read(at(70), COLD), now=at(110))

        assert (found.state, found.proven_at) == (RestState.NOT_STARTED, None)
        assert [stretch.lost_at for stretch in found.strip] == [at(100), at(100), at(100), None]


class TestMemories:
    def test_a_memory_counts_without_any_reading_but_is_none(self):
        found = rest(memories=[remembered(NOON, at(50))], now=at(50))

        assert (found.state, found.proven, found.last_reading_at) == (RestState.PAUSED, minutes(50), None)

    @pytest.mark.parametrize("bad_at", [at(10), at(30), at(50)], ids=["its-first", "inside", "its-end"])
    def test_an_out_of_band_reading_at_any_of_its_instants_contradicts_it(self, bad_at):
        memory = remembered(at(10), at(50))

        found = rest(read(bad_at, DAMP), memories=[memory], now=at(60), restart_on=RestartOn.TEMPERATURE)

        assert (found.proven, found.ignored.contradicted) == (minutes(0), (memory.id,))

    def test_an_out_of_band_reading_after_now_contradicts_nothing_yet(self):
        found = rest(read(at(50), COLD), memories=[remembered(NOON, at(49))], now=at(49))

        assert (found.proven, found.ignored.contradicted) == (minutes(49), ())

    def test_a_memory_ends_no_excursion(self):
        found = rest(read(NOON, COLD), memories=[remembered(at(1), at(20))], now=at(20))

        assert kinds(found) == [("out_of_band", 20)]

    def test_a_memory_that_ends_after_now_is_no_fact_yet(self):
        memory = remembered(NOON, at(50))

        found = rest(memories=[memory], now=at(49))

        assert (found.proven, found.ignored.after_now, found.good_until) == (minutes(0), (memory.id,), at(50))


class TestStatements:
    def test_a_statement_counts_where_the_rule_accepts_it(self):
        statements = [said(NOON, at(40))]

        found = rest(statements=statements, now=at(50), **STATEMENTS)

        assert (found.proven, found.stated, found.bridged) == (minutes(40), minutes(40), minutes(0))
        assert rest(statements=statements, now=at(50)).proven == minutes(0)

    @pytest.mark.parametrize(
        ("bad_at", "stated"),
        [(at(40), 10), (at(40, 1), 40), (at(20), 10), (NOON, 0)],
        ids=["at-its-end", "a-second-later", "inside", "at-its-start"],
    )
    def test_an_out_of_band_reading_cuts_it_back_to_the_last_good_one(self, bad_at, stated):
        readings = read(at(10)), read(bad_at, DAMP)
        if bad_at == NOON:
            readings = (read(NOON, DAMP),)

        found = rest(*readings, statements=[said(NOON, at(40))], now=at(41), **STATEMENTS)

        assert found.stated == minutes(stated)

    def test_of_overlapping_statements_one_that_lets_it_is_enough(self):
        statements = [said(NOON, at(40)), said(at(5), at(20))]

        found = rest(read(at(30), DAMP), statements=statements, now=at(40), **STATEMENTS)

        # The long one is cut back to its start; the short one ends before the damp.
        assert kinds(found) == [("gap", 5), ("stated", 15), ("gap", 10), ("out_of_band", 10)]

    def test_a_reading_proves_more_than_a_statement_and_a_statement_more_than_waiting(self):
        found = rest(read(at(10)), read(at(20)), statements=[said(NOON, at(30))], now=at(40), **STATEMENTS)

        assert kinds(found) == [("stated", 10), ("counted", 10), ("stated", 10), ("provisional", 10)]

    @pytest.mark.parametrize(
        ("now", "state"),
        [
            (at(9, 59), RestState.NOT_STARTED),
            (at(10), RestState.RESTING),
            (at(40), RestState.RESTING),
            (at(40, 1), RestState.PAUSED),
        ],
    )
    def test_the_clock_runs_at_both_ends_of_a_statement(self, now, state):
        assert rest(statements=[said(at(10), at(40))], now=now, **STATEMENTS).state is state

    def test_a_statement_does_not_run_against_the_last_reading(self):
        found = rest(read(NOON, DAMP), statements=[said(at(10), at(40))], now=at(20), **STATEMENTS)

        assert (found.state, kinds(found)) == (RestState.NOT_STARTED, [("out_of_band", 20)])


class TestCorrections:
    def test_the_last_of_a_chain_of_corrections_stands(self):
        readings = (
            read(NOON),
            read(at(30), COLD, name="a"),
            read(at(30), DAMP, name="b", corrects="a"),
            read(at(40), name="c", corrects="b"),
        )

        found = rest(*readings, now=at(40))

        assert (found.proven, found.ignored.superseded) == (minutes(40), ("a", "b"))

    def test_a_correction_to_later_than_now_takes_the_old_reading_away_all_the_same(self):
        readings = read(NOON), read(at(30), name="a"), read(at(50), name="b", corrects="a")

        found = rest(*readings, now=at(40))

        assert (found.proven, found.provisional) == (minutes(0), minutes(40))
        assert (found.ignored.superseded, found.ignored.after_now) == (("a",), ("b",))

    def test_a_correction_may_move_a_reading_to_another_zone(self):
        readings = read(NOON), read(at(30), name="a"), read(at(30), zone="B", name="b", corrects="a")

        assert rest(*readings, now=at(30)).proven == minutes(0)

    def test_a_correction_of_what_is_not_here_stands_by_itself(self):
        found = rest(read(NOON), read(at(30), corrects="elsewhere"), now=at(30))

        assert (found.proven, found.ignored.superseded) == (minutes(30), ())


class TestForecast:
    def test_while_resting_it_stands_still(self):
        early, late = (rest(read(at(5)), now=now) for now in (at(10), at(50)))

        assert early.forecast == late.forecast == Forecast.fixed(at(65))

    def test_once_provisional_time_is_enough_it_lies_in_the_past(self):
        found = rest(read(at(-30)), read(at(20)), now=at(75))

        assert (found.state, found.forecast) == (RestState.RESTING, Forecast.fixed(at(60)))

    @pytest.mark.parametrize("last", [at(20), NOON], ids=["before-the-gap", "exactly-at-it"])
    def test_a_gap_after_provisional_time_was_enough_does_not_move_it(self, last):
        statements = [said(last + minutes(80), at(130))]

        found = rest(read(NOON), read(last), statements=statements, now=at(110), **STATEMENTS)

        # The first hour since noon is proven up to the last reading and provisional after it.
        assert (found.state, found.forecast) == (RestState.RESTING, Forecast.fixed(at(60)))

    def test_while_paused_it_slides_and_leaves_stale_provisional_time_out(self):
        found = rest(read(NOON), read(at(20)), now=at(80, 1))

        assert (found.state, found.provisional) == (RestState.PAUSED, minutes(60))
        assert found.forecast == Forecast.sliding(minutes(40))

    def test_of_a_proven_rest_it_is_the_proof(self):
        assert rest(read(NOON), read(at(60)), now=at(90)).forecast == Forecast.fixed(at(60))

    @pytest.mark.parametrize(
        "facts",
        [
            {"presence": ()},
            {"presence": (Presence("A", NOON, at(5)),)},
            {"needs_opening": True},
            {"set_at": at(5)},
        ],
        ids=["never-came", "gone", "wrapped", "set"],
    )
    def test_it_is_unknown_where_nothing_can_rest(self, facts):
        assert rest(read(NOON), now=at(10), **facts).forecast is None


class TestReadAgain:
    def test_a_reading_is_due_before_the_provisional_time_is_too_old(self):
        assert rest(read(at(5)), now=at(20)).read_again_by == at(65)

    def test_a_reading_is_due_before_an_excursion_restarts_the_count(self):
        readings = read(NOON), read(at(5)), read(at(10), COLD)

        assert rest(*readings, now=at(20)).read_again_by == at(40)
        assert rest(*readings, now=at(20), restart_on=RestartOn.TEMPERATURE).read_again_by == at(40)

    def test_the_very_last_instant_is_not_too_late_for_it(self):
        found = rest(read(NOON), read(at(5)), read(at(10), COLD), now=at(40))

        assert (found.read_again_by, found.good_until) == (at(40), at(40, 1))

    def test_a_proven_rest_that_an_excursion_threatens_needs_one_too(self):
        found = rest(read(NOON), read(at(60)), read(at(70), COLD), now=at(80))

        assert (found.state, found.read_again_by) == (RestState.PROVEN, at(100))

    def test_the_reading_that_was_due_saves_it_at_its_last_instant(self):
        lost = read(NOON), read(at(5)), read(at(10), COLD)

        assert rest(*lost, read(at(40)), now=at(50)).proven == minutes(5)
        assert rest(read(at(5)), read(at(65)), now=at(65)).proven == minutes(60)

    @pytest.mark.parametrize(
        ("readings", "facts"),
        [
            ((read(NOON, COLD),), {}),
            ((read(NOON), read(at(60))), {"now": at(61)}),
            ((read(NOON), read(at(5)), read(at(10), DAMP)), {"restart_on": RestartOn.TEMPERATURE}),
            ((read(NOON),), {"statements": [said(NOON, at(90))], **STATEMENTS}),
            ((read(at(-10)),), {"statements": [said(NOON, at(90))], **STATEMENTS}),
            ((read(at(5)),), {"now": at(80), "statements": [said(at(70), at(90))], **STATEMENTS}),
            ((), {}),
        ],
        ids=[
            "nothing-to-lose",
            "proven",
            "damp-only-pauses",
            "all-is-stated",
            "all-since-it-came",
            "already-lost",
            "no-reading-yet",
        ],
    )
    def test_where_nothing_hangs_on_a_reading_none_is_due(self, readings, facts):
        assert rest(*readings, **{"now": at(20)} | facts).read_again_by is None


class TestGoodUntil:
    @pytest.mark.parametrize(
        ("readings", "facts", "until"),
        [
            ((), {}, None),
            ((read(at(5)),), {}, at(65, 1)),
            ((read(at(5)),), {"now": at(65)}, at(65, 1)),
            ((read(NOON), read(at(5)), read(at(10), COLD)), {}, at(40, 1)),
            ((read(at(-40), COLD),), {}, None),
            ((read(NOON, DAMP),), {"restart_on": RestartOn.TEMPERATURE}, None),
            ((read(at(5)), read(at(21))), {}, at(21)),
            ((read(at(5)),), {"set_at": at(10)}, None),
            ((read(at(5)),), {"set_at": at(30)}, at(30)),
            ((read(at(5)),), {"presence": (Presence("A", NOON, at(50)),)}, at(50)),
            ((), {"presence": (Presence("A", NOON, at(10)), Presence("B", at(70)))}, at(70)),
            ((read(at(5)),), {"opened_at": at(45), "needs_opening": True}, at(45)),
            ((), {"statements": [said(at(30), at(40))], **STATEMENTS}, at(30)),
            ((), {"statements": [said(at(10), at(40))], **STATEMENTS}, at(40, 1)),
            ((), {"statements": [said(NOON, at(90))], **STATEMENTS}, at(60)),
            ((), {"now": at(60), "statements": [said(NOON, at(90))], **STATEMENTS}, at(90, 1)),
            ((read(at(5)),), {"statements": [said(at(30), at(90))], **STATEMENTS}, at(30, 1)),
        ],
        ids=[
            "nothing-changes",
            "the-reading-grows-stale",
            "the-reading-is-stale-in-a-second",
            "the-excursion-restarts",
            "the-excursion-is-over-its-restart",
            "damp-only-pauses",
            "a-reading-given-for-later",
            "the-sheets-are-set",
            "the-sheets-will-be-set",
            "the-stay-will-end",
            "the-next-stay-will-begin",
            "will-be-opened",
            "a-statement-will-begin",
            "a-statement-will-end",
            "a-statement-will-prove-the-rest",
            "a-statement-has-just-proven-the-rest",
            "stated-follows-provisional",
        ],
    )
    def test_an_answer_holds_until_time_alone_changes_it(self, readings, facts, until):
        assert rest(*readings, **{"now": at(20)} | facts).good_until == until

    def test_between_two_answers_only_the_sliding_moves(self):
        stored = rest(read(at(5)), now=at(20))

        later = stored.at(now=at(65))

        assert stored.provisional_from == at(5)
        assert stored.at(now=at(20)) == stored
        assert (later.provisional, later.strip[-1].to_at) == (minutes(60), at(65))
        assert later.strip == rest(read(at(5)), now=at(65)).strip

    def test_stated_time_slides_too(self):
        stored = rest(statements=[said(NOON, at(90))], now=at(20), **STATEMENTS)

        assert stored.proven_from == NOON
        assert stored.at(now=at(59)).proven == stored.at(now=at(59)).stated == minutes(59)

    @pytest.mark.parametrize("now", [at(19), at(65, 1)], ids=["before-it", "at-its-end"])
    def test_an_answer_is_not_used_outside_its_time(self, now):
        with pytest.raises(ValueError, match="not good"):
            rest(read(at(5)), now=at(20)).at(now=now)


class TestSharedAir:
    def test_placements_of_one_zone_share_its_air(self):
        columns = Columns.of_instants([NOON, at(60)], [20.0, 20.0], [45.0, 45.0])
        air = {"A": air_of(rule(), columns, now=at(60))}
        facts = {"opened_at": None, "sheets_set_at": None, "rule": rule(), "now": at(70)}

        proven = [rest_in(air, presence=[Presence("A", at(m))], **facts).proven for m in (0, 20)]

        assert proven == [minutes(60), minutes(40)]

    def test_columns_come_in_any_order_and_several_an_instant(self):
        columns = Columns([100, 50, 100, 200], [20.0, 20.0, 17.0, 20.0], [45.0] * 4, ["a", "b", "c", "d"])
        now = datetime.fromtimestamp(150, UTC)

        air = air_of(rule(), columns, now=now)

        assert (air.times, air.last_good) == ([50, 100], False)
        assert (air.ignored.after_now, air.next_fact_at) == (("d",), 200)

    def test_air_is_not_used_once_a_given_fact_has_come(self):
        columns = Columns.of_instants([NOON, at(60)], [20.0, 20.0], [45.0, 45.0])
        air = {"A": air_of(rule(), columns, now=at(30))}
        facts = {"presence": STAYS, "opened_at": None, "sheets_set_at": None, "rule": rule()}

        assert rest_in(air, **facts, now=at(59)).provisional == minutes(59)
        with pytest.raises(ValueError, match="not good"):
            rest_in(air, **facts, now=at(60))

    def test_it_tells_what_the_readings_of_a_stretch_said(self):
        readings = [read(NOON), read(at(5), (17.9, 40.0)), read(at(9), (21.0, 60.1)), read(at(12), DAMP)]
        air = air_of(rule(), Columns.of_readings(readings), now=at(12))

        assert air.noted(at(1), at(12)) == Noted(2, Cause.COLD | Cause.DAMP)
        assert air.noted(at(1), at(5)) is None
        assert air.noted(NOON, at(5)) == Noted(1, Cause(0))

    def test_two_that_read_at_one_instant_both_say_what_is_wrong(self):
        columns = Columns([60, 120, 120], [20.0, 17.0, 20.0], [45.0, 45.0, 70.0])
        at_two = datetime.fromtimestamp(120, UTC)

        air = air_of(rule(), columns, now=at_two)

        assert air.noted(at_two, at_two + SECOND) == Noted(1, Cause.COLD | Cause.DAMP)


@pytest.mark.parametrize(
    "changes", [{"required": minutes(0)}, {"max_gap": minutes(0)}, {"restart_after": -SECOND}]
)
def test_a_rule_that_asks_nothing_is_refused(changes):
    with pytest.raises(ValueError, match="second"):
        rule(**changes)


def test_overlapping_stays_are_refused_by_the_core_itself():
    with pytest.raises(WrongFact, match=r"presence\[0\]"):
        rest(presence=[Presence("B", at(10)), Presence("A", NOON)], now=at(20))


def test_a_day_of_twenty_five_hours_rests_twenty_five():
    # The night of 25 October 2026 in Paris: 20:00 summer time to 20:00 winter time (EU Directive 2000/84/EC).
    evening, next_evening = (
        datetime.fromisoformat(f"2026-10-{day}") for day in ("24T20:00+02:00", "25T20:00+01:00")
    )

    found = rest(
        read(evening),
        read(next_evening),
        presence=[Presence("A", evening)],
        now=next_evening,
        max_gap=timedelta(hours=25),
    )

    assert found.proven == timedelta(hours=25)
