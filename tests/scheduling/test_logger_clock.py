"""A person's word that a logger's clock is off: said in minutes or by what it showed, corrected and taken back."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from config import clock
from jobs.clocks import clocks_in
from jobs.models import Entry, LoggerClock
from jobs.services import loggers, seen
from scheduling.printing import plain
from tests import make
from tests.conftest import NOW
from tests.scheduling.acts_world import act_path, filled, words_of, wrong_in

pytestmark = pytest.mark.django_db
HOUR = timedelta(hours=1)
#: The day of NOW begins in Paris at 22:00 UTC of the day before: summer time is UTC+2.  Source: IANA, tzdata.
MIDNIGHT = datetime(2026, 6, 9, 22, 0, tzinfo=UTC)


@pytest.fixture(autouse=True)
def present(monkeypatch):
    """The clock of the requests stands at NOW: 09:00 UTC, 11:00 in Paris."""
    monkeypatch.setattr(clock, "read", lambda: NOW)


@pytest.fixture
def boss():
    return make.manager()


@pytest.fixture
def zone(boss):
    zone = make.room(zone=make.zone(name="East")).zone
    loggers.add_logger(name="L3", zones=[zone], silent_after=HOUR, by=boss, now=NOW)
    return zone


@pytest.fixture
def page(client, boss):
    client.force_login(boss)
    return client


def say_it(page, zone, **typed):
    path = act_path("zones", zone, "logger-clock")
    return page.post(path, filled(page, path, {"logger": "L3", "from_on": "2026-06-10", **typed}))


def offset_in(zone, *, at=NOW):
    return clocks_in([zone.pk])["L3", zone.pk].offset(at)


@pytest.mark.parametrize(
    ("typed", "minutes"),
    [
        ({"minutes": "60"}, 60),
        ({"minutes": "-90"}, -90),
        ({"minutes": "2,5"}, 2.5),
        ({"minutes": "0"}, 0),
        ({"showed_at": "2026-06-10T09:10", "was_at": "2026-06-10T10:10"}, 60),
        ({"showed_at": "2026-06-10T10:10", "was_at": "2026-06-09T22:10"}, -720),
        ({"showed_at": "2026-06-10T09:10", "was_at": "2026-06-10T10:10", "minutes": "60"}, 60),
    ],
    ids=str,
)
def test_it_is_said_in_minutes_or_by_what_it_showed(page, zone, typed, minutes):
    assert say_it(page, zone, **typed).status_code == 302

    fact = LoggerClock.objects.get()
    assert (fact.zone, fact.logger, fact.from_at) == (zone, "L3", MIDNIGHT)
    assert fact.offset_s == minutes * 60
    assert Entry.objects.get().fact == fact.pk


def test_it_holds_from_the_first_moment_of_the_day(page, zone):
    say_it(page, zone, minutes="60")

    assert offset_in(zone, at=MIDNIGHT) == HOUR
    assert offset_in(zone, at=MIDNIGHT - timedelta(seconds=1)) == timedelta(0)


@pytest.mark.parametrize(
    ("typed", "field", "words"),
    [
        ({}, "minutes", "Say by how much: both times, or the minutes."),
        ({"showed_at": "2026-06-10T09:10"}, "was_at", "Say both, or the minutes."),
        ({"was_at": "2026-06-10T09:10"}, "showed_at", "Say both, or the minutes."),
        (
            {"showed_at": "2026-06-10T09:10", "was_at": "2026-06-10T10:10", "minutes": "6"},
            "minutes",
            "The times say +60 and this says +6.",
        ),
        ({"minutes": "600000"}, "minutes", "is not from"),
        ({"minutes": "an hour"}, "minutes", "is no number"),
        (
            {"showed_at": "2024-06-10T09:10", "was_at": "2026-06-10T09:10"},
            "minutes",
            "That is more than a year; look at the date.",
        ),
        ({"minutes": "60", "from_on": "2026-07-10"}, "from_on", "This time is still to come"),
        ({"minutes": "60", "from_on": "1999-07-10"}, "from_on", "This time is before the year 2000."),
        ({"minutes": "60", "from_on": "soon"}, "from_on", "Write a day as 2026-05-14."),
        ({"minutes": "60", "logger": "L9"}, "logger", "not one of the choices"),
    ],
    ids=str,
)
def test_what_cannot_be_is_refused_at_its_field(page, zone, typed, field, words):
    answer = say_it(page, zone, **typed)

    assert (answer.status_code, wrong_in(answer)) == (422, {field})
    assert words in words_of(answer)
    assert not LoggerClock.objects.exists()


def test_it_is_corrected_and_taken_back_like_any_fact(page, zone):
    say_it(page, zone, minutes="60")
    first = LoggerClock.objects.get()

    path = f"/facts/{first.pk}/correct/"
    assert page.post(path, filled(page, path, {"minutes": "30", "reason": "misread"})).status_code == 302
    assert offset_in(zone) == timedelta(minutes=30)

    second = LoggerClock.objects.standing().get()
    assert (second.from_at, second.origin) == (first.from_at, first.pk)
    path = f"/facts/{second.pk}/withdraw/"
    assert page.post(path, filled(page, path, {"reason": "it was another logger"})).status_code == 302
    assert clocks_in([zone.pk]) == {}


def test_of_two_that_begin_on_one_day_the_later_word_counts(page, zone, monkeypatch):
    say_it(page, zone, minutes="60")
    monkeypatch.setattr(clock, "read", lambda: NOW + timedelta(minutes=1))
    say_it(page, zone, minutes="0")

    assert offset_in(zone) == timedelta(0)


def test_another_zone_or_another_logger_keeps_its_clock(page, zone, boss):
    say_it(page, zone, minutes="60")

    assert list(clocks_in([zone.pk, make.zone().pk])) == [("L3", zone.pk)]


def test_a_logger_of_a_file_may_be_named_too(page, zone, boss):
    seen.record_reading(
        make.envelope(boss), zone=zone, temperature=20, unit="c", humidity_pct=45, logger="From a file"
    )

    assert say_it(page, zone, logger="From a file", minutes="60").status_code == 302


def test_where_no_logger_ever_reported_there_is_nothing_to_say(page):
    answer = page.get(act_path("zones", make.zone(), "logger-clock"))

    assert "No logger has reported here" in words_of(answer)


@pytest.mark.parametrize(
    ("minutes", "words"),
    [
        (60, "its clock is 1 h slow from"),
        (-30, "its clock is 30 min ahead from"),
        # 365 days: a clock that was set a year wrong.
        (525_600, "its clock is 365 days slow from"),
        (0, "its clock is right from"),
    ],
)
def test_the_history_says_by_how_much_a_clock_is_off(boss, zone, minutes, words):
    stated = loggers.state_clock(
        make.envelope(boss),
        zone=zone,
        logger="L3",
        from_at=MIDNIGHT,
        offset=timedelta(minutes=minutes),
    )

    said = plain(stated.says(), zone="Europe/Paris", now=NOW)

    assert said == f"Logger L3 in East: {words} Wed 10 Jun 00:00 on."
