"""A crew's calendar over HTTP: what it says after each fact, and how it answers; sections are of calendar-rules."""

from __future__ import annotations

import gzip
import re
from datetime import UTC, date, datetime, timedelta
from email.utils import parsedate_to_datetime

import pytest
import recurring_ical_events
from django.db import connection, transaction
from icalendar import Calendar
from redis.exceptions import ConnectionError as BrokerAway

from config import clock
from config.logs import Text
from jobs.facts import withdraw
from jobs.services import seen
from scheduling import feeds, states, tasks
from scheduling.models import CrewFeed, FeedEvent, FeedSecret
from scheduling.services import crews, work
from scheduling.views import feeds as view
from tests import make
from tests.conftest import NOW
from tests.scheduling.core import ics
from tests.scheduling.rooms import (
    HOUR,
    THURSDAY,
    address,
    done,
    events,
    give,
    not_done,
    promised_room,
    shown,
    stamp,
    take_back,
)

pytestmark = pytest.mark.django_db

MINUTE = timedelta(minutes=1)
DAY = timedelta(days=1)
FRIDAY = THURSDAY + DAY


class Phone:
    """A calendar program: asks at an instant, with the headers it likes."""

    def __init__(self, client, monkeypatch, path=""):
        self.client, self.patch, self.path = client, monkeypatch, path

    def ask(self, *, now=NOW, path=None, method="get", **headers):
        self.patch.setattr(clock, "read", lambda: now)
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        return getattr(self.client, method)(path or self.path, headers=named)

    def events(self, *, now=NOW):
        answer = self.ask(now=now)
        assert answer.status_code == 200, answer.content
        return events(answer.content)

    def event(self, *, now=NOW):
        (found,) = self.events(now=now)
        return found


@pytest.fixture
def boss():
    return make.manager(name="Ada Holm")


@pytest.fixture
def crew():
    return make.crew(name="Crew Heron")


@pytest.fixture
def phone(client, monkeypatch, crew):
    return Phone(client, monkeypatch, address(crew))


# ---- the answer (sections 8 and 9, worked feed of section 11)


STANDING = {
    "Cache-Control": "private, no-cache",
    "Vary": "Accept-Encoding",
    "Access-Control-Allow-Origin": "*",
    "Referrer-Policy": "no-referrer",
    "X-Robots-Tag": "noindex, nofollow, noarchive",
    "X-Content-Type-Options": "nosniff",
}


def test_the_answer_carries_the_headers_of_the_worked_feed(phone, boss, crew):
    promised_room(boss, crew)

    answer = phone.ask()

    assert answer.status_code == 200
    for name, value in STANDING.items():
        assert answer[name] == value
    assert answer["Content-Type"] == "text/calendar; charset=utf-8"
    assert answer["Content-Length"] == str(len(answer.content))
    assert answer["Content-Disposition"] == 'inline; filename="crew-heron.ics"'
    assert re.fullmatch(r'"\d+-20260610-[0-9.]+-1"', answer["ETag"])
    assert parsedate_to_datetime(answer["Last-Modified"]) == NOW
    assert not answer.cookies
    assert "Content-Security-Policy" not in answer  # what only browsers need was never asked


def test_an_unchanged_copy_costs_a_304_with_all_its_headers(phone, boss, crew):
    promised_room(boss, crew)
    first = phone.ask()

    again = phone.ask(If_None_Match=first["ETag"])

    assert again.status_code == 304
    assert again.content == b""
    for name in (*STANDING, "ETag", "Last-Modified"):
        assert again[name] == first[name]
    assert "Content-Type" not in again
    assert not again.cookies
    assert phone.ask().content == first.content


CONDITIONS = [
    # RFC 9110 sections 13.1.2, 13.1.3 and 13.2.2: the tag wins over the date, a bad date is as none.
    ({"If_None_Match": '"other"'}, 200),
    ({"If_None_Match": "W/TAG"}, 304),
    ({"If_None_Match": '"other", TAG'}, 304),
    ({"If_None_Match": "*"}, 304),
    ({"If_None_Match": "no tag at all"}, 200),
    ({"If_Modified_Since": "DATE"}, 304),
    ({"If_Modified_Since": "Wed, 10 Jun 2026 08:59:59 GMT"}, 200),
    ({"If_Modified_Since": "last tuesday"}, 200),
    ({"If_None_Match": '"other"', "If_Modified_Since": "DATE"}, 200),
    ({"If_Match": "TAG"}, 200),
    ({"If_Match": '"other"'}, 412),
    ({"If_Match": '"other"', "If_None_Match": "TAG"}, 412),
]


@pytest.mark.parametrize(("headers", "status"), CONDITIONS, ids=lambda value: str(value))
def test_conditions_are_understood_as_the_standard_says(phone, boss, crew, headers, status):
    promised_room(boss, crew)
    first = phone.ask()
    filled = {
        name: value.replace("TAG", first["ETag"]).replace("DATE", first["Last-Modified"])
        for name, value in headers.items()
    }

    assert phone.ask(**filled).status_code == status


def test_head_has_the_headers_of_get_and_no_body(phone, boss, crew):
    promised_room(boss, crew)

    head = phone.ask(method="head")
    get = phone.ask()

    assert head.content == b""
    assert {**head.headers, "X-Request-ID": ""} == {**get.headers, "X-Request-ID": ""}
    assert phone.ask(method="head", If_None_Match=get["ETag"]).status_code == 304


@pytest.mark.parametrize("method", ["post", "put", "patch", "delete", "options"])
def test_nothing_can_be_written_here(phone, method):
    answer = phone.ask(method=method)

    assert answer.status_code == 405
    assert answer["Allow"] == "GET, HEAD"
    assert answer["Referrer-Policy"] == "no-referrer"


def test_the_zipped_form_has_a_weak_tag_that_is_accepted_back(phone, boss, crew):
    promised_room(boss, crew)
    plain = phone.ask()

    zipped = phone.ask(Accept_Encoding="br, gzip")

    assert zipped["Content-Encoding"] == "gzip"
    assert zipped["ETag"] == f"W/{plain['ETag']}"
    assert zipped["Vary"] == "Accept-Encoding"
    assert zipped["Content-Length"] == str(len(zipped.content))
    assert gzip.decompress(zipped.content) == plain.content
    for tag in (zipped["ETag"], plain["ETag"]):
        unchanged = phone.ask(Accept_Encoding="gzip", If_None_Match=tag)
        assert (unchanged.status_code, unchanged["ETag"]) == (304, zipped["ETag"])


@pytest.mark.parametrize(
    ("accepted", "takes"),
    [
        ("gzip", True),
        ("deflate, GZIP;q=0.5", True),
        ("gzip; q=1", True),
        ("gzip;q=0.001", True),
        ("gzip;q=0", False),
        ("gzip; q=0.000, deflate", False),
        ("x-gzip", False),
        ("identity", False),
        ("", False),
    ],
)
def test_gzip_is_sent_to_who_accepts_it(accepted, takes):
    # RFC 9110 section 12.5.3: a weight of 0 is "not acceptable".
    assert view.takes_gzip(accepted) is takes


def test_whatever_a_client_accepts_it_gets_a_calendar(phone, boss, crew):
    promised_room(boss, crew)

    for accepted in ("text/html", "application/json", ""):
        assert phone.ask(Accept=accepted)["Content-Type"] == "text/calendar; charset=utf-8"


# ---- secrets (section 9)


def test_only_the_digest_of_a_secret_is_kept_and_each_is_ended_alone(phone, crew):
    mine, other = phone.path, address(crew)
    secret = mine.removeprefix("/feeds/").removesuffix(".ics")
    kept = FeedSecret.objects.order_by("pk").first()

    assert len(secret) == 43  # 256 bits, base64url
    assert len("https://a-rather-long-host-name.example" + mine) < 256
    assert secret not in str(FeedSecret.objects.filter(pk=kept.pk).values())

    feeds.end_feed_secret(kept, now=NOW)

    assert phone.ask().status_code == 404
    assert phone.ask(path=other).status_code == 200


def leave(person, crew):
    crew.members.filter(person=person).update(to_on=NOW.date())


def switch_off(person, crew):
    type(person).objects.filter(pk=person.pk).update(is_active=False)


def close(person, crew):
    type(crew).objects.filter(pk=crew.pk).update(closed_at=NOW)


@pytest.mark.parametrize("what", [leave, switch_off, close])
def test_who_leaves_the_crew_or_is_switched_off_reads_no_more(phone, crew, what):
    lead = make.crew_lead()
    crews.add_to_crew(lead, crew, from_on=NOW.date(), now=NOW)
    path = address(crew, person=lead)
    assert phone.ask(path=path).status_code == 200

    what(lead, crew)

    assert phone.ask(path=path).status_code == 404


def test_a_manager_subscribes_without_being_in_the_crew(phone, crew, boss):
    assert phone.ask(path=address(crew, person=boss)).status_code == 200


def test_a_wrong_secret_is_404_in_plain_text_whatever_it_asks(phone, crew):
    path = "/feeds/" + "x" * 43 + ".ics"
    ended = address(crew)
    FeedSecret.objects.order_by("-pk").first().delete()

    for asked in (path, ended, "/feeds/short.ics"):
        for headers in ({}, {"If_None_Match": "*"}, {"If_Match": "*"}):
            answer = phone.ask(path=asked, **headers)
            assert answer.status_code == 404
            assert answer["Content-Type"].startswith("text/plain")
            assert answer["Cache-Control"] == "no-store"
            assert answer["Referrer-Policy"] == "no-referrer"
            assert not answer.cookies


def test_who_guesses_is_asked_to_wait_and_who_knows_is_not(phone, crew):
    wrong = "/feeds/" + "y" * 43 + ".ics"
    answers = [phone.client.get(wrong, REMOTE_ADDR="192.0.2.7") for _ in range(31)]

    assert {answer.status_code for answer in answers[:30]} == {404}
    assert answers[30].status_code == 429  # RFC 6585 section 4
    assert int(answers[30]["Retry-After"]) > 0
    assert phone.client.get(wrong, REMOTE_ADDR="192.0.2.8").status_code == 404
    assert phone.client.get(phone.path, REMOTE_ADDR="192.0.2.7").status_code == 200


class Away:
    """A cache whose broker is away."""

    def add(self, *given, **named):
        raise BrokerAway("refused")


def test_with_the_broker_away_a_wrong_secret_is_wrong_and_a_right_one_right(phone, monkeypatch):
    monkeypatch.setattr(view, "cache", Away())

    assert phone.ask(path="/feeds/" + "z" * 43 + ".ics").status_code == 404
    assert phone.ask().status_code == 200


def test_http_leads_to_https_without_losing_the_secret(client, settings, crew):
    settings.SECURE_SSL_REDIRECT = True
    path = address(crew)

    answer = client.get(path)

    assert answer.status_code == 301
    assert answer["Location"] == f"https://testserver{path}"
    assert client.get(path, secure=True).status_code == 200


# ---- ill (section 9: never old bytes, never an empty calendar)


def test_an_event_that_cannot_be_written_fails_the_feed_aloud(phone, boss, crew, caplog):
    promised_room(boss, crew)
    old = phone.ask()
    FeedEvent.objects.update(zone="Nowhere/Lost")
    CrewFeed.objects.update(rendered_at=None)

    answer = phone.ask(If_None_Match=old["ETag"])

    assert answer.status_code == 503
    assert int(answer["Retry-After"]) > 0
    assert answer["Cache-Control"] == "no-store"
    assert answer["Content-Type"].startswith("text/plain")
    lines = "\n".join(Text().format(record) for record in caplog.records)
    assert f"crew {crew.pk}" in lines
    assert phone.path[7:50] not in lines
    assert bytes(CrewFeed.objects.get().body) == old.content  # nothing half done is stored


def test_without_its_database_it_is_ill_and_not_empty(phone):
    with transaction.atomic():
        with connection.cursor() as cursor:
            cursor.execute("ALTER TABLE scheduling_feedsecret RENAME TO scheduling_gone")
        answer = phone.ask()
        transaction.set_rollback(True)

    assert answer.status_code == 503
    assert "Retry-After" in answer


def test_one_calendar_that_cannot_be_written_does_not_keep_the_worker_from_the_others(boss, crew):
    promised_room(boss, crew)
    other = make.crew()
    for one in (crew, other):
        address(one)
    states.refresh_due(now=NOW)
    FeedEvent.objects.update(zone="Nowhere/Lost")

    with pytest.raises(ExceptionGroup):
        tasks.renew_what_is_due(now=NOW)

    assert CrewFeed.objects.get(crew=other).rendered_at == NOW


# ---- what it costs


def test_an_unchanged_copy_takes_one_query_and_once_an_hour_two(phone, boss, crew, django_assert_num_queries):
    promised_room(boss, crew)
    tag = phone.ask()["ETag"]

    with django_assert_num_queries(1) as asked:
        assert phone.ask(If_None_Match=tag, now=NOW + 59 * MINUTE).status_code == 304
    assert "session" not in asked.captured_queries[0]["sql"]
    with django_assert_num_queries(2):
        assert phone.ask(If_None_Match=tag, now=NOW + HOUR).status_code == 304
    with django_assert_num_queries(1):
        assert phone.ask(If_None_Match=tag, now=NOW + HOUR + MINUTE).status_code == 304
    assert FeedSecret.objects.get().last_fetched_at == NOW + HOUR


def test_the_whole_takes_as_many_queries_however_many_shifts(phone, boss, crew, django_assert_num_queries):
    for week in range(4):
        promised_room(boss, crew, on=THURSDAY + timedelta(weeks=week))
    phone.ask()

    with django_assert_num_queries(2):
        assert len(phone.events()) == 4


# ---- what it says (sections 2, 3 and 6)


def test_a_crew_without_work_has_a_calendar_without_events(phone):
    # RFC 5545 section 3.6: at least one component, so the clock of the crew's home stands there alone.
    body = phone.ask().content

    calendar = ics.check(body)
    assert [part.name for part in calendar.inside] == ["VTIMEZONE"]
    assert calendar.text("NAME") == "Crew Heron – Setday"
    assert calendar.text("DESCRIPTION").startswith("This calendar shows the days of Crew Heron: ")


def test_the_calendar_says_as_of_when_it_is_and_where_the_truth_is(phone, boss, crew):
    promised_room(boss, crew, now=NOW)

    calendar = ics.check(phone.ask(now=NOW + 3 * HOUR).content)

    # 09:00 UTC on 10 June is 11:00 in Paris.
    assert calendar.text("X-WR-CALDESC") == (
        "This calendar shows the days of Crew Heron as of Wed 10 Jun 11:00: it may be up to a day late, "
        "the truth is at http://localhost:8000/today/."
    )


def test_an_event_says_what_holds_the_room_then_what_to_do_and_bring(phone, boss, crew):
    site = make.site(name="Quay clinic", address="Quay Street 4, Le Havre", way_in="gate 2; ring 14")
    job = make.job(site=site, name="Kitchens")
    room, _ceiling, _day = promised_room(boss, crew, job=job, name="Scullery 2.14")
    make.need(room, make.adhesive(name="wall glue"), 6)
    seen.record_wetting(make.envelope(boss, reason="a burst pipe"), room=room)

    event = phone.event()

    assert shown(event) == ("TENTATIVE", 0, "Held: Scullery 2.14, Kitchens")
    assert event.text("LOCATION") == "Quay Street 4, Le Havre, gate 2; ring 14"
    assert event.text("CATEGORIES") == "Install"
    assert event.text("URL") == f"http://localhost:8000/rooms/{room.pk}/"
    lines = event.text("DESCRIPTION").split("\n")
    assert lines[:3] == [
        "Held by work by others, no date known.",
        "Held by substrate, no date known.",
        "Held by consumables, no date known.",
    ]
    assert lines[3].startswith("Next: ")
    assert lines[-2] == "Bring: 6 kg wall glue."
    assert lines[-1] == f"Open: http://localhost:8000/rooms/{room.pk}/"
    # 07:00 to 15:00 in Paris: eight hours from the shift's start.
    assert event.parameters("DTSTART") == "TZID=Europe/Paris"
    assert (event.value("DTSTART"), event.value("DTEND")) == ("20260611T070000", "20260611T150000")


def test_a_reading_that_is_only_old_is_taken_at_the_door_and_holds_no_event(phone, boss, crew):
    room, ceiling, _day = promised_room(boss, crew)
    glue = make.adhesive()  # 10 to 30 °C, 20 to 70 %, fresh for two hours
    make.need(room, glue, 1)

    held = phone.event().text("DESCRIPTION")
    assert "work by others" in held
    assert "room conditions" not in held

    done(boss, ceiling)
    from materials.services.sheets import bring_lot

    bring_lot(make.envelope(boss), job=room.job, room=room, product=glue, quantity=2, good_through=None)
    fit = phone.event(now=NOW + MINUTE)
    assert fit.value("STATUS") == "CONFIRMED"
    assert "Read at the door, before the first sheet: air 10 to 30 °C and humidity 20 to 70 %." in fit.text(
        "DESCRIPTION"
    )

    seen.record_reading(
        make.envelope(boss, now=NOW + 2 * MINUTE), zone=room.zone, temperature=4, unit="c", humidity_pct=50
    )
    cold = phone.event(now=NOW + 3 * MINUTE)
    assert cold.value("STATUS") == "TENTATIVE"
    assert "Held by room conditions" in cold.text("DESCRIPTION")


def test_a_waiver_is_named_with_who_signed_it(phone, boss, crew):
    room, _ceiling, _day = promised_room(boss, crew)

    work.waive_hold(
        make.envelope(boss, reason="the grid is above the panels"),
        room=room,
        hold="work_by_others",
        until_at=None,
    )

    event = phone.event()
    assert event.value("STATUS") == "CONFIRMED"
    assert "Waived: work by others, signed by Ada Holm: the grid is above the panels" in event.text(
        "DESCRIPTION"
    ).split("\n")


def test_begun_while_held_is_confirmed_ever_after_and_says_so(phone, boss, crew):
    room, _ceiling, _day = promised_room(boss, crew)
    phone.ask()

    work.record_began_held(make.envelope(boss, reason="they had started already"), room=room, crew=crew)
    begun = phone.event()
    seen.record_wetting(make.envelope(boss, now=NOW + MINUTE), room=room)
    later = phone.event(now=NOW + MINUTE)

    assert shown(begun) == ("CONFIRMED", 1, f"{room.name}, Kitchens")
    assert "Begun while held Wed 10 Jun 11:00." in begun.text("DESCRIPTION")
    assert "Held by work by others" in begun.text("DESCRIPTION")
    assert shown(later) == shown(begun)


def test_each_day_of_several_is_an_event_of_its_own(phone, boss, crew):
    # Section 4.  Thursday 8.5 h, Friday 8.5 h, Monday 3 h.
    room, _ceiling, _day = promised_room(boss, crew, crew_hours=20)

    first, second, third = phone.events()

    for number, event in enumerate((first, second, third), start=1):
        assert event.text("SUMMARY") == f"Held: {room.name}, Kitchens, day {number} of 3"
    assert third.value("DTEND") == "20260615T100000"
    uids = [event.value("UID") for event in (first, second, third)]
    assert [uid.rsplit("@", 1)[0][-2:] for uid in uids] == ["-1", "-2", "-3"]
    assert len({uid[:36] for uid in uids}) == 1
    assert "Follows day 1." in second.text("DESCRIPTION")


def test_a_feed_of_two_sites_carries_both_clocks(phone, boss, crew):
    promised_room(boss, crew, on=THURSDAY)
    far = make.job(site=make.site(time_zone="America/Chicago"))
    promised_room(boss, crew, on=FRIDAY, job=far)

    body = phone.ask().content

    calendar = ics.check(body)
    assert [zone.value("TZID") for zone in calendar.all("VTIMEZONE")] == ["America/Chicago", "Europe/Paris"]
    # By the calendar's own clocks: 07:00 in Paris is 05:00 UTC, in Chicago 12:00 UTC (section 5's readers do so).
    starts = sorted(start for start, _end in ics.hours(calendar).values())
    assert starts == [datetime(2026, 6, 11, 5, tzinfo=UTC), datetime(2026, 6, 12, 12, tzinfo=UTC)]
    # And an independent library finds the same two on those two days.
    read = recurring_ical_events.of(Calendar.from_ical(body)).between((2026, 6, 11), (2026, 6, 13))
    assert sorted(event["DTSTART"].dt.astimezone(UTC) for event in read) == starts


def test_odd_names_come_through_whole(phone, boss, crew):
    room, _ceiling, _day = promised_room(
        boss, crew, name="Salle d’eau; n° 3, «nord» \\ 日本", job=make.job(name="A, B; C\nD")
    )

    event = phone.event()

    assert event.text("SUMMARY") == f"Held: {room.name}, A, B; C D"


# ---- what a change is (section 3)


def test_a_hold_that_clears_and_comes_back_raises_the_sequence_by_one_each_time(phone, boss, crew):
    _room, ceiling, _day = promised_room(boss, crew)
    uid = phone.event().value("UID")
    seen_so_far = [shown(phone.event())[:2]]

    report = done(boss, ceiling, now=NOW + 1 * HOUR)
    seen_so_far.append(shown(phone.event(now=NOW + 1 * HOUR))[:2])
    not_done(boss, report, now=NOW + 2 * HOUR)
    seen_so_far.append(shown(phone.event(now=NOW + 2 * HOUR))[:2])
    done(boss, ceiling, now=NOW + 3 * HOUR)
    event = phone.event(now=NOW + 5 * HOUR)
    seen_so_far.append(shown(event)[:2])

    assert seen_so_far == [("TENTATIVE", 0), ("CONFIRMED", 1), ("TENTATIVE", 2), ("CONFIRMED", 3)]
    assert event.value("UID") == uid
    # The fact's instant, not the request's two hours later.
    assert event.value("DTSTAMP") == event.value("LAST-MODIFIED") == stamp(NOW + 3 * HOUR)


def test_another_reason_changes_the_stamps_alone(phone, boss, crew):
    room, _ceiling, _day = promised_room(boss, crew)
    before = phone.event()

    seen.record_wetting(make.envelope(boss, now=NOW + HOUR), room=room)
    after = phone.event(now=NOW + 2 * HOUR)

    assert shown(after) == shown(before)
    assert after.text("DESCRIPTION") != before.text("DESCRIPTION")
    assert after.value("DTSTAMP") == stamp(NOW + HOUR)


def test_a_fact_that_shows_in_no_event_changes_no_byte(phone, boss, crew):
    room, _ceiling, _day = promised_room(boss, crew)
    first = phone.ask()

    for minutes in (10, 20):
        later = NOW + minutes * MINUTE
        seen.record_reading(
            make.envelope(boss, now=later), zone=room.zone, temperature=21, unit="c", humidity_pct=45
        )
        again = phone.ask(now=later, If_None_Match=first["ETag"])
        assert again.status_code == 304


def test_the_same_day_given_out_again_changes_no_byte(phone, boss, crew):
    room, _ceiling, _day = promised_room(boss, crew)
    first = phone.ask()

    give(boss, room, crew, now=NOW + HOUR)

    assert phone.ask(now=NOW + HOUR).content == first.content


def test_work_that_moves_moves_its_event(phone, boss, crew):
    room, _ceiling, _day = promised_room(boss, crew)
    before = phone.event()

    give(boss, room, crew, on=FRIDAY, now=NOW + HOUR)
    after = phone.event(now=NOW + HOUR)

    assert after.value("UID") == before.value("UID")
    assert shown(after) == ("TENTATIVE", 1, before.text("SUMMARY"))
    assert after.value("DTSTART") == "20260612T070000"


def test_work_that_gets_shorter_withdraws_its_last_day_and_keeps_the_first(phone, boss, crew):
    room, _ceiling, _day = promised_room(boss, crew, crew_hours=16)
    first, second = phone.events()

    give(boss, room, crew, now=NOW + HOUR, hours=4)
    now_first, now_second = phone.events(now=NOW + HOUR)

    assert shown(now_first) == ("TENTATIVE", 1, f"Held: {room.name}, Kitchens")
    assert now_first.value("DTEND") == "20260611T110000"
    assert now_second.value("UID") == second.value("UID")
    assert shown(now_second) == ("CANCELLED", 1, f"Cancelled: {room.name}, Kitchens, day 2 of 2")
    assert now_second.value("TRANSP") == "TRANSPARENT"
    assert first.value("UID") == now_first.value("UID")


def test_work_that_gets_longer_gets_another_event(phone, boss, crew):
    room, _ceiling, _day = promised_room(boss, crew, crew_hours=8)
    (before,) = phone.events()

    give(boss, room, crew, now=NOW + HOUR, hours=16)
    first, second = phone.events(now=NOW + HOUR)

    assert first.value("UID") == before.value("UID")
    assert shown(first) == ("TENTATIVE", 1, f"Held: {room.name}, Kitchens, day 1 of 2")
    assert shown(second) == ("TENTATIVE", 0, f"Held: {room.name}, Kitchens, day 2 of 2")
    assert second.value("UID").endswith("-2@feeds.setday.example")


def test_work_taken_back_stays_as_cancelled_with_its_reason(phone, boss, crew):
    room, _ceiling, _day = promised_room(boss, crew)
    before = phone.event()

    take_back(boss, room, now=NOW + HOUR, reason="the lift is out of order")
    after = phone.event(now=NOW + 2 * HOUR)

    assert shown(after) == ("CANCELLED", 1, f"Cancelled: {room.name}, Kitchens")
    assert after.value("UID") == before.value("UID")
    assert (after.value("TRANSP"), after.value("X-MICROSOFT-CDO-BUSYSTATUS")) == ("TRANSPARENT", "FREE")
    assert after.text("DESCRIPTION").split("\n")[0] == "Withdrawn Wed 10 Jun: the lift is out of order"
    assert after.value("DTSTAMP") == stamp(NOW + HOUR)


def test_facts_of_a_room_do_not_touch_an_event_that_is_cancelled(phone, boss, crew):
    room, ceiling, _day = promised_room(boss, crew)
    phone.ask()
    take_back(boss, room, now=NOW + HOUR)
    before = phone.ask(now=NOW + HOUR)

    done(boss, ceiling, now=NOW + 2 * HOUR)

    assert phone.ask(now=NOW + 2 * HOUR, If_None_Match=before["ETag"]).status_code == 304


def test_work_given_to_another_crew_and_back_goes_on_under_its_old_uid(phone, boss, crew):
    room, _ceiling, _day = promised_room(boss, crew)
    other = make.crew(name="Crew Plover")
    theirs = address(other)
    mine = phone.event()

    give(boss, room, other, now=NOW + HOUR)
    cancelled = phone.event(now=NOW + HOUR)
    (new,) = events(phone.ask(path=theirs, now=NOW + HOUR).content)

    assert shown(cancelled) == ("CANCELLED", 1, f"Cancelled: {room.name}, Kitchens")
    assert "given to Crew Plover" in cancelled.text("DESCRIPTION")
    assert shown(new)[:2] == ("TENTATIVE", 0)
    assert new.value("UID")[:36] != mine.value("UID")[:36]

    give(boss, room, crew, now=NOW + 2 * HOUR)
    back = phone.event(now=NOW + 2 * HOUR)
    (gone,) = events(phone.ask(path=theirs, now=NOW + 2 * HOUR).content)

    assert back.value("UID") == mine.value("UID")
    assert shown(back) == ("TENTATIVE", 2, mine.text("SUMMARY"))
    assert shown(gone)[:2] == ("CANCELLED", 1)


def test_an_assignment_that_is_itself_taken_back_is_cancelled(phone, boss, crew):
    _room, _ceiling, day = promised_room(boss, crew)
    phone.ask()

    withdraw(day.assignment, make.envelope(boss, now=NOW + HOUR, reason="a slip of the pen"))

    assert phone.event(now=NOW + HOUR).value("STATUS") == "CANCELLED"


def test_what_no_answer_carried_leaves_no_trace(phone, boss, crew):
    room, _ceiling, _day = promised_room(boss, crew)
    tasks.renew_what_is_due(now=NOW)  # the worker renders it, nobody fetches it
    phone.ask(method="head")

    take_back(boss, room, now=NOW + HOUR)
    assert phone.events(now=NOW + HOUR) == []

    give(boss, room, crew, on=FRIDAY, now=NOW + 2 * HOUR)
    event = phone.event(now=NOW + 2 * HOUR)
    # Withdrawn, then given again on another day: two changes of what is stored, and the same UID.
    assert shown(event)[:2] == ("TENTATIVE", 2)


def test_what_one_answer_carried_is_cancelled_even_if_only_a_second_later(phone, boss, crew):
    room, _ceiling, _day = promised_room(boss, crew)
    phone.ask(Accept_Encoding="gzip")

    take_back(boss, room, now=NOW + timedelta(seconds=1))

    assert phone.event(now=NOW + timedelta(seconds=1)).value("STATUS") == "CANCELLED"


def test_two_changes_within_one_second_have_two_tags(phone, boss, crew):
    _room, ceiling, _day = promised_room(boss, crew)
    first = phone.ask()

    done(boss, ceiling)
    second = phone.ask()

    assert second["ETag"] != first["ETag"]
    assert phone.ask(If_None_Match=first["ETag"]).status_code == 200
    assert parsedate_to_datetime(second["Last-Modified"]) <= NOW  # never in the future


# ---- time passing (sections 3, 7 and 8)


def test_a_state_that_ran_out_is_found_out_by_the_feed_itself(phone, boss, crew):
    """Neither worker nor page runs; the waiver ends by itself."""
    room, _ceiling, _day = promised_room(boss, crew)
    until = NOW + 2 * HOUR
    work.waive_hold(make.envelope(boss, reason="for now"), room=room, hold="work_by_others", until_at=until)
    first = phone.ask()

    assert shown(events(first.content)[0])[0] == "CONFIRMED"
    still = phone.ask(now=until - timedelta(seconds=1), If_None_Match=first["ETag"])
    assert still.status_code == 304

    later = until + 3 * HOUR
    assert phone.ask(now=later, If_None_Match=first["ETag"]).status_code == 200
    event = phone.event(now=later)
    assert shown(event)[:2] == ("TENTATIVE", 1)
    assert event.value("DTSTAMP") == stamp(until)
    assert parsedate_to_datetime(phone.ask(now=later)["Last-Modified"]) == until


def test_a_page_that_brought_a_room_up_to_date_does_not_hide_its_next_turn(phone, boss, crew):
    """The feed is rendered, then a page judges the room anew with an earlier end: the feed must see that end."""
    room, _ceiling, _day = promised_room(boss, crew)
    waived = {"room": room, "hold": "work_by_others"}
    work.waive_hold(make.envelope(boss, reason="for now"), until_at=NOW + 9 * HOUR, **waived)
    first = phone.ask()
    # A shorter waiver beside the longer one, which is then taken back, all before anybody asks again.
    short = work.waive_hold(
        make.envelope(boss, now=NOW + MINUTE, reason="for now"), until_at=NOW + 2 * HOUR, **waived
    )
    long = work.Waiver.objects.exclude(pk=short.pk).get()
    withdraw(long, make.envelope(boss, now=NOW + 2 * MINUTE, reason="too long"))
    states.refresh_due(now=NOW + 3 * MINUTE)
    tag = phone.ask(now=NOW + 3 * MINUTE)["ETag"]

    answer = phone.ask(now=NOW + 2 * HOUR, If_None_Match=tag)

    assert answer.status_code == 200
    assert shown(events(answer.content)[0])[0] == "TENTATIVE"
    assert first.status_code == 200


def test_the_window_rolls_at_the_midnight_of_the_crew(phone, boss, crew):
    _room, _ceiling, _day = promised_room(boss, crew)
    evening = datetime(2026, 6, 10, 21, 59, 59, tzinfo=UTC)  # 23:59:59 in Paris
    before = phone.ask(now=evening)

    after = phone.ask(now=evening + timedelta(seconds=1), If_None_Match=before["ETag"])

    assert after.status_code == 200  # the tag names the day
    assert after.content == before.content
    assert after["Last-Modified"] == before["Last-Modified"]
    assert phone.ask(now=evening, If_None_Match=after["ETag"]).status_code == 304  # a clock that lags


def test_an_event_leaves_after_28_days_and_comes_180_days_ahead(phone, boss, crew):
    promised_room(boss, crew)
    # Its last day in the window is the 28th after 11 June: 9 July, whose end in Paris is 22:00 UTC.
    leaves = datetime(2026, 7, 9, 22, 0, tzinfo=UTC)
    last = phone.ask(now=leaves - timedelta(seconds=1))
    assert len(events(last.content)) == 1

    gone = phone.ask(now=leaves + 5 * HOUR, If_Modified_Since=last["Last-Modified"])

    assert gone.status_code == 200
    assert events(gone.content) == []
    assert parsedate_to_datetime(gone["Last-Modified"]) == leaves


def test_a_day_far_ahead_enters_180_days_before_it(phone, boss, crew):
    far = date(2026, 12, 31)  # a Thursday
    promised_room(boss, crew, on=far)
    # 180 days before 31 December is 4 July; its midnight in Paris is 22:00 UTC of the 3rd.
    enters = datetime(2026, 7, 3, 22, 0, tzinfo=UTC)

    assert phone.events(now=enters - timedelta(seconds=1)) == []
    event = phone.event(now=enters + HOUR)
    assert event.value("DTSTART") == "20261231T070000"


@pytest.mark.parametrize(
    ("on", "gone_at"),
    [
        # A shift far ahead: 14 days after the withdrawal at 10:00 UTC on 10 June.
        (date(2026, 7, 30), datetime(2026, 6, 24, 10, 0, tzinfo=UTC)),
        # A near one: with the end of its shift, 15:00 in Paris.
        (date(2026, 6, 12), datetime(2026, 6, 12, 13, 0, tzinfo=UTC)),
    ],
)
def test_a_withdrawn_event_stays_14_days_or_to_the_end_of_its_shift(phone, boss, crew, on, gone_at):
    room, _ceiling, _day = promised_room(boss, crew, on=on)
    phone.ask()
    take_back(boss, room, now=NOW + HOUR)

    assert phone.event(now=gone_at - timedelta(seconds=1)).value("STATUS") == "CANCELLED"
    last = phone.ask(now=gone_at - timedelta(seconds=1))
    gone = phone.ask(now=gone_at + 2 * HOUR, If_None_Match=last["ETag"])

    assert gone.status_code == 200
    assert events(gone.content) == []
    assert parsedate_to_datetime(gone["Last-Modified"]) == gone_at


def test_a_new_edition_of_the_zone_database_renews_the_feed(phone, boss, crew):
    promised_room(boss, crew)
    tag = phone.ask()["ETag"]
    old = re.sub(r"-[0-9.]+-1\"$", '-2020.1-1"', tag)
    CrewFeed.objects.update(etag=old)

    assert phone.ask(If_None_Match=old).status_code == 200
    assert phone.ask()["ETag"] == tag


# ---- the same bytes, whoever renders


def walk(boss, crew, look):
    """Take a room through a day, with `look` called after each step as of its instant."""
    room, ceiling, _day = promised_room(boss, crew, crew_hours=16)
    look(NOW)
    report = done(boss, ceiling, now=NOW + HOUR)
    look(NOW + HOUR)
    work.waive_hold(
        make.envelope(boss, now=NOW + 2 * HOUR, reason="for now"),
        room=room,
        hold="work_by_others",
        until_at=NOW + 4 * HOUR,
    )
    not_done(boss, report, now=NOW + 3 * HOUR)
    look(NOW + 3 * HOUR)
    look(NOW + 5 * HOUR)
    give(boss, room, crew, on=FRIDAY, now=NOW + 6 * HOUR, hours=4)
    look(NOW + 6 * HOUR)
    seen.record_wetting(make.envelope(boss, now=NOW + 7 * HOUR), room=room)
    look(NOW + 9 * HOUR)


def test_worker_page_and_phone_write_the_same_bytes(phone, boss, crew):
    end = NOW + 12 * HOUR

    def by_phone(now):
        phone.ask(now=now)

    def by_worker(now):
        tasks.renew_what_is_due(now=now + timedelta(seconds=7))
        phone.ask(now=now + timedelta(seconds=8))

    def by_page(now):
        states.refresh_due(now=now + timedelta(seconds=3))
        phone.ask(now=now + timedelta(seconds=40))

    bodies = set()
    for look in (by_phone, by_worker, by_page):
        with transaction.atomic():
            make._Count.value = 1000  # the same names and ids in each round
            walk(boss, crew, look)
            answer = phone.ask(now=end)
            bodies.add(re.sub(rb"[0-9a-f-]{36}|/rooms/\d+", b"", answer.content.replace(b"\r\n ", b"")))
            transaction.set_rollback(True)

    assert len(bodies) == 1
