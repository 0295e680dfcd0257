"""Every stretch of the strip says why it counts or does not."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from jobs.core.conditions import Band
from jobs.core.words import Say, say
from materials.core.air import Cause, Noted
from materials.core.rest import Columns, Kind, Presence, Reading, RestRule, Stretch, air_of, rest_in
from materials.core.rest_words import ledger, words_of

NOON = datetime(2026, 5, 4, 12, tzinfo=UTC)
HOUR = timedelta(hours=1)
BAND = Band(t_min=18, t_max=26, rh_min=30, rh_max=60)
RULE = RestRule(required=24 * HOUR, max_gap=2 * HOUR, restart_after=2 * HOUR, band=BAND)


def stretch(kind, *, restart=False, lost_at=None):
    return Stretch(NOON, NOON + HOUR, kind, restart, "A", lost_at)


def read(t_c=20.0, rh_pct=45.0):
    """Return what the rule makes of one reading."""
    air = air_of(RULE, Columns.of_instants([NOON], [t_c], [rh_pct]), now=NOON + HOUR)
    return air.noted(NOON, NOON + HOUR)


def test_every_kind_has_a_reason_of_its_own():
    reasons = {words_of(stretch(kind)).text for kind in Kind}

    assert len(reasons) == len(Kind)


def test_counted_time_names_its_readings():
    assert words_of(stretch(Kind.COUNTED), Noted(4, Cause(0))).values["n"] == 4


@pytest.mark.parametrize("kind", [Kind.COUNTED, Kind.BRIDGED, Kind.STATED])
def test_time_that_counted_and_was_lost_says_so(kind):
    why = words_of(stretch(kind, lost_at=NOON + 2 * HOUR))

    assert (why.values["at"], why.values["why"]) == (NOON + 2 * HOUR, words_of(stretch(kind)))


@pytest.mark.parametrize("kind", [Kind.GAP, Kind.OUT_OF_BAND, Kind.PROVISIONAL])
def test_time_that_never_counted_is_not_called_lost(kind):
    assert words_of(stretch(kind, lost_at=NOON + 2 * HOUR)) == words_of(stretch(kind))


@pytest.mark.parametrize(
    ("readings", "causes"),
    [
        (read(t_c=15.6), ["too cold"]),
        (read(t_c=26.1), ["too warm"]),
        (read(rh_pct=29.9), ["too dry"]),
        (read(t_c=17.9, rh_pct=60.1), ["too cold", "too damp"]),
        (read(t_c=18.0, rh_pct=60.0), ["out of band"]),
        (None, ["out of band"]),
    ],
    ids=["cold", "warm", "dry", "cold-and-damp", "good-readings-and-a-memory", "no-reading"],
)
def test_a_pause_names_what_left_the_band(readings, causes):
    why = words_of(stretch(Kind.OUT_OF_BAND), readings)

    assert why.values["causes"] == tuple(say(cause) for cause in causes)


@pytest.mark.parametrize("kind", [Kind.OUT_OF_BAND, Kind.ABSENT, Kind.COUNTED, Kind.WRAPPED])
def test_a_stretch_that_begins_at_zero_says_when(kind):
    why = words_of(stretch(kind, restart=True))

    assert "back to zero" in why.text
    assert why.values["at"] == NOON


def test_the_ledger_accounts_for_every_minute():
    readings = [
        Reading(str(hour), "A", NOON + hour * HOUR, t_c, 45.0)
        for hour, t_c in enumerate([20.0, 20.0, 15.6, 15.8, 16.0, 20.0])
    ]
    now = NOON + 6 * HOUR
    air = {"A": air_of(RULE, Columns.of_readings(readings), now=now)}
    rest = rest_in(
        air, presence=[Presence("A", NOON)], opened_at=None, sheets_set_at=None, rule=RULE, now=now
    )

    rows = ledger(rest, air)

    # Worked by hand: an hour in band and lost, one nobody vouches for, cold for two hours, then at zero.
    assert [row.length // HOUR for row, _ in rows] == [1, 1, 2, 1, 1]
    assert [why.text.split("{")[0] for _, why in rows] == [
        "",
        "No reading near enough to prove it: not counted",
        "Paused: ",
        "Out of band for too long: back to zero at ",
        "Provisional: the next reading in band proves it",
    ]
    assert rows[0][1].values["why"] == Say("In band, one reading", {"n": 1}, "In band, {n} readings")
    assert sum((row.length for row, _ in rows), timedelta()) == now - NOON
