"""Feeds as bytes: against files written by hand, a strict checker, and two readers that are not ours."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
import recurring_ical_events
from hypothesis import given, settings
from hypothesis import strategies as st
from icalendar import Calendar

from scheduling.core.calendar import Feed, FeedEvent, Status, event_uid, is_doubled, render
from scheduling.core.calendar_text import clean_text
from tests.scheduling.core import ics
from tests.scheduling.core.shifts import at, paris, shift, tell

GOLDEN = Path(__file__).parents[3] / "fixtures" / "calendars"
DAY = date(2026, 3, 10)


def feed(*events: FeedEvent, **more) -> Feed:
    return Feed(**({"name": "Crew Plover – Setday", "home_zone": "Europe/Paris", "events": events} | more))


def written(*events: FeedEvent, day: date = DAY, **more) -> bytes:
    return render(feed(*events, **more), day=day, tell=tell).body


def only_event(body: bytes) -> ics.Component:
    (event,) = ics.check(body).all("VEVENT")
    return event


WORKED = (
    shift(
        "4f2c9a1e-1",
        "America/Chicago",
        "2026-03-12T07:00",
        "2026-03-12T15:30",
        "Held: Scullery 2.14, day 1 of 2",
        status=Status.TENTATIVE,
        sequence=2,
        revised_at=datetime(2026, 3, 10, 16, 5, tzinfo=UTC),
        location="Quay Street clinic, gate 2; ring 14",
        description="Held by rest, forecast clear 11 March 22:10.\n"
        "Next: a reading in 2.14 before 18:00.\n"
        "Bring: 6 tubes sealant, “J” mouldings, suction lifters.\n"
        "Open: https://setday.example/a/4f2c",
        category="Install",
        url="https://setday.example/a/4f2c",
    ),
    shift(
        "4f2c9a1e-2",
        "America/Chicago",
        "2026-03-13T07:00",
        "2026-03-13T15:30",
        "Held: Scullery 2.14, day 2 of 2",
        status=Status.TENTATIVE,
        sequence=2,
        revised_at=datetime(2026, 3, 10, 16, 5, tzinfo=UTC),
        location="Quay Street clinic, gate 2; ring 14",
        description="Follows day 1.\nOpen: https://setday.example/a/4f2c",
        category="Install",
        url="https://setday.example/a/4f2c",
    ),
    shift(
        "77b0d3c5-1",
        "America/Chicago",
        "2026-03-16T07:00",
        "2026-03-16T11:00",
        "Salle d’eau n° 3 – façade «nord»",
        sequence=5,
        revised_at=datetime(2026, 3, 9, 8, tzinfo=UTC),
        location="Foundry Row depot",
        description="Released. Nothing holds this room.\n"
        "Bring: 日本語 label sheet (multi-byte folding shown).\n"
        "Open: https://setday.example/a/77b0",
        category="Install",
        url="https://setday.example/a/77b0",
    ),
    shift(
        "91aa06f2-1",
        "America/Chicago",
        "2026-03-17T07:00",
        "2026-03-17T15:30",
        "Cancelled: Cold store 1",
        status=Status.CANCELLED,
        sequence=3,
        revised_at=datetime(2026, 3, 9, 8, tzinfo=UTC),
        location="Foundry Row depot",
        description="Withdrawn 9 March: moved to another crew.",
        category="Install",
        url="https://setday.example/a/91aa",
    ),
)


def zoned(uid: str, zone: str, start: str, end: str, summary: str) -> FeedEvent:
    return shift(uid, zone, start, end, summary)


FILES = {
    "worked-feed.ics": feed(*WORKED, name="Crew Heron – Setday"),
    "empty-feed.ics": feed(
        name="Crew Plover, nights; Lyon – Setday", description="The days of crew Plover; may be a day late."
    ),
    "clock-changes.ics": feed(
        paris("a1-1", "2026-03-27", summary="Friday before spring"),
        zoned("a2-1", "Europe/Paris", "2026-03-28T22:00", "2026-03-29T06:00", "Night across spring"),
        paris("a3-1", "2026-03-30", summary="Monday after spring"),
        paris("a4-1", "2026-10-23", summary="Friday before autumn"),
        zoned("a5-1", "Europe/Paris", "2026-10-24T22:00", "2026-10-25T06:00", "Night across autumn"),
        paris("a6-1", "2026-10-26", summary="Monday after autumn"),
    ),
    "two-sites.ics": feed(
        zoned("b2-1", "America/Chicago", "2026-03-12T07:00", "2026-03-12T15:30", "Scullery 2.14"),
        paris("b1-1", summary="Laundry 3"),
    ),
    "zone-without-rules.ics": feed(
        zoned("c1-1", "Africa/Casablanca", "2026-03-20T07:00", "2026-03-20T15:30", "Before"),
        zoned("c2-1", "Africa/Casablanca", "2026-03-23T07:00", "2026-03-23T15:30", "After"),
    ),
    "text.ics": feed(
        paris(
            "d1-1",
            summary="🧱" * 60,
            status=Status.TENTATIVE,
            location="Store A\\B; gate 2, left",
            description="Tubes; “J”, caps\r\nslash \\ and \\Name\\new\n\nend\a bell",
            category="Install, wet",
            url="https://setday.example/a/d1?x=1,2;y",
        )
    ),
}


@pytest.mark.parametrize("name", FILES)
def test_a_feed_is_the_file_written_by_hand(name):
    assert render(FILES[name], day=DAY, tell=tell).body == (GOLDEN / name).read_bytes()


def test_every_file_is_a_case():
    assert {path.name for path in GOLDEN.glob("*.ics")} == set(FILES)


@pytest.mark.parametrize("name", FILES)
def test_the_files_written_by_hand_pass_the_strict_checker(name):
    ics.check((GOLDEN / name).read_bytes())


def test_the_worked_feed_has_its_length():
    # Source: Content-Length of the worked answer in the calendar rules.
    assert len(written(*WORKED, name="Crew Heron – Setday")) == 2790


@pytest.mark.parametrize("name", FILES)
def test_start_and_end_read_by_the_feeds_own_clocks_are_the_instants_meant(name):
    given_hours = {event.uid: (event.start_at, event.end_at) for event in FILES[name].events}

    assert ics.hours(ics.check(render(FILES[name], day=DAY, tell=tell).body)) == given_hours


@pytest.mark.parametrize("name", FILES)
def test_two_other_readers_see_the_same_events(name):
    body = render(FILES[name], day=DAY, tell=tell).body
    calendar = Calendar.from_ical(body)
    expanded = recurring_ical_events.of(calendar).between(
        datetime(2026, 1, 1, tzinfo=UTC), timedelta(days=366)
    )
    meant = {
        event.uid: (event.start_at, event.end_at, event.status, clean_text(event.summary))
        for event in FILES[name].events
    }

    for seen in (expanded, calendar.walk("VEVENT")):
        found = {
            str(event["UID"]): (
                event.start.astimezone(UTC),
                event.end.astimezone(UTC),
                str(event["STATUS"]),
                str(event["SUMMARY"]),
            )
            for event in seen
        }
        assert found == meant
    assert not [part.errors for part in calendar.walk() if part.errors]


def test_a_night_across_a_change_is_an_hour_shorter_or_longer():
    # Worked by hand: 22:00 to 06:00 is eight hours on the wall, seven in spring, nine in autumn.
    found = ics.hours(ics.check((GOLDEN / "clock-changes.ics").read_bytes()))

    assert {uid[:2]: (end - start) / timedelta(hours=1) for uid, (start, end) in found.items()} == {
        "a1": 8.5,
        "a2": 8 - 1,
        "a3": 8.5,
        "a4": 8.5,
        "a5": 8 + 1,
        "a6": 8.5,
    }


def test_the_same_feed_gives_the_same_bytes_in_whatever_order_its_events_come():
    assert written(*reversed(WORKED)) == written(*WORKED) == written(*WORKED)


def test_events_at_one_instant_are_sorted_by_uid():
    body = written(paris("c-1"), paris("a-1"), paris("b-1"))

    assert re.findall(rb"UID:(.)-1@", body) == [b"a", b"b", b"c"]


def test_a_feed_without_events_sends_the_clock_of_its_home_alone():
    calendar = ics.check(written(home_zone="America/Chicago"))

    assert [part.name for part in calendar.inside] == ["VTIMEZONE"]
    assert calendar.value("X-WR-TIMEZONE") == "America/Chicago"
    assert list(recurring_ical_events.of(Calendar.from_ical(written())).all()) == []


def test_two_zones_have_a_clock_each_and_no_default():
    calendar = ics.check(
        written(paris("a-1"), shift("b-1", "Asia/Kolkata", "2026-03-12T07:00", "2026-03-12T09:00"))
    )

    assert [zone.value("TZID") for zone in calendar.all("VTIMEZONE")] == ["Asia/Kolkata", "Europe/Paris"]
    assert not calendar.has("X-WR-TIMEZONE")


def test_a_zone_without_rules_is_named_for_the_log():
    rendered = render(FILES["zone-without-rules.ics"], day=DAY, tell=tell)

    assert rendered.listed_zones == ("Africa/Casablanca",)
    assert render(FILES["two-sites.ics"], day=DAY, tell=tell).listed_zones == ()


def test_the_clock_of_a_listed_zone_covers_every_event():
    events = [
        shift(f"{year}{month}-1", "Asia/Gaza", f"{year}-0{month}-15T07:00", f"{year}-0{month}-15T15:30")
        for year in (2025, 2026, 2027, 2028, 2029)
        for month in (1, 7)
    ]

    found = ics.hours(ics.check(written(*events)))

    assert found == {event.uid: (event.start_at, event.end_at) for event in events}


@pytest.mark.parametrize(
    ("zone", "parameters", "value"), [("UTC", "", "20260312T070000Z"), ("GMT", "TZID=GMT", "20260312T070000")]
)
def test_a_site_whose_clock_is_utc_has_no_floating_times(zone, parameters, value):
    event = only_event(written(shift("u-1", zone, "2026-03-12T07:00", "2026-03-12T15:30")))

    assert (event.parameters("DTSTART"), event.value("DTSTART")) == (parameters, value)


def test_nothing_of_an_invitation_an_alarm_or_a_recurrence_is_ever_sent():
    # Source: RFC 5545 sections 3.7.2, 3.6.6, 3.8.5.3; our own decisions.  A clock's rule is no recurrence.
    body = re.sub(rb"BEGIN:VTIMEZONE.*END:VTIMEZONE", b"", written(*WORKED), flags=re.DOTALL)

    for word in (
        "METHOD",
        "ORGANIZER",
        "ATTENDEE",
        "VALARM",
        "VTODO",
        "RRULE",
        "SOURCE",
        "X-ALT-DESC",
        "GEO",
    ):
        assert word.encode() not in body


def test_the_stamps_are_the_stored_change_and_nothing_of_the_request():
    revised_at = datetime(2026, 2, 3, 4, 5, 6, tzinfo=UTC)
    early = written(paris(revised_at=revised_at), day=date(2026, 3, 1))
    late = written(paris(revised_at=revised_at), day=date(2026, 4, 1))

    assert only_event(early).value("DTSTAMP") == "20260203T040506Z"
    assert early == late


@pytest.mark.parametrize(
    ("status", "transparency", "busy"),
    [
        (Status.TENTATIVE, "OPAQUE", "TENTATIVE"),
        (Status.CONFIRMED, "OPAQUE", "BUSY"),
        (Status.CANCELLED, "TRANSPARENT", "FREE"),
    ],
)
def test_the_time_is_taken_unless_the_shift_is_cancelled(status, transparency, busy):
    event = only_event(written(paris(status=status)))

    assert event.value("TRANSP") == transparency
    assert event.value("X-MICROSOFT-CDO-BUSYSTATUS") == busy


def test_what_is_empty_is_left_out():
    event = only_event(written(paris()))

    assert not any(event.has(name) for name in ("LOCATION", "DESCRIPTION", "CATEGORIES", "URL"))


def test_a_typed_backslash_n_is_no_line_break():
    assert only_event(written(paris(description=r"C:\New\names"))).text("DESCRIPTION") == r"C:\New\names"


def test_a_name_that_looks_like_the_end_of_a_calendar_ends_nothing():
    calendar = ics.check(written(paris(), name="END:VCALENDAR", description="END:VCALENDAR\nBEGIN:VEVENT"))

    assert calendar.text("NAME") == "END:VCALENDAR"
    assert len(calendar.all("VEVENT")) == 1


texts = st.text(max_size=300) | st.text(alphabet="\\nN;,:\r\n\t\a é日🧱 \u2028\x85\ufeff", max_size=300)


@settings(max_examples=80, deadline=None, derandomize=True)
@given(summary=texts, description=texts, location=texts, name=texts)
def test_any_text_comes_back_and_no_line_is_too_long(summary, description, location, name):
    summary = clean_text(summary).replace("\n", " ")
    if not summary.strip():
        summary += "Room"
    event = paris(summary=summary, description=description, location=location, category=location)

    body = written(event, name=name, description=description)

    calendar = ics.check(body)  # no line over 75 octets, no fold inside a character
    shown = only_event(body)
    other = Calendar.from_ical(body).walk("VEVENT")[0]
    assert calendar.text("NAME") == calendar.text("X-WR-CALNAME") == clean_text(name)
    assert shown.text("SUMMARY") == str(other["SUMMARY"]) == summary
    for property_name, typed in (("DESCRIPTION", description), ("LOCATION", location)):
        if clean_text(typed):
            assert shown.text(property_name) == str(other[property_name]) == clean_text(typed)


def test_a_feed_too_large_loses_length_of_text_first():
    # Worked by hand: 900 events of more than 1,000 octets are above 900 kB, with 200 characters far below.
    many = [busy(number, description="x" * 900) for number in range(900)]

    rendered = render(feed(*many, description="Crew Plover."), day=DAY, tell=tell)

    calendar = ics.check(rendered.body)
    events = calendar.all("VEVENT")
    assert len(rendered.body) <= 900_000
    assert (rendered.shortened, rendered.left_out) == (900, ())
    assert len(events) == 900
    assert {len(event.text("DESCRIPTION")) for event in events} == {
        200 + 1 + len("Open: https://setday.example/a/1")
    }
    assert all(event.text("DESCRIPTION").endswith("…\nOpen: https://setday.example/a/1") for event in events)
    assert calendar.text("DESCRIPTION") == "Crew Plover. Texts are shortened because this calendar is long."


def test_a_feed_of_too_many_events_loses_its_far_end_and_keeps_its_texts():
    many = [busy(number, description="x" * 300) for number in range(1_003)]

    rendered = render(feed(*reversed(many)), day=DAY, tell=tell)

    calendar = ics.check(rendered.body)
    assert rendered.left_out == tuple(event.uid for event in many[1_000:])
    assert rendered.shortened == 0
    assert len(calendar.all("VEVENT")) == 1_000
    # The first one left out starts 1,000 half days, so 500 days, after 1 January 2026: Sunday 16 May 2027.
    assert (
        calendar.text("DESCRIPTION")
        == "Shifts from Sun 16 May on are left out because this calendar is long."
    )


def test_the_clock_of_a_zone_goes_with_its_last_event():
    far = shift("far-1", "Asia/Kolkata", "2027-12-01T07:00", "2027-12-01T15:30")

    rendered = render(feed(*(busy(number) for number in range(1_000)), far), day=DAY, tell=tell)

    assert rendered.left_out == (far.uid,)
    assert [zone.value("TZID") for zone in ics.check(rendered.body).all("VTIMEZONE")] == ["UTC"]


def test_exactly_as_much_as_fits_is_left_alone():
    many = [busy(number) for number in range(1_000)]

    rendered = render(feed(*many), day=DAY, tell=tell)

    assert (rendered.shortened, rendered.left_out) == (0, ())
    assert not ics.read(rendered.body).has("DESCRIPTION")


def test_a_feed_too_large_even_with_short_texts_loses_both():
    many = [busy(number, description="x" * 900, location="é" * 400) for number in range(900)]

    rendered = render(feed(*many), day=DAY, tell=tell)

    kept = ics.check(rendered.body).all("VEVENT")
    assert 880_000 < len(rendered.body) <= 900_000
    assert len(kept) + len(rendered.left_out) == 900
    assert rendered.left_out == tuple(event.uid for event in many[len(kept) :])
    assert ics.read(rendered.body).text("DESCRIPTION").startswith("Texts are shortened")


def busy(number: int, *, description: str = "", location: str = "") -> FeedEvent:
    start = datetime(2026, 1, 1, 6, tzinfo=UTC) + timedelta(hours=12) * number
    text = f"{description}\nOpen: https://setday.example/a/1" if description else ""
    return replace(
        paris(f"n{number}-1", description=text, location=location, url="https://setday.example/a/1"),
        zone="UTC",
        start_at=start,
        end_at=start + timedelta(hours=4),
    )


def test_two_events_with_one_uid_are_refused():
    with pytest.raises(ValueError, match="one UID"):
        feed(paris("a-1"), paris("a-1", "2026-03-13"))


@pytest.mark.parametrize("colour", ["#008080", "", "teal;X"])
def test_a_colour_is_a_name(colour):
    with pytest.raises(ValueError, match="colour"):
        feed(colour=colour)


@pytest.mark.parametrize(
    ("wrong", "why"),
    [
        ({"start_at": datetime(2026, 3, 12, 7)}, "UTC"),  # noqa: DTZ001 refused for just that
        ({"start_at": datetime(2026, 3, 12, 7, tzinfo=ZoneInfo("Asia/Kolkata"))}, "UTC"),
        ({"start_at": datetime(2026, 3, 12, 6, 0, 0, 1, tzinfo=UTC)}, "UTC"),
        ({"revised_at": datetime(2026, 3, 12, 6, 0, 0, 1, tzinfo=UTC)}, "UTC"),
        ({"end_at": at("Europe/Paris", "2026-03-12T07:00")}, "ends after"),
        ({"summary": " "}, "title"),
        ({"summary": "a\nb"}, "title"),
        ({"uid": ""}, "UID"),
        ({"uid": "é" * 128}, "UID"),
    ],
)
def test_what_is_no_event_is_refused(wrong, why):
    with pytest.raises(ValueError, match=why):
        replace(paris(), **wrong)


def test_a_uid_is_assignment_ordinal_and_a_domain_of_ours():
    assert event_uid("4f2c9a1e", 1, "feeds.setday.example") == "4f2c9a1e-1@feeds.setday.example"
    with pytest.raises(ValueError, match="from 1"):
        event_uid("4f2c9a1e", 0, "feeds.setday.example")


def test_the_second_run_of_a_doubled_hour_cannot_be_written():
    # Source: RFC 5545 section 3.3.5: a wall time that comes twice means the first.
    second = at("Europe/Paris", "2026-10-25T02:30", fold=1)
    night = replace(paris(), start_at=second - timedelta(hours=6), end_at=second)

    with pytest.raises(ValueError, match="twice"):
        written(night)
    assert (
        only_event(written(replace(night, end_at=second - timedelta(hours=1)))).value("DTEND")
        == "20261025T023000"
    )


@pytest.mark.parametrize(
    ("instant", "doubled"),
    [
        # Worked by hand: on 25 October 2026 Paris shows 02:00 to 03:00 twice, from 00:00 and from 01:00 UTC.
        ("2026-10-24T23:59:59", False),
        ("2026-10-25T00:00:00", True),
        ("2026-10-25T01:59:59", True),
        ("2026-10-25T02:00:00", False),
        # On 29 March 02:00 to 03:00 is skipped at 01:00 UTC: no instant shows it.
        ("2026-03-29T01:00:00", False),
    ],
)
def test_a_doubled_wall_time_is_known(instant, doubled):
    assert is_doubled(datetime.fromisoformat(instant).replace(tzinfo=UTC), "Europe/Paris") is doubled
