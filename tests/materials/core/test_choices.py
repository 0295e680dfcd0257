"""What can be done about a rest: worked by hand, and equal to the rest clock on the pretended facts."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from jobs.core.conditions import Band
from materials.core.choices import Choice, LastAir, Limit, Off, Way, WhyNot, off_band, outlook_of
from materials.core.rest import (
    Presence,
    Proof,
    Reading,
    RestartOn,
    RestRule,
    RestState,
    Statement,
    rest_of,
)
from tests.materials.core.test_rest_properties import BAND, SECOND, facts, instants

HOUR = timedelta(hours=1)
#: Monday, 08:00.
MON = datetime(2026, 5, 4, 8, tzinfo=UTC)
RULE = RestRule(
    required=24 * HOUR,
    max_gap=18 * HOUR,
    restart_after=4 * HOUR,
    band=Band(18, 24, 35, 55),
    needs_opening=True,
)
GOOD, COLD = (21.0, 45.0), (16.0, 45.0)


def rest_with(*airs, now, rule=RULE, opened_at=MON, zone="A", presence=None, statements=()):
    readings = [Reading(f"r{i}", zone, at, *air) for i, (at, air) in enumerate(airs)]
    return rest_of(
        presence=presence or [Presence("A", MON)],
        opened_at=opened_at,
        sheets_set_at=None,
        readings=readings,
        memories=[],
        statements=statements,
        rule=rule,
        now=now,
    )


def last(at, air, *, zone="A", name="Ward A"):
    return LastAir(zone, name, at, *air)


def told(outlook):
    """Return the choices as way, finish and by, in hours from Monday 08:00."""

    def hours(at):
        return None if at is None else (at - MON) / HOUR

    return [(one.way, hours(one.finish), hours(one.by)) for one in outlook.choices]


# ---- worked by hand; the clock starts on Monday at 08:00, hour 0


def test_a_rest_that_runs_is_read_again_or_loses_what_waits_for_proof():
    now = MON + 10 * HOUR
    rest = rest_with((MON, GOOD), (MON + 6 * HOUR, GOOD), now=now)

    outlook = outlook_of(rest, RULE, here=last(MON + 6 * HOUR, GOOD), now=now)

    assert (outlook.finish, outlook.why_not) == (MON + 24 * HOUR, None)
    (read,) = outlook.choices
    # Read at hour 6, good for 18 h: by hour 24.  A second later what was proven by hour 6 is all there is:
    # 24 + 24 - 6 = 42.
    assert (read.way, read.finish, read.by) == (Way.READ, MON + 24 * HOUR, MON + 24 * HOUR)
    assert (read.otherwise, read.keeps) == (MON + 42 * HOUR + SECOND, 4 * HOUR)


def test_cold_air_is_heated_or_left_for_a_zone_in_band():
    now = MON + 9 * HOUR
    rest = rest_with((MON, GOOD), (MON + 6 * HOUR, GOOD), (MON + 8 * HOUR, COLD), now=now)
    ward = last(MON + 8 * HOUR, GOOD, zone="B", name="Ward B")

    outlook = outlook_of(rest, RULE, here=last(MON + 8 * HOUR, COLD), others=[ward], now=now)

    assert (outlook.finish, outlook.why_not) == (None, WhyNot.OFF)
    assert outlook.off == (Off(Limit.COLD, 2.0),)
    # In band by hour 11, of the 24 six are proven and kept, as the excursion lasts to hour 12: 11 + 24 - 6 = 29.
    # In Ward B the count begins anew: 9 + 24 = 33.
    assert told(outlook) == [(Way.CLEAR, 29, 11), (Way.MOVE, 33, None)]
    heat, move = outlook.choices
    assert (heat.off, heat.keeps, heat.otherwise) == (
        (Off(Limit.COLD, 2.0),),
        6 * HOUR,
        MON + 36 * HOUR + SECOND,
    )
    assert (move.zone, move.zone_name) == ("B", "Ward B")


def test_heat_that_comes_too_late_for_the_count_is_told_beside_heat_that_keeps_it():
    now = MON + 11 * HOUR
    rest = rest_with((MON, GOOD), (MON + 6 * HOUR, GOOD), (MON + 8 * HOUR, COLD), now=now)

    outlook = outlook_of(rest, RULE, here=last(MON + 8 * HOUR, COLD), now=now)

    # The excursion began at hour 8 and starts the clock again after hour 12.  By hour 12: 12 + 24 - 6 = 30.
    # By hour 13, two hours from now, all is lost: 13 + 24 = 37.
    assert told(outlook) == [(Way.CLEAR, 30, 12), (Way.CLEAR, 37, 13)]
    assert [one.keeps for one in outlook.choices] == [6 * HOUR, timedelta(0)]


def test_humidity_that_only_pauses_keeps_what_is_proven():
    rule = replace(RULE, restart_on=RestartOn.TEMPERATURE)
    now = MON + 30 * HOUR
    rest = rest_with((MON, GOOD), (MON + 6 * HOUR, GOOD), (MON + 8 * HOUR, (21.0, 67.0)), now=now, rule=rule)

    outlook = outlook_of(rest, rule, here=last(MON + 8 * HOUR, (21.0, 67.0)), now=now)

    assert outlook.off == (Off(Limit.DAMP, 12.0),)
    assert told(outlook) == [(Way.CLEAR, 32 + 24 - 6, 32)]


def test_a_silence_is_read_or_stated_where_the_job_takes_a_word():
    now = MON + 30 * HOUR
    airs = [(MON, GOOD), (MON + 6 * HOUR, GOOD)]
    word = replace(RULE, proof=Proof.READINGS_OR_STATEMENTS)

    alone = outlook_of(rest_with(*airs, now=now), RULE, here=last(MON + 6 * HOUR, GOOD), now=now)
    stated = outlook_of(rest_with(*airs, now=now, rule=word), word, here=last(MON + 6 * HOUR, GOOD), now=now)

    assert (alone.finish, alone.why_not, alone.last_at) == (None, WhyNot.UNREAD, MON + 6 * HOUR)
    # Six hours are proven: 30 + 24 - 6.  A word from hour 6 on makes 24 at hour 24, which is past.
    assert told(alone) == [(Way.READ, 48, None)]
    assert told(stated) == [(Way.STATE, 24, None), (Way.READ, 48, None)]
    assert stated.choices[0].since == MON + 6 * HOUR


def test_a_wrapped_stack_begins_when_the_wrap_may_come_off():
    now = MON + 2 * HOUR
    rest = rest_with((MON, GOOD), now=now, opened_at=None)
    cold = rest_with((MON, COLD), now=now, opened_at=None)
    from_5 = MON + 5 * HOUR

    warm = outlook_of(rest, RULE, here=last(MON, GOOD), open_from=from_5, now=now)
    off = outlook_of(cold, RULE, here=last(MON, COLD), open_from=from_5, now=now)

    assert (warm.finish, warm.why_not) == (None, WhyNot.WRAPPED)
    assert told(warm) == [(Way.OPEN, 5 + 24, 5)]
    assert told(off) == [(Way.CLEAR, 5 + 24, 4)]
    assert off.choices[0].opens == from_5


def test_nothing_is_left_to_do_once_it_is_proven_or_gone():
    now = MON + 25 * HOUR
    airs = [(MON + hour * HOUR, GOOD) for hour in (0, 12, 24)]
    gone = [Presence("A", MON, MON + HOUR)]

    proven = outlook_of(rest_with(*airs, now=now), RULE, here=last(MON + 24 * HOUR, GOOD), now=now)
    left = outlook_of(rest_with(*airs, now=now, presence=gone), RULE, here=None, now=now)

    assert (proven.finish, proven.choices) == (MON + 24 * HOUR, ())
    assert (left.finish, left.why_not, left.choices) == (None, WhyNot.NOT_HERE, ())


def test_a_middle_that_is_cold_for_longer_holds_every_finish_back():
    now = MON + 10 * HOUR
    rest = rest_with((MON, GOOD), (MON + 6 * HOUR, GOOD), now=now)
    warm_at = MON + 90 * HOUR

    outlook = outlook_of(rest, RULE, here=last(MON + 6 * HOUR, GOOD), not_before=warm_at, now=now)

    assert (outlook.finish, outlook.choices[0].finish) == (warm_at, warm_at)


@pytest.mark.parametrize(
    ("air", "off"),
    [
        pytest.param((18.0, 35.0), (), id="the-limits-are-inside"),
        pytest.param((17.5, 30.0), (Off(Limit.COLD, 0.5), Off(Limit.DRY, 5.0)), id="cold-and-dry"),
        pytest.param((26.0, 60.0), (Off(Limit.WARM, 2.0), Off(Limit.DAMP, 5.0)), id="warm-and-damp"),
    ],
)
def test_air_is_told_by_the_limits_it_has_left(air, off):
    assert off_band(RULE.band, *air) == off


def test_an_outlook_of_another_present_is_refused():
    rest = rest_with((MON, GOOD), now=MON + HOUR)

    with pytest.raises(ValueError, match="present"):
        outlook_of(rest, RULE, here=None, now=MON + 2 * HOUR)


# ---- whatever the facts: a choice is what the clock tells of the pretended facts


@st.composite
def present_facts(draw):
    """Facts that have all happened by a present at which the placement stands somewhere, and that present."""
    found = draw(facts())
    now = draw(instants)
    stays = [one for one in found["presence"] if one.in_at < now]
    assume(stays)
    stays[-1] = replace(stays[-1], out_at=None)
    opened_at = found["opened_at"]
    return found | {
        "presence": stays,
        "sheets_set_at": None,
        "opened_at": opened_at if opened_at is not None and opened_at <= now else None,
        "readings": [one for one in found["readings"] if one.at <= now and one.corrects is None],
        "memories": [one for one in found["memories"] if one.to_at <= now],
        "statements": [one for one in found["statements"] if one.to_at <= now],
    }, now


def last_in(known, zone):
    """Return the last reading of a zone, of several at one instant the worst."""
    here = [one for one in known["readings"] if one.zone == zone]
    if not here:
        return None
    at = max(one.at for one in here)
    worst = min(
        (one for one in here if one.at == at),
        key=lambda one: (BAND.admits(one.t_c, one.rh_pct), BAND.admits_temperature(one.t_c)),
    )
    return LastAir(zone, zone, at, worst.t_c, worst.rh_pct)


def read_from(at, zone, rule, *, until):
    """Return readings in band from an instant on, as far apart as the rule lets them be."""
    count = (until - at) // rule.max_gap + 2
    return [Reading(f"then{i}", zone, at + i * rule.max_gap, 20.0, 45.0) for i in range(max(1, count))]


def pretended(known, choice: Choice, zone, now):
    """Return the facts as they would be after a choice, and when the rest is then asked for."""
    until = max(choice.finish, now) + SECOND
    then = dict(known)
    if choice.opens is not None:
        then["opened_at"] = choice.opens
    start = {
        Way.READ: now,
        Way.STATE: now,
        Way.OPEN: choice.opens,
        Way.CLEAR: choice.by,
        Way.MOVE: max(now, choice.opens or now),
    }[choice.way]
    if choice.way is Way.MOVE:
        stays = known["presence"]
        then["presence"] = [*stays[:-1], replace(stays[-1], out_at=now), Presence(choice.zone, now)]
        zone = choice.zone
    if choice.way is Way.STATE:
        assert choice.since is not None
        word = Statement("word", zone, choice.since, now, "by")
        then["statements"] = [*known["statements"], word]
    then["readings"] = [*known["readings"], *read_from(start, zone, known["rule"], until=until)]
    return then, then["readings"][-1].at


@settings(max_examples=400, deadline=None)
@given(present_facts(), st.integers(1, 12), st.none() | instants)
def test_each_choice_finishes_when_the_clock_says_so_of_the_pretended_facts(given_facts, soon, open_from):
    known, now = given_facts
    rest = rest_of(**known, now=now)
    zone = rest.zone
    others = [air for name in "AB" if name != zone and (air := last_in(known, name)) is not None]

    outlook = outlook_of(
        rest,
        known["rule"],
        here=last_in(known, zone),
        others=others,
        open_from=open_from,
        in_band_after=soon * SECOND,
        now=now,
    )

    assert (rest.state is RestState.PROVEN) == (not outlook.choices)
    for choice in outlook.choices:
        then, at = pretended(known, choice, zone, now)
        assert rest_of(**then, now=at).proven_at == choice.finish, choice
    assert [one.finish for one in outlook.choices] == sorted(one.finish for one in outlook.choices)


@settings(max_examples=200, deadline=None)
@given(present_facts(), st.integers(1, 12))
def test_what_is_missed_finishes_when_the_clock_says_so(given_facts, soon):
    known, now = given_facts
    rest = rest_of(**known, now=now)

    outlook = outlook_of(
        rest, known["rule"], here=last_in(known, rest.zone), in_band_after=soon * SECOND, now=now
    )

    for choice in outlook.choices:
        if choice.otherwise is not None:
            missed = choice.keeps_until or choice.by
            late = read_from(missed + SECOND, rest.zone, known["rule"], until=choice.otherwise + SECOND)
            then = known | {"readings": [*known["readings"], *late]}
            assert rest_of(**then, now=late[-1].at).proven_at == choice.otherwise, choice
            assert choice.otherwise >= choice.finish


@settings(max_examples=200, deadline=None)
@given(present_facts(), st.integers(1, 12))
def test_no_choice_finishes_before_it_can(given_facts, soon):
    known, now = given_facts
    rest = rest_of(**known, now=now)

    outlook = outlook_of(
        rest, known["rule"], here=last_in(known, rest.zone), in_band_after=soon * SECOND, now=now
    )

    for choice in outlook.choices:
        # What a word can prove is all the time since the count began; anything else, what waits for its proof.
        provable = rest.proven + rest.provisional
        if choice.way is Way.STATE:
            provable = sum((one.length for one in rest.strip if one.lost_at is None), timedelta(0))
        assert choice.finish >= now + rest.required - provable
    if outlook.finish is not None:
        assert outlook.finish >= now + rest.required - rest.proven - rest.provisional or (
            rest.state is RestState.PROVEN
        )
