"""The manager's loggers: added with a token shown once, renewed, given zones, ended; and a zone's own part."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
from django.db import connection
from django.template.loader import render_to_string
from django.test.utils import CaptureQueriesContext

from config import clock
from jobs.core.logger_values import Reading as ReadOut
from jobs.core.posted import Batch, Posted
from jobs.models import Change, Logger, Reading
from jobs.services import loggers, seen
from jobs.services.ingest import take
from jobs.services.people import digest_of
from scheduling import states
from scheduling.acts.base import Allowed
from scheduling.pages.loggers import AT_ONCE, loggers_page, zone_loggers
from tests import make
from tests.conftest import NOW
from tests.scheduling.acts_world import words_of
from tests.scheduling.test_silence import Ward

pytestmark = pytest.mark.django_db
MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)
EVERY = frozenset(Allowed)


@pytest.fixture(autouse=True)
def present(monkeypatch):
    """The clock of the requests stands at NOW: 09:00 UTC, 11:00 in Paris."""
    monkeypatch.setattr(clock, "read", lambda: NOW)


@pytest.fixture
def boss():
    return make.manager(name="Ada Holm")


@pytest.fixture
def page(client, boss):
    client.force_login(boss)
    return client


@pytest.fixture
def zone():
    return make.room(zone=make.zone(name="Ward A")).zone


def typed(zone, **changes):
    return {"name": "L3", "zones": [zone.pk], "silent_after": "45", **changes}


def token_in(response):
    return re.search(r'id="token" readonly value="([^"]+)"', response.content.decode())[1]


def hear(logger, token, zone, *readings, now=NOW):
    rows = [Posted(zone.pk, ReadOut(NOW - ago, t, "c", 45.0, n + 1)) for n, (ago, t) in enumerate(readings)]
    return take(Batch(tuple(rows)), loggers.sender_of(token, now=now), now=now)


@pytest.fixture
def heard(boss, zone):
    logger, token = loggers.add_logger(
        name="L3", zones=[zone], silent_after=HOUR, by=boss, now=NOW - 9 * HOUR
    )
    hear(logger, token, zone, (20 * MINUTE, 20.5), (10 * MINUTE, 20.5))
    return logger, token


# ---- the list


def test_a_new_logger_gets_a_token_that_is_shown_once(page, zone, boss):
    made = page.post("/loggers/", typed(zone))

    token = token_in(made)
    logger = Logger.objects.get()
    assert "Copy this token now. It is shown this once" in words_of(made)
    assert "/ingest/readings" in made.content.decode()
    assert (made["Cache-Control"], made["Referrer-Policy"]) == (
        "max-age=0, no-cache, no-store, must-revalidate, private",
        "same-origin",
    )
    assert (logger.digest, logger.made_by, logger.silent_after_s) == (digest_of(token), boss, 2_700)
    assert list(logger.zones.all()) == [zone]
    for path in ("/loggers/", f"/loggers/{logger.pk}/"):
        assert token not in page.get(path).content.decode()


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"name": ""}, "Nothing is written here."),
        ({"name": " l3 "}, "There is a logger of this name."),
        ({"zones": []}, "Tick at least one."),
        ({"zones": ["999999"]}, "999999"),
        ({"silent_after": "0"}, "0"),
        ({"silent_after": "10081"}, "10080"),
        ({"silent_after": "often"}, "is no whole number"),
    ],
    ids=str,
)
def test_a_logger_that_cannot_be_is_refused_with_the_form_as_it_was_typed(page, zone, heard, changes, words):
    answer = page.post("/loggers/", typed(zone, **{"name": "L4", **changes}))

    assert answer.status_code == 422
    assert words in answer.content.decode()
    assert Logger.objects.count() == 1


def test_the_list_tells_what_was_last_heard_and_who_is_silent(page, heard, zone, boss):
    loggers.add_logger(name="L9", zones=[zone], silent_after=HOUR, by=boss, now=NOW)
    words = words_of(page.get("/loggers/"))

    assert "2 loggers may report." in words
    assert "Ward A" in words
    assert "10:50: 20.5 °C, 45 %" in words
    assert "not heard yet" in words

    (one, _other) = loggers_page(now=NOW + HOUR).live
    assert (one.is_silent, loggers_page(now=NOW + HOUR).silent) == (True, 1)


def test_without_loggers_the_list_says_what_they_are_for(page, zone):
    assert "No logger reports by itself." in words_of(page.get("/loggers/"))


def test_the_list_asks_as_many_queries_with_more_loggers(page, heard, zone, boss):
    page.get("/loggers/")
    with CaptureQueriesContext(connection) as few:
        page.get("/loggers/")
    for name in ("L5", "L6", "L7"):
        logger, token = loggers.add_logger(
            name=name, zones=[zone, make.zone()], silent_after=HOUR, by=boss, now=NOW
        )
        hear(logger, token, zone, (5 * MINUTE, 20.5))
    with CaptureQueriesContext(connection) as many:
        page.get("/loggers/")

    assert len(many) == len(few)


# ---- one logger


def test_its_zones_and_its_patience_are_said_anew_with_their_history(page, heard, zone, boss):
    logger, _token = heard
    other = make.zone()

    answer = page.post(f"/loggers/{logger.pk}/", {"zones": [other.pk], "silent_after": "90"})

    assert answer.status_code == 302
    logger.refresh_from_db()
    assert (list(logger.zones.all()), logger.silent_after_s) == ([other], 5_400)
    changes = Change.objects.filter(record="jobs.logger", record_pk=str(logger.pk)).order_by("pk")
    # It was made, got its zones, its patience changed, its zones changed.
    assert [sorted(one.before) for one in changes] == [[], ["zones"], ["silent_after_s"], ["zones"]]
    assert all(one.by == boss for one in changes)


def test_a_renewed_token_is_shown_once_and_the_old_one_serves_no_more(page, heard):
    logger, old = heard

    token = token_in(page.post(f"/loggers/{logger.pk}/token/"))

    assert loggers.sender_of(token, now=NOW).logger == logger.pk
    with pytest.raises(loggers.TokenRefused):
        loggers.sender_of(old, now=NOW)


def test_an_ended_logger_keeps_its_page_but_not_its_token(page, heard):
    logger, token = heard

    assert page.post(f"/loggers/{logger.pk}/end/").status_code == 302

    with pytest.raises(loggers.TokenRefused):
        loggers.sender_of(token, now=NOW)
    assert "It is ended; what it read stays." in words_of(page.get(f"/loggers/{logger.pk}/"))
    assert page.post(f"/loggers/{logger.pk}/token/").status_code == 302
    assert Reading.objects.count() == 2


# ---- a zone's part


def part_of(zone, *, rights=EVERY, now=NOW):
    found = zone_loggers(zone, rights=rights, now=now)
    context = {"loggers": found, "zone": "Europe/Paris", "now": now}

    class Answer:
        content = render_to_string("scheduling/_zone_loggers.html", context).encode()

    return words_of(Answer)


def test_a_zones_part_tells_of_its_loggers(heard, zone):
    words = part_of(zone)

    assert "L3 20.5 °C, 45 % Wed 10 Jun 10:50 reports" in words
    assert "L3 20.5 °C, 45 % Wed 10 Jun 10:50 silent since Wed 10 Jun 10:50" in part_of(zone, now=NOW + HOUR)


def test_a_reading_whose_clock_was_off_is_shown_with_what_the_logger_said(heard, zone, boss):
    logger, token = heard
    hear(
        logger,
        token,
        zone,
        (HOUR + 45 * MINUTE, 34.0),
        (HOUR + 40 * MINUTE, 20.5),
        (HOUR + 50 * MINUTE, 20.5),
    )
    loggers.state_clock(make.envelope(boss), zone=zone, logger="L3", from_at=NOW - 5 * HOUR, offset=HOUR)

    words = part_of(zone)

    assert "Logger L3: its clock is 1 h slow from then on." in words
    # 07:15 UTC by the logger is 09:15 in Paris; an hour is added.
    assert "10:15 34 °C, 45 %: jumps away from its neighbours. L3; the logger said 09:15" in words


def test_a_reading_that_looks_wrong_goes_when_it_is_taken_back(heard, zone, boss):
    logger, token = heard
    hear(logger, token, zone, (15 * MINUTE, 35.0))
    assert "Readings that look wrong" in part_of(zone)

    seen.withdraw_reading(Reading.objects.get(temperature=35), make.envelope(boss, reason="a lamp"))

    assert "Readings that look wrong" not in part_of(zone)


def test_what_was_said_twice_and_differently_is_shown_with_both_values(heard, zone):
    logger, token = heard
    hear(logger, token, zone, (10 * MINUTE, 23.0))

    words = part_of(zone)

    assert "20.5 °C, 45 % stands; 23 °C, 45 % was said of the same instant." in words
    assert "The first stands." in words


def test_of_many_doubts_the_latest_are_shown_and_the_rest_counted(heard, zone):
    logger, token = heard
    hear(logger, token, zone, *((2 * HOUR + n * MINUTE, 60.0 + n % 2) for n in range(AT_ONCE + 3)))

    assert "3 older ones are left out." in part_of(zone)


def test_a_sensor_that_sticks_is_one_line_however_often_it_says_so(heard, zone):
    logger, token = heard
    hear(logger, token, zone, *((timedelta(hours=3, minutes=5 * n), 21.3) for n in range(13 * 12)))
    hear(logger, token, zone, (15 * MINUTE, 40.0))

    words = part_of(zone)

    # From 15:55 to 3:00 before the present; twelve hours after the first of them, twelve are left.
    stuck = (
        "21.3 °C, 45 %: the very same for more than 12 hours; is the sensor stuck? 12 readings to 08:00. L3"
    )
    assert stuck in words
    assert words.count("is the sensor stuck?") == 1
    assert "40 °C, 45 %: jumps away from its neighbours." in words


def test_who_may_not_record_gets_no_way_to_change_anything(heard, zone):
    logger, token = heard
    hear(logger, token, zone, (15 * MINUTE, 35.0))

    words = part_of(zone, rights=frozenset())

    assert "jumps away" in words
    assert "take back" not in words
    assert "Say that a clock is off" not in words


def test_a_zone_without_loggers_says_so(zone):
    assert "No logger reports for this zone by itself." in part_of(zone)


# ---- the morning


def test_a_silent_logger_is_named_on_the_morning_page_until_it_speaks(client):
    ward = Ward()
    ward.hear()
    client.force_login(ward.boss)

    words = words_of(client.get("/morning/"))
    assert "Logger L3 in Ward A silent since 09:00" in words
    assert "At stake: the rest of batch 7 is proven only if the air is read by 13:00." in words
    assert f"/zones/{ward.zone.pk}/reading/" in client.get("/morning/").content.decode()

    ward.hear(upto=NOW, count=1)
    assert "silent" not in words_of(client.get("/morning/"))


def test_a_silence_around_many_rooms_is_named_once(client):
    ward = Ward()
    ward.hear()
    ward.add_room("Room 2", batch="8")
    states.refresh_due(now=NOW)
    client.force_login(ward.boss)

    words = words_of(client.get("/morning/"))

    assert words.count("silent since") == 1
    assert "batch 7 is proven only if the air is read by 13:00 and the rest of batch 8" in words


# ---- the room


def test_a_rooms_page_names_the_silence_and_what_a_clock_that_was_off_said(client):
    ward = Ward()
    ward.hear()
    client.force_login(ward.boss)
    loggers.state_clock(
        make.envelope(ward.boss), zone=ward.zone, logger="L3", from_at=NOW - 90 * HOUR, offset=HOUR
    )

    words = words_of(client.get(f"/rooms/{ward.room.pk}/"))

    # 07:00 UTC by the logger, 09:00 in Paris; an hour is added, and it is silent since then.
    assert "Logger L3 in Ward A silent since 10:00" in words
    assert "L3; the logger said 09:00" in words
